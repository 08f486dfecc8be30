"""Where results go: text to the terminal, JSON to a file or alone to standard output, a page to a file."""

from pathlib import Path

import click

from preflight.report.result import as_json
from preflight.text import clean
from preflight.verdict import Result


class Output:
    """`json_to` is None (text only), "-" (JSON only) or a file (both). With `many` results, JSON Lines. `report_to` is
    the file of the page of the one result, `result_to` that of the result kept for comparing. The text is the whole, or with
    `full` False the first screen, below so many rows `above`. What was written is said at the end."""

    def __init__(
        self,
        json_to: str | None,
        many: bool = False,
        report_to: str | None = None,
        result_to: str | None = None,
        full: bool = True,
        above: int = 0,
    ) -> None:
        self._json_to = json_to
        self._report_to = report_to
        self._result_to = result_to
        self._indent = None if many else 2
        self._kept: list[str] = []
        self._shown = 0
        self._full = full
        self._above = above

    def add(self, result: Result, quiet: bool = False) -> None:
        if self._report_to:
            from preflight.report.html import as_html

            write(self._report_to, as_html(result), "--report")
        if self._result_to:
            from preflight.report.saved import as_text

            write(self._result_to, as_text(result), "--save-result")
        if self._json_to == "-":
            click.echo(as_json(result, self._indent))
            return
        if self._json_to:
            self._kept.append(as_json(result, self._indent) + "\n")
        if quiet:
            return
        from preflight.report.page import console, rows_of

        if self._shown:
            click.echo()
        self._shown += 1
        if self._full:
            from preflight.report.terminal import show

            show(result, console())
        else:
            from preflight.report.screen import show_screen

            show_screen(result, console(), self._above + rows_of(self._written()))

    def close(self) -> None:
        if self._json_to and self._json_to != "-":
            write(self._json_to, "".join(self._kept), "--json")
        if written := self._written():
            click.echo(written, err=True)

    def _written(self) -> str:
        files = {"--report": self._report_to, "--save-result": self._result_to, "--json": self._json_to}
        named = [f"{clean(file, 500)} ({option})" for option, file in files.items() if file and file != "-"]
        return f"Written: {', '.join(named)}." if named else ""


def refuse_to_overwrite(overwrite: bool, *paths: str | None) -> None:
    """A usage error where one of `paths` is a file that is there already, or a folder that holds evidence, unless it was asked
    for. Before anything is listened to or read: what was heard is not lost for a name."""
    for path in paths if not overwrite else ():
        if path is None or path == "-":
            continue
        if Path(path).is_file() or any(Path(path).glob("*.pcapng")):
            raise click.UsageError(f"{clean(path, 500)} is there already. Give another name, or --overwrite.")


def write(path: str, text: str, option: str, encoding: str = "utf-8") -> None:
    """Write `text` as it stands: its line ends are the same on every system."""
    try:
        Path(path).write_text(text, encoding=encoding, newline="")
    except OSError as error:
        raise click.ClickException(
            f"{path}: cannot be written: {error.strerror}. Give another file to {option}."
        ) from None


def write_evidence_of(file: str, result: Result, folder: str) -> None:
    """The second pass over the capture `file`; says what it wrote on standard error."""
    from preflight.cli.progress import ProgressBar
    from preflight.frames.errors import CaptureError
    from preflight.report.evidence import write_evidence

    try:
        with ProgressBar("Evidence") as progress:
            written = write_evidence(file, result, Path(folder), progress)
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
