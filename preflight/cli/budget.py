"""`preflight budget SHEET`: what the rig sheet tells before a cable is pulled."""

from typing import TYPE_CHECKING

import click

from preflight.cli.options import Command, json_option, strict_option

if TYPE_CHECKING:
    from preflight.report.page import Page
    from preflight.rig.budget import Budget
    from preflight.rig.sheet import Sheet

SHOWN_WAYS = 12


@click.command(cls=Command)
@click.argument("sheet")
@click.option("--svg", metavar="FILE", help="Draw the rig to FILE, too.")
@json_option
@strict_option
def command(sheet: str, svg: str | None, json_to: str | None, strict: bool) -> int:
    """Say from the rig sheet alone whether the plan holds: load of each link, delay, cables, power, what falls with what.

    SHEET is a rig sheet: see preflight sheet.
    """
    from preflight.cli.output import Output, write
    from preflight.cli.sheet import load
    from preflight.facts import Facts
    from preflight.report.result import judged
    from preflight.rig.budget import plan

    planned = load(sheet)
    budget = plan(planned)
    result = judged(Facts(sheet=planned, budget=budget))
    output = Output(json_to)
    output.add(result)
    output.close()
    if json_to != "-":
        _show(planned, budget)
    if svg:
        from preflight.rig.picture import svg as drawn

        write(svg, drawn(planned, budget), "--svg")
    return result.verdict.exit_status(strict)


def _show(sheet: "Sheet", budget: "Budget") -> None:
    from preflight.checks.topology import fatal, told
    from preflight.report.page import Page, console

    page = Page(console())
    page.gap()
    page.line("The rig", style="bold")
    _picture(page, sheet, budget)
    loaded = [way for way in budget.ways if way.streams]
    if loaded:
        page.gap()
        page.line("The fullest links, each way", style="bold")
    for way in loaded[:SHOWN_WAYS]:
        page.line(
            f"{way.share:6.1%} {way.name}: {way.bits_per_s / 1e6:.1f} of {way.cable.speed_mbps} Mb/s, "
            f"{len(way.streams)} {'stream' if len(way.streams) == 1 else 'streams'}, worst burst {way.burst_us:.0f} µs",
            indent=2,
        )
    if len(loaded) > SHOWN_WAYS:
        page.line(f"and {len(loaded) - SHOWN_WAYS} more (--json has all)", indent=2)
    survived = [failure for failure in budget.failures if not fatal(failure)]
    if survived:
        page.gap()
        page.line("What the rig survives", style="bold")
    for failure in survived:
        page.line(f"{told(failure)}.", lead="- ", indent=2)


def _picture(page: "Page", sheet: "Sheet", budget: "Budget") -> None:
    from preflight.rig.picture import between_switches, cable_text, columns, device_load, trunk_load

    ways = {(way.sender, way.receiver): way for way in budget.ways}
    for name, devices in columns(sheet):
        free = f" ({budget.free_ports[name]} ports free)" if name else ""
        page.line((name or "not plugged in on the sheet") + free, indent=2, style="bold")
        for number, device in enumerate(devices, 1):
            branch = "└─ " if number == len(devices) else "├─ "
            kind = f"spare for {device.spare_for}" if device.spare_for else device.kind
            page.line(f"{device.name} ({kind}){device_load(device.name, name, ways)}", lead=branch, indent=2)
    for a, b, cable in between_switches(sheet):
        page.line(f"{cable.a} ══ {cable.b}: {cable_text(cable)}, {trunk_load(a, b, cable, ways)}", indent=2)
