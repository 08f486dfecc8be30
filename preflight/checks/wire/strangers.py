"""Who speaks on the audio LAN and is not on the rig sheet.

Strategy: every sender by hardware address, less what the sheet lists: its devices, its switches and their ports, this computer.
Where the sheet leaves a device's address open, a stranger may be that device, and then it is a caution only.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.say import what, who
from preflight.checks.see.roll import Roll, addresses_of, owners_of, roll
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.rig.sheet import Sheet
from preflight.tally.facts import Talker
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage

CHECK = Check(
    name="strangers",
    subject="wire",
    order=180,
    asks=View,
    question="Does anything speak that is not on the rig sheet?",
    looks_at="Every sender's hardware address, against the devices and switches on the rig sheet (--sheet FILE).",
    why=(
        "What nobody planned, nobody has tested: a guest's computer, a forgotten adapter, a second desk. Each can bring "
        "its own faults."
    ),
    sources=("The rig sheet",),
    fixes=(
        "Look up the hardware address in the switch's address table: that tells the port. Follow the cable.",
        "Is it meant to be there? Add it to the rig sheet.",
        "Is it not? Unplug it, then run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Needs a rig sheet: `preflight sheet learn` drafts one from a good rig. Who is silent is not seen.",
)
SHOWN = 8


def judge(facts: Facts) -> Finding | None:
    if facts.sheet is None or (not facts.sheet.device and not facts.sheet.switch):
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    sheet, called = facts.sheet, roll(facts, facts.sheet)
    open_names = _open(sheet, called)
    strangers = called.rest
    measured = {"strangers": len(strangers), "senders": len(facts.tally.talkers)}
    if not strangers:
        return Finding(
            CHECK.name, Outcome.PASS, "Everything that spoke is on the rig sheet.", measured=measured
        )
    maybe = len(strangers) <= len(open_names)
    if len(strangers) == 1:
        headline = f"{who(strangers[0].hardware)} is not on the rig sheet."
    else:
        headline = f"{len(strangers)} senders are not on the rig sheet."
    if maybe:
        headline += (
            f" The sheet does not tell the hardware address of {', '.join(open_names[:4])}: is it that?"
        )
    return Finding(
        CHECK.name,
        Outcome.CAUTION if maybe else Outcome.FAIL,
        headline,
        evidence=tuple(_evidence(facts, each) for each in strangers[:SHOWN]),
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(each.hardware for each in strangers[:100]),
        spans=tuple((each.first_s, each.last_s) for each in strangers[:SHOWN]),
    )


def _open(sheet: Sheet, called: Roll) -> list[str]:
    """What a stranger may be: devices and switches whose hardware address the sheet does not tell, and not found."""
    devices = [d.name for d in sheet.device if not d.hardware and not called.present[d.name]]
    return devices + [switch.name for switch in sheet.switch if switch.hardware is None]


def _evidence(facts: Facts, talker: Talker) -> Evidence:
    assert facts.tally is not None
    addresses = sorted(addresses_of(owners_of(facts), (talker,)))
    name = next(
        (
            each
            for message in facts.heard(LldpNeighbour)
            if message.seen.src == talker.hardware and (each := message.system_name)
        ),
        "",
    ) or next(
        (
            each
            for message in facts.heard(MdnsMessage)
            if message.seen.src == talker.hardware
            for each in message.hostnames
        ),
        "",
    )
    flow = next((each for each in facts.tally.flows if each.source == talker.hardware), None)
    parts = [who(talker.hardware, ", ".join(addresses[:2]))]
    if name:
        parts.append(f"calls itself “{name}”")
    if flow:
        parts.append(f"sends {what(flow)}")
    return Evidence("; ".join(parts), talker.first_frame, talker.first_s)
