"""Whether the control network of the rig sheet stays off the audio LAN.

Strategy: whoever speaks here from an address of its subnet, or is its router, brings it in. A computer that has an adapter in each
network may let the other network's address slip out, in an ARP request for instance (RFC 1122 section 3.3.4.2 allows it): it
joins nothing by that, so a desk, its spare and this computer are a caution only.
"""

from ipaddress import ip_address, ip_network

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Explains
from preflight.checks.say import who
from preflight.checks.see.roll import owners_of, roll
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.rig.sheet import Sheet

CHECK = Check(
    name="control-plan",
    subject="wire",
    order=130,
    asks=View,
    explains=(Explains(("strangers", "address-plan", "stray-dhcp", "stray-router"), "all culprits"),),
    question="Does the control network stay off the audio LAN?",
    looks_at=(
        "Every sender's addresses against [control] on the rig sheet (--sheet FILE): the control network's subnet and its router."
    ),
    why=(
        "Tablets, a wireless router and the internet bring broadcasts, DHCP servers and updates along. One wrong cable, or one "
        "device with the wrong address, joins them to the audio."
    ),
    sources=(
        "The rig sheet",
        "common practice: the wireless router is never plugged into the audio LAN",
        "RFC 1122 section 3.3.4.2: a computer with two adapters",
        "RFC 826: addresses told by ARP",
    ),
    fixes=(
        "Is a cable plugged from the control network, or its router, into an audio switch? Unplug it.",
        "Look up the hardware address in the switch's address table: that tells the port. Follow the cable.",
        "Is it a device of the audio LAN with a wrong address? Set its address as the rig sheet says.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen until the devices have spoken from their addresses: a minute, or at a mirror port.",
)
SHOWN = 8
TWO_ADAPTERS = (
    "Is each of the computer's two adapters in its own switch? Swapped plugs look like this: put them right.",
    "Else it is harmless: the computer told its other address. Run the line check again.",
)


def judge(facts: Facts) -> Finding | None:
    sheet = facts.sheet
    if sheet is None or not (sheet.control.subnet or sheet.control.router):
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    owners = owners_of(facts)
    foreign: dict[str, list[str]] = {}
    for address in sorted(owners):
        if _of_control(sheet, address):
            for hardware in owners[address]:
                foreign.setdefault(hardware, []).append(address)
    by_hardware = {talker.hardware: talker for talker in facts.tally.talkers}
    if sheet.control.router in by_hardware:
        foreign.setdefault(sheet.control.router or "", [])
    addressed = len(set().union(*owners.values())) if owners else 0
    measured = {"senders_with_address": addressed, "of_the_control_network": len(foreign)}
    if not foreign:
        return Finding(
            CHECK.name,
            Outcome.PASS if addressed else Outcome.UNPROVEN,
            "Nothing of the control network speaks here."
            if addressed
            else "Nobody spoke from an address, so the control network cannot be told apart.",
            measured=measured,
            fixes=() if addressed else (CHECK.unproven,),
        )
    called = roll(facts, sheet).present
    names = {talker.hardware: name for name, talkers in called.items() for talker in talkers}
    two = _with_two_adapters(facts, sheet, names)
    # The worst first: what has no business here at all.
    order = sorted(foreign, key=lambda hardware: (hardware in two, hardware in names, hardware))
    texts = {hardware: _told(hardware, foreign[hardware], names.get(hardware, "")) for hardware in order}
    harmless = all(hardware in two for hardware in order)
    more = f" And {len(order) - 1} more." if order[1:] else ""
    return Finding(
        CHECK.name,
        Outcome.CAUTION if harmless else Outcome.FAIL,
        f"{texts[order[0]]}: that is the control network's.{more}",
        evidence=tuple(
            Evidence(
                texts[hardware],
                by_hardware[hardware].first_frame if hardware in by_hardware else None,
                by_hardware[hardware].first_s if hardware in by_hardware else None,
            )
            for hardware in order[:SHOWN]
        ),
        measured=measured,
        fixes=TWO_ADAPTERS if harmless else CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(each for each in order[:100] if each not in two) or tuple(order[:100]),
    )


def _of_control(sheet: Sheet, address: str) -> bool:
    subnet = ip_network(sheet.control.subnet) if sheet.control.subnet else None
    return address == sheet.control.router or (subnet is not None and ip_address(address) in subnet)


def _with_two_adapters(facts: Facts, sheet: Sheet, names: dict[str, str]) -> set[str]:
    """The hardware addresses of computers that are in both networks: this one, and the sheet's desks."""
    assert facts.tally is not None
    desks = {device.name for device in sheet.device if device.kind == "desk"}
    desks |= {device.name for device in sheet.device if device.spare_for in desks}
    own = {talker.hardware for talker in facts.tally.talkers if talker.own}
    return own | {hardware for hardware, name in names.items() if name in desks}


def _told(hardware: str, addresses: list[str], name: str) -> str:
    known = f"{name} ({hardware})" if name else who(hardware)
    return f"{known} speaks from {', '.join(addresses[:3])}" if addresses else f"{known} speaks"
