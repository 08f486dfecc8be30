"""Where results go: text to the terminal, JSON to a file or alone to standard output, a page to a file."""

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.report.result import as_json
from preflight.text import clean
from preflight.verdict import Result

if TYPE_CHECKING:
    from preflight.frames.stream import Place


class Output:
    """`json_to` is None (text only), "-" (JSON only) or a file (both). With `many` results, JSON Lines.
    `report_to` is the file of the page of the one result, `one_page_to` that of its one sheet, `result_to`
    that of the result kept for comparing. The text is the whole, or with `full` False the first screen, below
    so many rows `above`. What was written is said at the end."""

    def __init__(
        self,
        json_to: str | None,
        many: bool = False,
        report_to: str | None = None,
        one_page_to: str | None = None,
        result_to: str | None = None,
        full: bool = True,
        above: int = 0,
    ) -> None:
        self._json_to = json_to
        self._report_to = report_to
        self._one_page_to = one_page_to
        self._result_to = result_to
        self._indent = None if many else 2
        self._kept: list[str] = []
        self._shown = 0
        self._full = full
        self._above = above

    def refused(self, name: str, why: str) -> None:
        """A capture that was not read: a line on standard error, and its JSON."""
        from preflight.report.result import refused_json

        self._report_to = self._result_to = None  # there is nothing to write
        sys.stdout.flush()
        click.echo(f"preflight study: {clean(why, 1000)}", err=True)
        self.add_json(refused_json(name, why, self._indent))

    def add_json(self, text: str) -> None:
        if self._json_to == "-":
            click.echo(text)
        elif self._json_to:
            self._kept.append(text + "\n")

    def add(self, result: Result, quiet: bool = False) -> None:
        if self._report_to:
            from preflight.report.html import as_html

            write(self._report_to, as_html(result), "--report")
        if self._one_page_to:
            from preflight.report.html.onepage import as_one_page

            write(self._one_page_to, as_one_page(result), "--one-page")
        if self._result_to:
            from preflight.report.saved import as_text

            write(self._result_to, as_text(result), "--save-result")
        if self._json_to:
            self.add_json(as_json(result, self._indent))
        if quiet or self._json_to == "-":
            return
        from preflight.report.page import beside, console

        if self._shown:
            click.echo()
        self._shown += 1
        if self._full:
            from preflight.report.terminal import show

            show(result, console())
        else:
            from preflight.report.screen import show_screen

            show_screen(result, console(), self._above + len(beside(self._written())))

    def close(self) -> None:
        if self._json_to and self._json_to != "-":
            write(self._json_to, "".join(self._kept), "--json")
        if written := self._written():
            from preflight.report.page import beside

            click.echo("\n".join(beside(written)), err=True)

    def _written(self) -> str:
        files = {
            "--report": self._report_to,
            "--one-page": self._one_page_to,
            "--save-result": self._result_to,
            "--json": self._json_to,
        }
        named = [f"{clean(file, 500)} ({option})" for option, file in files.items() if file and file != "-"]
        return f"Written: {', '.join(named)}." if named else ""


def refuse_to_overwrite(overwrite: bool, *paths: str | None) -> None:
    """A usage error where one of `paths` is a file that is there already, or a folder that holds evidence,
    unless it was asked for. Before anything is listened to or read: what was heard is not lost for a name."""
    for path in paths if not overwrite else ():
        if path is None or path == "-":
            continue
        if Path(path).is_file() or any(Path(path).glob("*.pcapng")):
            raise click.UsageError(f"{clean(path, 500)} is there already. Give another name, or --overwrite.")


def write(path: str, content: str | bytes, option: str) -> None:
    """Whole or not at all: beside its place first, and moved there. What is no file, as /dev/stdout, is
    written to. Text goes out as it stands: its line ends are the same on every system. A table gets the mark
    by which spreadsheets know UTF-8; without it they take it for the letters of their own system (common
    practice)."""
    encoding = "utf-8-sig" if path.lower().endswith(".csv") else "utf-8"
    data = content.encode(encoding, "replace") if isinstance(content, str) else content
    try:
        if Path(path).exists() and not Path(path).is_file():
            Path(path).write_bytes(data)
            return
        file = Path(path).resolve()
        beside = file.with_name(f".{file.name[:100]}.{os.getpid()}")
        try:
            beside.write_bytes(data)
            beside.replace(file)
        except OSError:
            with suppress(OSError):
                beside.unlink()
            raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a file name"
        raise click.ClickException(
            f"{path}: cannot be written: {reason}. Give another file to {option}."
        ) from None


def write_evidence_of(place: "Place | Sequence[Place]", result: Result, folder: str) -> None:
    """The second pass over the capture at `place`; says what it wrote on standard error."""
    from preflight.cli.progress import ProgressBar
    from preflight.frames.errors import CaptureError
    from preflight.report.evidence import write_evidence

    try:
        with ProgressBar("Evidence") as progress:
            written = write_evidence(place, result, Path(folder), progress)
    except OSError as error:
        raise click.ClickException(
            f"{folder}: cannot be written: {error.strerror}. Give another folder to --evidence."
        ) from None
    except CaptureError as error:
        raise click.ClickException(f"{clean(str(error), 1000)} (read again for --evidence)") from None
    names = ", ".join(path.name for path in written)
    click.echo(
        f"Evidence in {clean(folder)}: {names or 'none, as no finding names a frame or a time'}", err=True
    )
