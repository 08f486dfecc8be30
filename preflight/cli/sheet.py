"""`preflight sheet`: write a rig sheet, and check one."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.text import clean

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet


@click.group()
def command() -> None:
    """The rig sheet: a TOML file that says what should be there.

    Write one with `new`, and check it with `check`. `study` and `linecheck` judge by it with --sheet FILE.
    """


@command.command()
@click.argument("file", required=False)
def new(file: str | None) -> None:
    """Write a sheet to start from, every key explained, to FILE or standard output."""
    from preflight.rig.template import TEMPLATE

    put(TEMPLATE, file)


@command.command()
@click.argument("file")
def check(file: str) -> None:
    """Check a sheet: every mistake with its line, its key and the nearest right word."""
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
    click.echo(f"{clean(file)} is in order: {sheet.name}, {counted}.")


def load(file: str) -> "Sheet":
    """The sheet in `file`. A click error that tells all that is wrong, one mistake a line, where it cannot be used."""
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
