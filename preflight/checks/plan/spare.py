"""Whether the second computer and the second engine are set up as the first.

From the sheet alone: what the spare gets, where and how it is plugged in, beside its main one. On the wire:
which groups each has joined, and in which clock domain each speaks; only what both of them told is compared.
Whether a spare is there at all is the check `missing`'s, what falls when there is none is `topology`'s.
"""

from collections.abc import Iterator

from preflight.checks.asks import Missing, View, Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.rule import Check
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.see.inventory import take_inventory
from preflight.checks.step import Step, When, now
from preflight.rig.budget import Budget
from preflight.rig.sheet import Device, Sheet
from preflight.tally.facts import Talker
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="spare",
    subject="plan",
    order=460,
    asks=View,
    question="Is each spare set up as the one that it stands in for?",
    looks_at=(
        "On the rig sheet: whether a spare gets the same streams, and is plugged in as fast, powered and "
        "addressed alike. On the wire (--sheet FILE): which groups the two have joined, and in which clock "
        "domain they speak."
    ),
    why="A spare is needed in the worst moment. What it then lacks is silence.",
    sources=(
        "common practice: spares are set up alike",
        "RFC 3376 section 5.2: a device answers a query with all groups that it has joined",
    ),
    fixes=(
        "Set the spare up as the one that it stands in for: the same show file, streams, clock domain and "
        "link speed.",
        Step(
            "Is the difference meant? Then leave it, and try in rehearsal that the spare takes over.",
            When.PLANNING,
        ),
        now(
            "Two computers: save a result of each (linecheck --save-result FILE), then `preflight compare A "
            "B`."
        ),
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Listen at a mirror port, where both are heard. Two computers: save a result of each (linecheck "
        "--save-result FILE), then `preflight compare A B`."
    ),
)
LOCAL = "224.0.0."  # never reported to be joined for a switch's sake: RFC 4541 section 2.1.2


def judge(view: View, _limits: Limits) -> Says:
    sheet = view.sheet
    pairs = [(main, each) for each in sheet.device if (main := sheet.named(each.spare_for))] if sheet else []
    if sheet is None or not pairs:
        return
    if view.budget is not None:
        where, told = "on the sheet", [list(_planned(sheet, view.budget, *pair)) for pair in pairs]
    else:
        wire = Wire.of(view)
        if isinstance(wire, Missing):
            yield unproven(wire.headline)
        if not isinstance(wire, Wire):
            return
        where, present = "in what was heard", take_inventory(wire, sheet).present
        several = (_heard(wire, main, present[main.name], it, present[it.name]) for main, it in pairs)
        told = [each for each in several if each is not None]
    differ = [text for each in told for text in each]
    yield Measured({"spares": len(pairs), "compared": len(told), "differences": len(differ)})
    for text in differ:
        yield caution(f"{text}.")
    if told:
        spares = "The spare is" if len(told) == 1 else f"{len(told)} spares are"
        yield passed(f"{spares} set up as the main one, {where}.")
    else:
        yield unproven("No spare and its main one told enough here to be compared.")


def _planned(sheet: Sheet, budget: Budget, main: Device, spare: Device) -> Iterator[str]:
    lacks = [
        f"“{stream.name}”"
        for stream in sheet.stream
        if main.name in stream.receivers and spare.name not in (*stream.receivers, stream.sender)
    ]
    if lacks:
        yield f"{spare.name} does not get {_first(lacks)}, which {main.name} gets"
    # What it sends tells how fast its cable is; an unplugged one has none.
    speeds = {way.sender: way.capacity_mbps for way in budget.ways}
    if main.name in speeds and spare.name not in speeds:
        yield f"{spare.name} is not plugged in, and {main.name} is"
    elif main.name in speeds and speeds[spare.name] < speeds[main.name]:
        yield f"{spare.name} has a link of {speeds[spare.name]} Mb/s, {main.name} one of {speeds[main.name]} Mb/s"
    if main.poe_class != spare.poe_class:
        yield f"{spare.name} takes {_power(spare)}, and {main.name} {_power(main)}"
    if main.address and not spare.address:
        yield f"{spare.name} has no address on the sheet, and {main.name} has {main.address}"


def _first(names: list[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if names[4:] else "")


def _power(device: Device) -> str:
    return "no power from the switch" if device.poe_class is None else f"power of class {device.poe_class}"


def _heard(
    wire: Wire, main: Device, mains: tuple[Talker, ...], spare: Device, spares: tuple[Talker, ...]
) -> list[str] | None:
    """What differs; None where nothing could be compared."""
    here, there = ({each.hardware for each in talkers} for talkers in (mains, spares))
    groups, others = _joined(wire, here), _joined(wire, there)
    domains, other_domains = _domains(wire, here), _domains(wire, there)
    found = []
    joins = groups is not None and others is not None
    if joins and (lacks := sorted((groups or set()) - (others or set()))):
        found.append(f"{spare.name} has not joined {_first(lacks)}, which {main.name} has")
    clocks = bool(domains and other_domains)
    if clocks and domains != other_domains:
        one, other = (" and ".join(str(each) for each in sorted(each)) for each in (domains, other_domains))
        found.append(f"{spare.name} speaks in clock domain {other}, {main.name} in {one}")
    return found if joins or clocks else None


def _joined(wire: Wire, hardware: set[str]) -> set[str] | None:
    """All groups of a device; None where it has not told them all. Only in version 3 does each device answer
    for itself, and only the answer to a query for all groups names them all."""
    asked = False
    joined: set[str] | None = None
    for message in wire.heard(IgmpMessage):
        if message.version != 3:
            continue
        if message.is_general:
            asked = True
        elif asked and message.seen.src in hardware:
            joined = ((joined or set()) | set(message.joined)) - set(message.left)
    return {group for group in joined if not group.startswith(LOCAL)} if joined is not None else None


def _domains(wire: Wire, hardware: set[str]) -> set[int]:
    return {
        port.domain for port in wire.tally.clocks if port.hardware in hardware and port.kind != "any master"
    }
