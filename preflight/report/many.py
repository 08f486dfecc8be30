"""Many captures on one screen: a row each, then the totals. The same rows go into a table for spreadsheets.

The screen decides how much of a row stands on it: verdict, file and what to mend first always, the rest where
there is room. On a narrow one a file's name stands whole below the rest. What was not read has its reason
below the rows. File names come from others: every cell is cleaned, and one that a spreadsheet would take for
a formula is marked as text.
"""

import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len, chop_cells, set_cell_size
from rich.console import Console
from rich.text import Text

from preflight.checks.say import counted
from preflight.report.page import STYLES, Page
from preflight.report.result import moment
from preflight.text import clean
from preflight.verdict import Result

UNREADABLE = "unreadable"
SHORT = {"ready with cautions": "CAUTIONS"}
TOTALS = {
    "not ready": "not ready",
    "unproven": "unproven",
    "ready with cautions": "ready with cautions",
    "ready": "ready",
    UNREADABLE: "not readable",
}
# Title, what stands in it, whether to the right; in the order of the screen.
COLUMNS = ("VERDICT", "FILE", "FIRST MEND", "CULPRIT", "BEGINS (UTC)", "FRAMES", "LENGTH")
LEAVE_OUT = (4, 5, 6, 3)  # where the screen is narrow, in this order
RIGHT = (5, 6)
FILE = 1
ROOM_FOR_NAME = 32  # with less, a longer name has a line of its own
FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Row:
    """`checks` found something; `begins` is UTC, RFC 3339. Where the file was not read, `why` says so."""

    name: str
    verdict: str
    first: str = ""
    headline: str = ""
    culprits: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    begins: str | None = None
    first_ns: int | None = None
    last_ns: int | None = None
    frames: int = 0
    seconds: float = 0.0
    partial: bool = False
    why: str = ""


def row_of(name: str, result: Result) -> Row:
    source = result.facts.source
    assert source is not None
    trouble = [r.finding for r in result.verdict.findings if r.finding.outcome.troubles]
    first = next((r.finding for r in result.verdict.findings if r.fix_first == 1), None)
    return Row(
        name,
        result.verdict.verdict,
        first.check if first else "",
        first.headline if first else "",
        first.culprits if first else (),
        tuple(finding.check for finding in trouble),
        moment(source.first_ns),
        source.first_ns,
        source.last_ns,
        source.frames,
        source.duration_s,
        source.partial,
    )


def row_of_refused(name: str, why: str) -> Row:
    return Row(name, UNREADABLE, why=why)


# -- on the screen -------------------------------------------------------------------------------------------


def show(rows: Sequence[Row], console: Console, notes: Sequence[str] = ()) -> None:
    """The rows, what was not read, the totals, and `notes`."""
    page = Page(console)
    names = short_names([row.name for row in rows])
    cells = [_cells(row, name) for row, name in zip(rows, names, strict=True)]
    shown, widths = _layout(cells, console.width if console.is_terminal else None)
    _print(console, COLUMNS, shown, widths, "bold", "bold")
    for row, each in zip(rows, cells, strict=True):
        style = STYLES.get(row.verdict, "bold magenta")
        _print(console, each, shown, widths, style, "")
    unread = [row for row in rows if row.why]
    if unread:
        page.gap()
        page.line(f"Not read ({len(unread)}):", style="bold")
        for row in unread:
            page.line(f"{row.why}.", lead="- ", indent=2)
    page.gap()
    page.line(totals(rows), style="bold")
    firsts = Counter(row.first for row in rows if row.first)
    if firsts and max(firsts.values()) > 1:
        most = ", ".join(f"{check} ({count})" for check, count in firsts.most_common(3))
        page.line(
            f"First to mend, most often: {most}. More about one: preflight why {firsts.most_common(1)[0][0]}"
        )
    for note in notes:
        page.line(note)


def totals(rows: Sequence[Row]) -> str:
    counts = Counter(row.verdict for row in rows)
    parts = [f"{counts[verdict]} {words}" for verdict, words in TOTALS.items() if counts[verdict]]
    frames = sum(row.frames for row in rows)
    return f"{counted(len(rows), 'capture')}, {counted(frames, 'frame')}: {', '.join(parts)}."


def short_names(names: Sequence[str]) -> list[str]:
    """Without the folder or archive that all of them lie in."""
    shortest = min(names, key=len, default="")
    ends = [
        at + len(sep)
        for sep in ("/", "\\", ": ")
        for at in range(len(shortest))
        if shortest.startswith(sep, at)
    ]
    common = max((end for end in ends if all(name.startswith(shortest[:end]) for name in names)), default=0)
    return [name[common:] for name in names] if len(set(names)) > 1 else list(names)


def _cells(row: Row, name: str) -> list[str]:
    culprit = row.culprits[0] if row.culprits else ""
    if len(row.culprits) > 1:
        culprit += f" +{len(row.culprits) - 1}"
    return [
        SHORT.get(row.verdict, row.verdict.upper()),
        clean(name, 300),
        "see below" if row.why else row.first,
        clean(culprit),
        row.begins[:19].replace("T", " ") if row.begins else "",
        "" if row.why else f"{row.frames:,}".replace(",", " "),
        "" if row.why else f"{row.seconds:.1f} s" + (", stopped" if row.partial else ""),
    ]


def _layout(cells: list[list[str]], width: int | None) -> tuple[list[int], list[int]]:
    """Which columns are shown, and how wide each is; without the file, where its name has a line of its
    own."""
    widths = [max(cell_len(row[at]) for row in [list(COLUMNS), *cells]) for at in range(len(COLUMNS))]
    shown = [at for at in range(len(COLUMNS)) if at < 3 or any(row[at] for row in cells)]
    if width is None:
        return shown, widths
    least = [min(wide, ROOM_FOR_NAME) if at == FILE else wide for at, wide in enumerate(widths)]
    fitting = shown
    for columns in (shown, [at for at in shown if at != FILE]):
        for few in range(len(LEAVE_OUT) + 1):
            fitting = [at for at in columns if at not in LEAVE_OUT[:few]]
            spare = width - sum(least[at] + 2 for at in fitting) + 2
            if spare >= 0:
                widths[FILE] = min(widths[FILE], least[FILE] + spare)
                return fitting, widths
    return fitting, widths


def _print(
    console: Console, cells: Sequence[str], shown: list[int], widths: list[int], first_style: str, style: str
) -> None:
    line = Text()
    for at in shown:
        cell, width = cells[at], widths[at]
        if cell_len(cell) > width:  # the end of a name tells more than its beginning
            while cell_len(cell) > width - 1:
                cell = cell[1:]
            cell = f"…{cell}"
        fill = " " * (width - cell_len(cell))
        line.append(
            fill + cell if at in RIGHT else set_cell_size(cell, width), first_style if at == 0 else style
        )
        line.append("  ")
    line.rstrip()
    console.print(line, soft_wrap=True)
    if FILE not in shown:
        for part in chop_cells(cells[FILE], console.width - 2):
            console.print(Text(f"  {part}"), soft_wrap=True)


# -- for spreadsheets ----------------------------------------------------------------------------------------

HEADS = (
    "file",
    "verdict",
    "first to mend",
    "what",
    "culprits",
    "found",
    "begins",
    "frames",
    "seconds",
    "not read because",
)


def as_csv(rows: Sequence[Row]) -> bytes:
    """UTF-8 with a byte-order mark, by which spreadsheets know it; lines end as RFC 4180 says."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(HEADS)
    for row in rows:
        told = (
            row.name,
            row.verdict,
            row.first,
            row.headline,
            " ".join(row.culprits),
            " ".join(row.checks),
            row.begins or "",
        )
        counts = ("", "") if row.why else (row.frames, f"{row.seconds:.6f}")
        writer.writerow([*map(_cell, told), *counts, _cell(row.why)])
    return out.getvalue().encode("utf-8-sig")


def _cell(text: str) -> str:
    text = clean(text, 1000)
    return f"'{text}" if text.startswith(FORMULA) else text
