"""`preflight sheet`: write a rig sheet, draft one from a good rig, check one."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.options import Duration, adapters, files
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.facts import Facts
    from preflight.rig.sheet import Sheet


@click.group()
def command() -> None:
    """The rig sheet: a TOML file that says what should be there.

    Write one with `new` or draft it with `learn`, then check it with `check`. `study` and `linecheck` judge
    by it with --sheet FILE.
    """


@command.command()
@click.argument("file", required=False, shell_complete=files)
def new(file: str | None) -> None:
    """Write a sheet to start from, every key explained, to FILE or standard output."""
    from preflight.rig.template import TEMPLATE

    put(TEMPLATE, file)


@command.command()
@click.argument("file", shell_complete=files)
def check(file: str) -> None:
    """Check a sheet: every mistake with its line, its key and the nearest right word."""
    from preflight.report.page import Page, console

    sheet = load(file)
    parts = [
        (len(sheet.device), "device"),
        (len(sheet.switch), "switch"),
        (len(sheet.cable), "cable"),
        (len(sheet.stream), "stream"),
    ]
    counted = ", ".join(
        f"{n} {what}{'' if n == 1 else 'es' if what == 'switch' else 's'}" for n, what in parts
    )
    Page(console()).line(f"{clean(file)} is in order: {sheet.name}, {counted}.")


@command.command()
@click.argument("capture", required=False, shell_complete=files)
@click.option(
    "--adapter",
    metavar="NAME",
    shell_complete=adapters,
    help="Listen on this adapter instead of reading CAPTURE.",
)
@click.option("--listen", type=Duration(), default="60s", show_default=True, help="How long to listen.")
@click.option(
    "--to",
    "file",
    metavar="FILE",
    shell_complete=files,
    help="Write the sheet to FILE. Without it, to standard output.",
)
def learn(capture: str | None, adapter: str | None, listen: float, file: str | None) -> None:
    """Draft a sheet from a rig that is in order: from CAPTURE, or by listening.

    What could not be heard is marked FILL IN. Longer is better: a minute or more, with the audio on.
    """
    if (capture is None) == (adapter is None):
        raise click.UsageError("give either a capture file or --adapter NAME")
    from preflight.frames.errors import CaptureError
    from preflight.learn import draft

    try:
        facts = _read(capture) if capture is not None else _heard(adapter, listen)
    except CaptureError as error:
        raise click.ClickException(str(error)) from None
    if facts.wire_refused:
        raise click.ClickException(facts.wire_refused)
    if facts.source is None or not facts.source.frames:
        raise click.ClickException("no frame came by, so there is nothing to learn from.")
    put(draft(facts), file)


def _read(capture: str) -> "Facts":
    from preflight.cli.progress import ProgressBar
    from preflight.study import study

    with ProgressBar("standard input" if capture == "-" else Path(capture).name) as progress:
        return study(capture, progress)


def _heard(adapter: str | None, listen: float) -> "Facts":
    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.cli.progress import ProgressBar
    from preflight.live.linecheck import linecheck

    computer = host.read()
    chosen = choose(computer, adapter)
    with ProgressBar(f"Listening on {chosen}", timed=True) as progress:
        return linecheck(computer, chosen, listen, host.read, progress)


def load(file: str) -> "Sheet":
    """The sheet in `file`. A click error that tells all that is wrong, one mistake a line, where it cannot be
    used."""
    from preflight.checks import all_checks
    from preflight.rig.read import SheetError, load

    limits = {known.name: [limit.name for limit in known.limits] for known, _ in all_checks()}
    try:
        return load(file, limits)
    except SheetError as error:
        raise BadSheet([f"{clean(file)}: {problem}" for problem in error.problems]) from None


class BadSheet(click.ClickException):
    """A sheet that cannot be used: `lines` are its mistakes."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__(" ".join(lines))
        self.lines = lines


def put(text: str, file: str | None) -> None:
    """Write a sheet to a new file, or to standard output. Somebody's sheet is never written over."""
    if file is None:
        click.echo(text, nl=False)
        return
    try:
        with Path(file).open("x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise click.UsageError(f"{clean(file)} is there already. Give another name.") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a file name"
        raise click.ClickException(f"{clean(file)}: cannot be written: {reason}.") from None
    click.echo(f"Wrote {clean(file)}. Change it to your show, then: preflight sheet check {clean(file)}")
