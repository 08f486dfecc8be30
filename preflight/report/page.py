"""Lines on a terminal: wrapped at spaces, indented, styled, and proof against whatever the text holds.

Wrapping is done here and not by Rich, for two reasons: an address or a file name stays in one piece, even
where it is longer than the line, and a number grouped as "12 345" is not torn in two. No text is read as
markup.
"""

import re
import shutil
import sys

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from preflight.checks.finding import Outcome
from preflight.text import clean

STYLES = {
    "not ready": "bold red",
    "ready with cautions": "bold yellow",
    "ready": "bold green",
    "unproven": "bold cyan",
    Outcome.FAIL: "bold red",
    Outcome.CAUTION: "bold yellow",
    Outcome.UNPROVEN: "bold cyan",
    Outcome.PASS: "green",
}

# Longer lines are hard to read. Common practice.
WIDEST = 100
LONGEST_TEXT = 2000
LONGEST_HANG = 5
# A space that may end a row: not one inside "12 345", "frame 17", "1.250 s", or a maker's name and the end of
# an address.
_BREAK = re.compile(
    r"(?!(?<=\d) \d{3}\b)(?!(?<=frame) \d)(?!(?<=\d) (?:m?s|[kMG]b/s|kHz)\b)(?!(?<![,;]) [\da-f]{2}(?::[\da-f]{2}){1,2}(?![\da-f:])) +"
)


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Who reads has gone: the command says so by its status, as for what is not written by Rich. Rich
        would end with 1, which is *not ready*."""
        self.quiet = True
        raise  # the BrokenPipeError that this is called for


def console(stderr: bool = False) -> Console:
    """A console on this process's output, as wide as the terminal says (80 in a pipe). Raises BrokenPipeError
    when it writes."""
    size = shutil.get_terminal_size()
    return _Console(
        file=sys.stderr if stderr else sys.stdout,
        width=max(size.columns, 20),
        height=max(size.lines, 5),  # with both told, Rich does not take a dumb terminal for 80 wide
        markup=False,
        highlight=False,
        emoji=False,
    )


def beside(text: str) -> list[str]:
    """The rows that a line takes on standard error: wrapped where that is a terminal."""
    if not text or not sys.stderr.isatty():
        return [text] if text else []
    return wrap(text, min(console().width, WIDEST))


class Page:
    """Writes to `console`. `indent` is where text starts; `lead` stands before its first row."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._width = min(console.width, WIDEST)

    def line(
        self, text: str, *, lead: str = "", lead_style: str = "", indent: int = 0, style: str = ""
    ) -> None:
        hang = indent + cell_len(lead)
        if hang > indent + LONGEST_HANG:
            hang = indent + 2
        rows = wrap(clean(text, LONGEST_TEXT), self._width - hang, self._width - indent - cell_len(lead))
        for number, row in enumerate(rows):
            written = Text(" " * (indent if number == 0 else hang))
            if number == 0:
                written.append(lead, lead_style)
            written.append(row, style)
            written.rstrip()
            self._console.print(written, soft_wrap=True)

    def row(self, text: str, indent: int = 0) -> None:
        """A row of a table, whose spaces stay; cut where the screen ends."""
        row = Text(" " * indent + clean(text, LONGEST_TEXT))
        row.rstrip()
        self._console.print(row, no_wrap=True, overflow="ellipsis", crop=True)

    def gap(self) -> None:
        self._console.print()


def wrap(text: str, width: int, first: int | None = None) -> list[str]:
    """Rows of at most `width` cells, the first of at most `first`; a longer word stays in one piece, and the
    first row empty where only the others have room for it."""
    rows: list[str] = []
    row = ""
    for word in _BREAK.split(text.strip()):
        room = width if rows or first is None else first
        longer = f"{row} {word}" if row else word
        if (row or room < cell_len(word) <= width) and cell_len(longer) > room:
            rows.append(row)
            row = word
        else:
            row = longer
    return [*rows, row]
