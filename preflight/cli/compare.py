"""`preflight compare A B`: what differs between two saved results."""

from typing import TYPE_CHECKING

import click

from preflight.cli.options import Command, files, json_option
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.compare import Difference
    from preflight.report.saved import Saved


@click.command(cls=Command)
@click.argument("a", metavar="A", shell_complete=files)
@click.argument("b", metavar="B", shell_complete=files)
@json_option
def command(a: str, b: str, json_to: str | None) -> int:
    """Say what differs between two results that --save-result kept, or that handover zips hold.

    A and B are files: of the main computer and its spare, or of the last good show and tonight.
    Differences that matter come first; the rest differs between any two computers or nights.

    Exit status: 0 nothing that matters differs, 1 something does, 2 a file cannot be read.
    """
    from preflight.compare import compare, unlike
    from preflight.report.saved import NotSaved, read

    sides = []
    for path in (a, b):
        try:
            sides.append(read(path))
        except NotSaved as error:
            raise click.ClickException(f"{clean(path)} {error}.") from None
    found, why = compare(*sides), unlike(*sides)
    differs = any(one.matters for one in found)
    if json_to:
        from dataclasses import asdict

        from preflight.cli.output import write
        from preflight.report.result import SCHEMA
        from preflight.text import to_json

        told: dict[str, object] = {
            "schema": SCHEMA,
            "alike": not differs,
            "note": why or None,
            "differences": [asdict(one) for one in found],
        }
        for side, path, result in zip("ab", (a, b), sides, strict=True):
            told[side] = {"file": path, "at": result.at, "verdict": result.verdict}
        if json_to == "-":
            click.echo(to_json(told))
            return int(differs)
        write(json_to, to_json(told) + "\n", "--json")
    _show(found, zip("AB", (a, b), sides, strict=True), why)
    return int(differs)


def _show(found: list["Difference"], sides: "zip[tuple[str, str, Saved]]", why: str) -> None:
    from preflight.report.page import Page, console

    page = Page(console())
    matter = [one for one in found if one.matters]
    noise = [one for one in found if not one.matters]
    if matter:
        page.line(
            f"{len(matter)} difference{'s that matter' if len(matter) > 1 else ' that matters'}",
            lead="DIFFERS: ",
            lead_style="bold yellow",
            style="bold",
        )
    else:
        page.line("nothing that matters differs", lead="ALIKE: ", lead_style="bold green", style="bold")
    for letter, path, side in sides:
        at = f", {side.at[:19].replace('T', ' ')} UTC" if side.at else ""
        page.line(f"{path}: {side.verdict}{at}", lead=f"{letter}: ", indent=2)
    if why:
        page.line(why)
    for one in matter:
        page.gap()
        page.line(f"{one.subject}: {one.what}", style="bold")
        page.line(one.a, lead="A: ", indent=3)
        page.line(one.b, lead="B: ", indent=3)
    if noise:
        page.gap()
        page.line("Differs as it does between any two computers or nights:", style="bold")
        for one in noise:
            page.line(f"{one.what}: {one.a} / {one.b}", lead="- ", indent=3)
