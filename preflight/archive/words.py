"""What an archive says, for the terminal and for spreadsheets."""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from preflight.archive.library import short
from preflight.checks.say import count_text, counted, span_text, when
from preflight.report.page import STYLES, Page

if TYPE_CHECKING:
    from preflight.archive.add import Added, Looked

SHOWN_CASES = 40
SHOWN_TROUBLES = 5
SHOWN_ROWS = 12
COLUMNS = ("case", "taken", "verdict", "check", "outcome", "headline", "name", "duration_s", "frames", "note")


def progress(done: int, total: int, spent_s: float, share: float) -> str:
    """`share` is how much of the work is done, by bytes as well as by captures."""
    rate = done / spent_s if spent_s > 0 else 0.0
    left = f", about {span_text(spent_s / share - spent_s)} left" if 0 < share < 1 and spent_s > 2 else ""
    return f"{count_text(done)} of {counted(total, 'capture')}, {rate:.1f} a second{left}"


def show_added(looked: "Looked", added: "Added", spent_s: float, total: int, where: str, page: Page) -> None:
    verdicts = ", ".join(f"{count_text(n)} {verdict}" for verdict, n in sorted(added.verdicts.items()))
    known = looked.known + added.known
    page.line(
        f"{counted(added.new, 'new capture')}{f', {count_text(added.again)} judged again' if added.again else ''}"
        f"{f' ({verdicts})' if verdicts else ''} in {span_text(spent_s)}; {count_text(known)} known before."
    )
    if looked.others:
        page.line(f"{counted(looked.others, 'file')} left out: no capture.")
    for name, why in added.unreadable[:SHOWN_TROUBLES]:
        page.line(f"{name}: {why}", lead="unreadable: ", indent=3)
    if len(added.unreadable) > SHOWN_TROUBLES:
        page.line("`preflight archive find --outcome unreadable` lists them all.", indent=3)
    page.line(f"The archive in {where} has {counted(total, 'case')}.")


def as_rows(cases: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The cases for JSON and CSV."""
    return [
        {"case": row["capture"], "taken": _moment(row["first_frame_at"])}
        | {name: row[name] for name in COLUMNS[2:]}
        for row in cases
    ]


def as_csv(cases: Sequence[Mapping[str, Any]]) -> str:
    from preflight.report.soak import safe_cell

    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    writer.writerows({name: safe_cell(value) for name, value in row.items()} for row in as_rows(cases))
    return out.getvalue()


def show_cases(cases: Sequence[Mapping[str, Any]], page: Page) -> None:
    for row in cases[:SHOWN_CASES]:
        page.line(f"{row['name']}{_taken(row)}", lead=f"{short(row['capture'])}  ", lead_style="bold")
        said = f"{row['check']}: {row['headline']}" if row["check"] else row["headline"]
        page.line(
            f"{row['verdict'].upper()}{'. ' if said else ''}{said}",
            indent=3,
            style=STYLES.get(row["verdict"], ""),
        )
        if row["note"]:
            page.line(row["note"], lead="In the end: ", indent=3)
    more = len(cases) - SHOWN_CASES
    page.line(
        f"{counted(len(cases), 'case')}{f'; {count_text(more)} older ones not shown: --csv and --json have all' if more > 0 else ''}."
    )


def show_like(cases: Sequence[Mapping[str, Any]], page: Page) -> None:
    for number, row in enumerate(cases, 1):
        page.line(
            f"{row['name']}{_taken(row)}, case {short(row['capture'])}", lead=f"{number}. "
                                                                              f"{row['likeness']:.0%}  ",
            lead_style="bold", style="bold",
        )  # fmt: skip
        if row["headline"]:
            page.line(row["headline"], indent=3)
        page.line("; ".join(row["shared"]), lead="Both: ", indent=3)
        for note in row["notes"]:
            page.line(note, lead="In the end: ", lead_style="bold", indent=3)
        if not row["notes"] and row["advised"]:
            page.line(row["advised"], lead="No note says what mended it. Advised then: ", indent=3)
    if not cases:
        page.line("Nothing in the archive had any of the same troubles: this has not been seen before.")
    elif not any(row["notes"] for row in cases):
        page.line('None of them has a note yet. When you know what it was: preflight archive note CASE "..."')


def show_case(told: Mapping[str, Any], page: Page) -> None:
    about = told["case"]
    page.line(
        f"{about['verdict'].upper()}: {about['name']}{_taken(about)}",
        style=STYLES.get(about["verdict"], "bold"),
    )
    page.line(about["capture"], lead="Case ", indent=3)
    for place in told["places"][:SHOWN_ROWS]:
        page.line(place, lead="Lies at ", indent=3)
    if about["unreadable"]:
        page.line(about["unreadable"], lead="Could not be judged: ", indent=3)
    else:
        page.line(
            f"{counted(about['frames'], 'frame')} in {about['duration_s']:.1f} s; seen from: "
            f"{about['vantage']}.",
            indent=3,
        )
    for note in told["notes"]:
        page.line(
            note["text"], lead=f"{when(note['at_ns'])[:16]} {note['who']}: ", lead_style="bold", indent=3
        )
    for finding in told["findings"]:
        if finding["outcome"] in ("fail", "caution"):
            _show_finding(finding, page)
    for outcome, lead in (("unproven", "Could not be judged: "), ("pass", "Passed: ")):
        names = [finding["check"] for finding in told["findings"] if finding["outcome"] == outcome]
        if names:
            page.gap()
            page.line(", ".join(names), lead=lead)
    for title, rows in (
        ("Devices", [_device(row) for row in told["devices"]]),
        ("Streams", [_stream(row) for row in told["streams"]]),
    ):
        if rows:
            page.gap()
            page.line(f"{title}:", style="bold")
        for row in rows[:SHOWN_ROWS]:
            page.line(row, lead="- ", indent=3)
        if len(rows) > SHOWN_ROWS:
            page.line(f"{count_text(len(rows) - SHOWN_ROWS)} more: --json has all.", indent=3)


def _show_finding(finding: Mapping[str, Any], page: Page) -> None:
    page.gap()
    place = f"{finding['fix_first']}. " if finding["fix_first"] else ""
    cause = f" (from {', '.join(finding['explained_by'])})" if finding["explained_by"] else ""
    page.line(
        finding["headline"],
        lead=f"{place}{finding['outcome'].upper()} {finding['check']}{cause}: ",
        lead_style="bold",
    )
    for seen in finding["evidence"]:
        frame = f" (frame {seen['frame']})" if seen["frame"] else ""
        page.line(f"{seen['text']}{frame}", lead="- ", indent=3)
    if finding["fix_first"]:
        for caution in finding["cautions"]:
            page.line(caution, lead="Take care: ", indent=3)
        for fix in finding["fixes"]:
            page.line(fix, lead="Fix: ", indent=3)


def _device(row: Mapping[str, Any]) -> str:
    told = [row["maker"], *row["names"], *row["addresses"]]
    return f"{row['hardware']}: {', '.join(filter(None, (*told, counted(row['frames'], 'frame'))))}"


def _stream(row: Mapping[str, Any]) -> str:
    return f"{row['source']} to {row['destination']} port {row['port']}: {counted(row['packets'], 'packet')}, {count_text(row['lost'])} lost"


def _taken(row: Mapping[str, Any]) -> str:
    at = row["first_frame_at"]
    return f", {at:%Y-%m-%d %H:%M} UTC" if at else ""


def _moment(at: datetime | None) -> str | None:
    return at.isoformat() + "Z" if at else None
