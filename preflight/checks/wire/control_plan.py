"""Whether the control network of the rig sheet stays off the audio LAN.

Strategy: whoever speaks here from an address of its subnet, or is its router, brings it in. A computer that
has an adapter in each network may let the other network's address slip out, in an ARP request for instance
(RFC 1122 section 3.3.4.2 allows it): it joins nothing by that, so a desk, its spare and this computer are a
caution only.
"""

from __future__ import annotations

from ipaddress import ip_address, ip_network
from typing import TYPE_CHECKING

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Explains
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.checks.see.inventory import owners_of, take_inventory
from preflight.checks.step import FOLLOW_CABLES, PORT_AND_CABLE, now

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet

CHECK = Check(
    name="control-plan",
    subject="wire",
    order=130,
    asks=PlannedWire,
    explains=(Explains(("strangers", "address-plan", "stray-dhcp", "stray-router"), "all culprits"),),
    question="Does the control network stay off the audio LAN?",
    looks_at=(
        "Every sender's addresses against [control] on the rig sheet (--sheet FILE): the control network's "
        "subnet and its router."
    ),
    why=(
        "Tablets, a wireless router and the internet bring broadcasts, DHCP servers and updates along. One "
        "wrong cable, or one device with the wrong address, joins them to the audio."
    ),
    sources=(
        "The rig sheet",
        "common practice: the wireless router is never plugged into the audio LAN",
        "RFC 1122 section 3.3.4.2: a computer with two adapters",
        "RFC 826: addresses told by ARP",
    ),
    fixes=(
        now("Is a cable plugged from the control network, or its router, into an audio switch? Unplug it."),
        PORT_AND_CABLE,
        FOLLOW_CABLES,
        "Is it a device of the audio LAN with a wrong address? Set its address as the rig sheet says.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen until the devices have spoken from their addresses: a minute, or at a mirror port.",
)
MOST = 100  # a flood of made-up senders must not fill the report
TWO_ADAPTERS = (
    "Is each of the computer's two adapters in its own switch? Swapped plugs look like this: put them right.",
    now("Else it is harmless: the computer told its other address. Run the line check again."),
)


def judge(wire: PlannedWire, _limits: Limits) -> Says:
    control = wire.sheet.control
    if not (control.subnet or control.router):
        return
    subnet = ip_network(control.subnet) if control.subnet else None
    owners = owners_of(wire)
    talkers = {talker.hardware: talker for talker in wire.tally.talkers}
    foreign: dict[str, list[str]] = {}
    for address in sorted(owners):
        if address == control.router or (subnet is not None and ip_address(address) in subnet):
            for hardware in owners[address]:
                foreign.setdefault(hardware, []).append(address)
    if control.router in talkers:
        foreign.setdefault(control.router or "", [])
    addressed = len(set().union(*owners.values()))
    yield Measured({"senders_with_address": addressed, "of_the_control_network": len(foreign)})
    if not foreign and addressed:
        yield passed("Nothing of the control network speaks here.")
    elif not foreign:
        yield unproven("Nobody spoke from an address, so the control network cannot be told apart.")
    present = take_inventory(wire, wire.sheet).present
    names = {talker.hardware: name for name, found in present.items() for talker in found}
    two = {each.hardware for each in wire.tally.talkers if each.own}
    two |= {hardware for hardware, name in names.items() if name in _desks(wire.sheet)}
    # The worst first: what has no business here at all.
    worst_first = sorted(foreign, key=lambda each: (each in two, each in names, each))
    for hardware in worst_first[:MOST]:
        known = f"{names[hardware]} ({hardware})" if hardware in names else who(hardware)
        source = f" from {', '.join(foreign[hardware][:3])}" if foreign[hardware] else ""
        told = f"{known} speaks{source}: that is the control network's."
        talker = talkers.get(hardware)
        seen = [Evidence("its first frame", talker.first_frame, talker.first_s)] if talker else []
        if hardware in two:
            yield caution(told, seen, culprits=[hardware], fixes=TWO_ADAPTERS)
        else:
            yield fail(told, seen, culprits=[hardware])


def _desks(sheet: Sheet) -> set[str]:
    """The computers that have an adapter in each network."""
    desks = {device.name for device in sheet.device if device.kind == "desk"}
    return desks | {device.name for device in sheet.device if device.spare_for in desks}
