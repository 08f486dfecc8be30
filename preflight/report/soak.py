"""A soak in words: for the terminal, JSON, spreadsheets and the sign-off sheet."""

import csv
import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from preflight.checks.say import count_text, span_text, when
from preflight.live.log import Logged
from preflight.report.page import Page
from preflight.report.result import moment
from preflight.soak.facts import COUNTED, NS, Figures, Noted, SoakFacts
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.report.record import FiguresRecord, SoakRecord

STATES = {
    "running": "running now",
    "done": "done",
    "stopped": "stopped by hand, can be resumed",
    "interrupted": "interrupted (no power, or killed), can be resumed",
}
STYLES = {
    "ready": "bold green",
    "ready with cautions": "bold yellow",
    "not ready": "bold red",
    "unproven": "bold cyan",
}
SHORT = {"ready with cautions": "cautions"}
SHOWN_NOTES = 12
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet takes for the beginning of a formula


def summary(soak: SoakFacts) -> str:
    """What was done, in one sentence."""
    runs = f", in {len(soak.runs)} runs" if len(soak.runs) > 1 else ""
    by = f", by {soak.who}" if soak.who else ""
    return (
        f"Soak {soak.number} on {soak.adapter}: {span_text(soak.figures.watched_ns / NS)} of "
        f"{span_text(soak.planned_ns / NS)} watched{runs}, {when(soak.begun_ns)} to "
        f"{when(soak.until_ns)}{by}; {STATES[soak.state]}."
    )


def figures(of: Figures) -> dict[str, str]:
    """The figures by name; a figure that the system does not tell is left out, or says so."""
    received, broken = of.rises.rx_frames, of.broken
    among = f" among {count_text(received)} received" if received is not None else ""
    speeds = sorted({speed for speed in (of.slowest_mbps, of.fastest_mbps) if speed is not None})
    untold, down = "not told by this system", span_text(of.down_ns / NS)
    heat = [
        f"{name} {degrees:.0f}"
        for name, degrees in (("adapter", of.adapter_c), ("computer", of.computer_c))
        if degrees is not None
    ]
    late = f"; {count_text(of.dropped)} more that this computer was too slow for" if of.dropped else ""
    return {
        "broken frames": untold if broken is None else f"{count_text(broken)}{among}",
        "link": f"went down {_times(of.downs)}, {down} in all"
        if of.downs
        else f"without a link for {down}"
        if of.down_ns
        else "never went down",
        "speed": (f"{' and '.join(map(str, speeds))} Mb/s" if speeds else untold)
        + (f", changed {_times(of.changes)}" if of.changes else ""),
        "stream packets lost": count_text(of.lost),
        "beats missing": count_text(of.missing),
        "heard": f"{count_text(of.frames)} frames{late}",
        "temperature": f"{', '.join(heat)} degrees Celsius at most" if heat else untold,
    }


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count_text(count)} times"


def hour_rows(soak: SoakFacts) -> list[tuple[str, ...]]:
    """What each hour of the clock brought, its head first."""
    head = ("hour", "watched", "broken", "downs", "lost", "missing", "hottest")
    return [head, *((when(at)[:16], *_cells(of)) for at, of in soak.by_hour)]


def _cells(of: Figures) -> tuple[str, ...]:
    heat = [degrees for degrees in (of.adapter_c, of.computer_c) if degrees is not None]
    return (
        span_text(of.watched_ns / NS),
        "-" if of.broken is None else count_text(of.broken),
        count_text(of.downs),
        count_text(of.lost),
        count_text(of.missing),
        f"{heat[0]:.0f} C" if heat else "-",
    )


def show_measured(soak: SoakFacts, page: Page) -> None:
    """The figures, hour by hour where it was hours, and what happened when."""
    page.gap()
    page.line("Measured:", style="bold")
    for name, words in figures(soak.figures).items():
        page.line(words, lead=f"{name}: ", indent=3)
    if len(soak.by_hour) > 1:
        page.gap()
        page.line("Hour by hour:", style="bold")
        show_table(hour_rows(soak), page)
    if soak.happened:
        page.gap()
        more = len(soak.happened) - SHOWN_NOTES
        page.line(
            f"What happened (the first {SHOWN_NOTES} of {len(soak.happened)}):"
            if more > 0
            else "What happened:",
            style="bold",
        )
        for note in soak.happened[:SHOWN_NOTES]:
            page.line(in_words(note), lead=f"{when(note.at_ns)} ", indent=3)


def in_words(note: Noted) -> str:
    words = {"over": "cleared", "cleared": "cleared", "alarm": "alarm"}.get(note.kind)
    return ": ".join(part for part in (words, note.check, note.text) if part)


def show_table(rows: Sequence[Sequence[str]], page: Page, indent: int = 3) -> None:
    """Columns as wide as their widest cell, numbers to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = [cell.ljust(widths[0]) if n == 0 else cell.rjust(widths[n]) for n, cell in enumerate(row)]
        page.row("  ".join(cells), indent=indent)


def show_list(logged: Iterable[Logged], page: Page) -> None:
    for one in logged:
        soak = one.facts
        page.line(soak.label, lead=f"{soak.number}. ", lead_style="bold", style="bold")
        page.line(summary(soak), indent=3)
        page.line(one.headline or one.verdict.upper(), indent=3, style=STYLES.get(one.verdict, ""))


def show_trend(logged: Sequence[Logged], page: Page) -> None:
    head = ("no.", "begun", "watched", "broken", "downs", "lost", "missing", "hottest", "verdict")
    rows = [
        (
            str(one.facts.number),
            when(one.facts.begun_ns)[:10],
            *_cells(one.facts.figures),
            SHORT.get(one.verdict, one.verdict),
        )
        for one in logged
    ]
    page.line(logged[-1].facts.label, style="bold")
    show_table([head, *rows], page, indent=0)
    page.gap()
    for sentence in trend([one.facts for one in logged]):
        page.line(sentence)


def trend(soaks: Sequence[SoakFacts]) -> list[str]:
    """What the last soak of an item says against all earlier ones. Counts are held against the hours they
    took."""
    if len(soaks) < 2:
        return ["One soak so far. A trend needs two."]
    said = []
    for name, count in COUNTS.items():
        rates = [_by_hour(count(soak.figures), soak) for soak in soaks]
        told = [rate for rate in rates if rate is not None]
        if len(told) < 2 or rates[-1] is None:
            continue
        last, before = told[-1], max(told[:-1])
        if last > before:
            said.append(f"Worse than ever before: {name}, {last:.3g} an hour; before, {before:.3g} at most.")
        elif last == 0 and before > 0:
            said.append(f"Better: no {name} this time; before, up to {before:.3g} an hour.")
    heats = [soak.figures.adapter_c for soak in soaks if soak.figures.adapter_c is not None]
    if len(heats) > 1 and heats[-1] >= max(heats[:-1]) + HOTTER_C:
        said.append(
            f"Hotter than ever before: {heats[-1]:.0f} degrees Celsius; before, {max(heats[:-1]):.0f} at "
            "most."
        )
    return said or ["No trend: the last soak is as the ones before."]


HOTTER_C = 5  # less is the weather. Common practice.
COUNTS = {
    "broken frames": lambda of: of.broken,
    "link losses": lambda of: of.downs,
    "lost stream packets": lambda of: of.lost,
    "missing beats": lambda of: of.missing,
}


def _by_hour(count: int | None, soak: SoakFacts) -> float | None:
    hours = soak.figures.watched_ns / NS / 3600
    return count / hours if count is not None and hours > 0 else None


def as_dict(soak: SoakFacts) -> "SoakRecord":
    """For scripts."""
    return {
        "number": soak.number,
        "item": soak.item,
        "serial": soak.serial,
        "who": soak.who,
        "adapter": soak.adapter,
        "hardware": soak.hardware,
        "computer": soak.computer,
        "state": soak.state,
        "planned_s": soak.planned_ns / NS,
        "begun": moment(soak.begun_ns),
        "until": moment(soak.until_ns),
        "runs": [
            {
                "begun": moment(run.begun_ns),
                "until": moment(run.until_ns),
                "watched_s": run.figures.watched_ns / NS,
            }
            for run in soak.runs
        ],
        "figures": figures_dict(soak.figures),
        "by_hour": [{"hour": moment(at), "figures": figures_dict(of)} for at, of in soak.by_hour],
        "happened": [
            {"at": moment(note.at_ns), "kind": note.kind, "check": note.check or None, "text": note.text}
            for note in soak.happened
        ],
    }


def figures_dict(of: Figures) -> "FiguresRecord":
    return {
        "watched_s": of.watched_ns / NS,
        "frames": of.frames,
        "bytes": of.bytes,
        "dropped": of.dropped,
        "stream_packets_lost": of.lost,
        "beats_missing": of.missing,
        "broken": of.broken,
        "downs": of.downs,
        "down_s": of.down_ns / NS,
        "changes": of.changes,
        "slowest_mbps": of.slowest_mbps,
        "fastest_mbps": of.fastest_mbps,
        "adapter_c": of.adapter_c,
        "computer_c": of.computer_c,
        "rises": {name: getattr(of.rises, name) for name in COUNTED if getattr(of.rises, name) is not None},
    }


def soaks_csv(logged: Iterable[Logged]) -> str:
    """A row a soak."""
    rows = []
    for one in logged:
        told = dict(as_dict(one.facts))
        rows.append(
            {
                "soak": one.facts.number,
                **{name: told[name] for name in ("item", "serial", "who", "begun", "until", "state")},
                "verdict": one.verdict,
                "headline": one.headline,
                "planned_s": told["planned_s"],
                "runs": len(one.facts.runs),
                **_without_rises(one.facts.figures),
                **{name: told[name] for name in ("computer", "adapter", "hardware")},
            }
        )
    return _csv(rows)


def samples_csv(samples: Iterable[tuple[int, Figures]]) -> str:
    """A row a sample, by the moment of its end."""
    return _csv(
        [
            {"at": moment(at), **_without_rises(of), **{name: getattr(of.rises, name) for name in COUNTED}}
            for at, of in samples
        ]
    )


def _without_rises(of: Figures) -> dict[str, object]:
    return {name: value for name, value in figures_dict(of).items() if name != "rises"}


def _csv(rows: Sequence[dict]) -> str:
    out = io.StringIO()
    if rows:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\r\n")  # RFC 4180
        writer.writeheader()
        writer.writerows({name: safe_cell(value) for name, value in row.items()} for row in rows)
    return out.getvalue()


def safe_cell(value: object) -> object:
    """A text that a spreadsheet would run as a formula gets an apostrophe before it. Numbers are left
    alone."""
    if not isinstance(value, str):
        return value
    text = clean(value, 500)
    return f"'{text}" if text.lstrip().startswith(FORMULA) else text
