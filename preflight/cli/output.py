"""Where results go: text to the terminal, JSON to a file or alone to standard output, a page to a file."""

from pathlib import Path

import click

from preflight.report.result import as_json
from preflight.text import clean
from preflight.verdict import Result


class Output:
    """`json_to` is None (text only), "-" (JSON only) or a file (both). With `many` results, JSON Lines. `report_to` is
    the file of the page of the one result, `result_to` that of the result kept for comparing."""

    def __init__(
        self,
        json_to: str | None,
        many: bool = False,
        report_to: str | None = None,
        result_to: str | None = None,
    ) -> None:
        self._json_to = json_to
        self._report_to = report_to
        self._result_to = result_to
        self._indent = None if many else 2
        self._kept: list[str] = []
        self._shown = 0

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
        from preflight.report.page import console
        from preflight.report.terminal import show

        if self._shown:
            click.echo()
        self._shown += 1
        show(result, console())

    def close(self) -> None:
        if self._json_to and self._json_to != "-":
            write(self._json_to, "".join(self._kept), "--json")


def write(path: str, text: str, option: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
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
