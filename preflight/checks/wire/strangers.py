"""Who speaks on the audio LAN and is not on the rig sheet.

Strategy: every sender by hardware address, less what the sheet lists: its devices, its switches and their
ports, this computer. Where the sheet leaves a device's address open, a stranger may be that device, and then
it is a caution only.
"""

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check
from preflight.checks.say import what, who
from preflight.checks.says import Limits, Measured, Says, passed, trouble
from preflight.checks.see.inventory import addresses_of, owners_of, take_inventory
from preflight.checks.step import FOLLOW_CABLES, PORT_AND_CABLE, now
from preflight.tally.facts import Talker

CHECK = Check(
    name="strangers",
    subject="wire",
    order=180,
    asks=PlannedWire,
    question="Does anything speak that is not on the rig sheet?",
    looks_at="Every sender's hardware address, against the devices and switches on the rig sheet (--sheet "
    "FILE).",
    why=(
        "What nobody planned, nobody has tested: a guest's computer, a forgotten adapter, a second desk. "
        "Each can bring its own faults."
    ),
    sources=("The rig sheet",),
    fixes=(
        PORT_AND_CABLE,
        FOLLOW_CABLES,
        now("Is it meant to be there? Add it to the rig sheet."),
        now("Is it not? Unplug it, then run the line check again."),
    ),
    cautions=(MUTE_FIRST,),
    unproven="Needs a rig sheet: `preflight sheet learn` drafts one from a good rig. Who is silent is not "
    "seen.",
)
SHOWN = 8
MOST = 100  # a flood of made-up senders must not fill the report


def judge(wire: PlannedWire, _limits: Limits) -> Says:
    sheet = wire.sheet
    if not sheet.device and not sheet.switch:
        return
    inventory = take_inventory(wire, sheet)
    strangers = inventory.rest
    yield Measured({"strangers": len(strangers), "senders": len(wire.tally.talkers)})
    if not strangers:
        yield passed("Everything that spoke is on the rig sheet.")
        return
    one = f"{who(strangers[0].hardware)} is" if len(strangers) == 1 else f"{len(strangers)} senders are"
    headline = f"{one} not on the rig sheet."
    # What a stranger may be: what was not found, and whose hardware address the sheet does not tell.
    open_names = [
        each.name for each in sheet.device if not each.hardware and not inventory.present[each.name]
    ]
    open_names += [switch.name for switch in sheet.switch if switch.hardware is None]
    if maybe := len(strangers) <= len(open_names):
        headline += (
            f" The sheet does not tell the hardware address of {', '.join(open_names[:4])}: is it that?"
        )
    yield trouble(
        Outcome.CAUTION if maybe else Outcome.FAIL,
        headline,
        (_described(wire, each) for each in strangers[:SHOWN]),
        culprits=(each.hardware for each in strangers[:MOST]),
        spans=((each.first_s, each.last_s) for each in strangers[:SHOWN]),
    )


def _described(wire: PlannedWire, talker: Talker) -> Evidence:
    addresses = sorted(addresses_of(owners_of(wire), (talker,)))
    parts = [who(talker.hardware, ", ".join(addresses[:2]))]
    parts += [f"sends {what(flow)}" for flow in wire.tally.flows if flow.source == talker.hardware][:1]
    return Evidence("; ".join(parts), talker.first_frame, talker.first_s)
