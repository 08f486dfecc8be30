"""`preflight adapters`: which adapters there are, and which one looks like the audio LAN."""

from typing import TYPE_CHECKING

import click

from preflight.cli.options import Command, json_option
from preflight.host.facts import HostFacts
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet


@click.command(cls=Command)
@json_option
def command(json_to: str | None) -> int:
    """List this computer's adapters, and which one looks like the audio LAN, with the reason."""
    from preflight import host
    from preflight.cli.output import write
    from preflight.host.choose import propose
    from preflight.report.result import SCHEMA
    from preflight.text import to_json

    proposal = propose(host.read())
    listed = {
        "schema": SCHEMA,
        "chosen": proposal.chosen,
        "why": proposal.why,
        "adapters": [{"name": one.name, "why": one.why} for one in proposal.candidates],
    }
    if json_to == "-":
        click.echo(to_json(listed))
        return 0
    if json_to:
        write(json_to, to_json(listed) + "\n", "--json")
    from preflight.report.page import Page, console

    page = Page(console())
    for one in proposal.candidates:
        chosen = one.name == proposal.chosen
        page.line(
            one.name + (" looks like the audio LAN" if chosen else ""),
            lead="> " if chosen else "  ",
            style="bold green" if chosen else "bold",
        )
        page.line(one.why, indent=4)
    page.gap()
    page.line(proposal.why)
    return 0


def choose(computer: HostFacts, adapter: str | None, sheet: "Sheet | None" = None) -> str:
    """The adapter to listen on: the one named, or else the likeliest, by the rig sheet where there is one. A
    usage error where there is none."""
    return choose_and_say(computer, adapter, sheet)[0]


def choose_and_say(computer: HostFacts, adapter: str | None, sheet: "Sheet | None" = None) -> tuple[str, str]:
    """The same, and a sentence that says which it is and why."""
    from preflight.host.choose import propose

    if sheet is None:
        proposal = propose(computer)
    else:
        planned = {device.hardware for device in sheet.device if device.hardware}
        proposal = propose(computer, sheet.control.subnet, planned)
    names = [one.name for one in proposal.candidates]
    if adapter is not None:
        if adapter not in names:
            raise click.UsageError(
                f"there is no adapter '{clean(adapter)}' here. There are: {', '.join(names)}."
            )
        why = next(one.why for one in proposal.candidates if one.name == adapter)
        return adapter, f"{adapter}, as you named it: {why}."
    if proposal.chosen is None:
        reasons = "; ".join(f"{one.name}: {one.why}" for one in proposal.candidates)
        raise click.UsageError(f"{proposal.why} Name one with --adapter ({reasons or 'none found'}).")
    return proposal.chosen, proposal.why
