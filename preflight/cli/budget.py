"""`preflight budget SHEET`: what the rig sheet tells before a cable is pulled."""

from typing import TYPE_CHECKING

import click

from preflight.cli.options import Command, files, json_option, strict_option

if TYPE_CHECKING:
    from preflight.report.page import Page
    from preflight.rig.budget import Budget, Failure, Path, Way
    from preflight.rig.sheet import Sheet

SHOWN_WAYS = 12


@click.command(cls=Command)
@click.argument("sheet", shell_complete=files)
@click.option("--svg", metavar="FILE", shell_complete=files, help="Draw the rig to FILE, too.")
@json_option
@strict_option
def command(sheet: str, svg: str | None, json_to: str | None, strict: bool) -> int:
    """Say from the rig sheet alone whether the plan holds: load of each link, delay, cables, power, what
    falls with what.

    SHEET is a rig sheet: see preflight sheet.
    """
    from preflight.cli.output import Output, write
    from preflight.cli.sheet import load
    from preflight.facts import Facts
    from preflight.rig.budget import plan
    from preflight.verdict import judged

    planned = load(sheet)
    budget = plan(planned)
    result = judged(Facts(sheet=planned, budget=budget))
    output = Output(json_to)
    output.add(result)
    output.close()
    if json_to != "-":
        _show(planned, budget)
    if svg:
        from preflight.report.faults import faults
        from preflight.rig.picture import svg as drawn

        write(svg, drawn(planned, budget, faults(planned, budget, result.verdict)), "--svg")
    return result.verdict.exit_status(strict)


def _show(sheet: "Sheet", budget: "Budget") -> None:
    from preflight.checks.plan.topology import cost, fatal
    from preflight.report.page import Page, console

    page = Page(console())
    page.gap()
    page.line("The rig", style="bold")
    _picture(page, sheet, budget)
    if loaded := [way for way in budget.ways if way.streams]:
        _links(page, loaded, sheet)
    if budget.paths:
        _slowest(page, budget)
    if survived := [failure for failure in budget.failures if not fatal(failure)]:
        page.gap()
        page.line("What the rig survives", style="bold")
        for failure in survived:
            page.line(f"{cost(failure)}.{_fuller(failure, budget)}", lead="- ", indent=2)


def _links(page: "Page", loaded: "list[Way]", sheet: "Sheet") -> None:
    """The fullest, as rows; streams in their worst burst come at once."""
    from preflight.checks.plan.trunk_budget import CHECK
    from preflight.checks.see.snooping import taken

    limit = CHECK.values(sheet.limits.get(CHECK.name, {}))["share"]
    page.gap()
    page.line(f"The fullest links, each way, and what is left up to {limit:.0%}", style="bold")
    rows = _alike(loaded, {switch.name for switch in sheet.switch})
    for name, way in rows[:SHOWN_WAYS]:
        streams = f"{len(way.streams)} {'stream' if len(way.streams) == 1 else 'streams'}"
        speed = "" if way.capacity_mbps == 1000 else f" of {way.capacity_mbps}"
        page.line(
            f"{name}: {way.bits_per_s / 1e6:.1f}{speed} Mb/s, {limit - way.share:.1%} left, {streams}, "
            f"worst burst {way.burst_us:.0f} µs",
            lead=f"{way.share:6.1%} ",
            indent=2,
        )  # fmt: skip
    if len(rows) > SHOWN_WAYS:
        page.line(f"and {len(rows) - SHOWN_WAYS} more rows (--json has all)", indent=2)
    if assumed := tuple(sorted({name for way in loaded for name in way.assumed})):
        page.line(taken(assumed).strip(), indent=2)


def _alike(ways: "list[Way]", switches: set[str]) -> "list[tuple[str, Way]]":
    """A row for each way between switches, and one for all ways into, or else out of, a switch that carry the
    same."""
    from preflight.checks.say import listed

    def load(way: "Way") -> tuple:
        return way.bits_per_s, way.capacity_mbps, way.burst_bytes, len(way.streams)

    left = list(ways)
    rows = []
    while left:
        first = left[0]
        same = [
            way for way in left if load(way) == load(first) and not {way.sender, way.receiver} <= switches
        ]
        if {first.sender, first.receiver} <= switches:
            same = [first]
        out = [way for way in same if way.sender == first.sender]
        back = [way for way in same if way.receiver == first.receiver]
        if len(out) >= len(back):
            name = f"{first.sender} to {listed(way.receiver for way in out)}"
            taken = out
        else:
            name, taken = f"{listed(way.sender for way in back)} to {first.receiver}", back
        rows.append((f"{name}{', each' if len(taken) > 1 else ''}", first))
        left = [way for way in left if way not in taken]
    return rows


def _slowest(page: "Page", budget: "Budget") -> None:
    """The slowest path of each number of hops, hop by hop: what is short and slow would hide behind what is
    long."""
    slowest: dict[int, Path] = {}
    for path in sorted(budget.paths, key=lambda path: -path.worst_us):
        slowest.setdefault(len(path.hops), path)
    page.gap()
    page.line("The slowest paths", style="bold")
    for path in slowest.values():
        way = "".join(f" ─{us:.1f} µs→ {hop}" for us, hop in zip(path.hop_us, path.hops[1:], strict=True))
        page.line(
            f"“{path.stream}”: {path.hops[0]}{way}: {path.delay_us:.0f} µs, at worst {path.worst_us:.0f} µs",
            lead="- ", indent=2,
        )  # fmt: skip
    if not all(path.lengths_known for path in slowest.values()):
        page.line("Cables of unknown length are left out: 5 ns a metre.", indent=2)


def _fuller(failure: "Failure", budget: "Budget") -> str:
    """The fullest link after a failure, where it is another or fuller than before."""
    now, then = budget.ways[0] if budget.ways else None, failure.busiest
    if now is None or then is None or then.share <= now.share + 0.0005:
        return ""
    return f" The fullest link is then {then.name}, {then.share:.1%}."


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
        load = trunk_load(a, b, cable, ways)
        page.line(f"{cable.a} ══ {cable.b}: {cable_text(cable)}{f', {load}' if load else ''}", indent=2)
