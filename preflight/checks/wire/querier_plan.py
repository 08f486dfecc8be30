"""Whether the switch that the rig sheet names asks for group members.

Whether anybody asks, and only one, is the check `multicast-control`'s. Here only: is it the planned one? Who
has the lowest address wins (RFC 2236 section 3), so that a device which nobody planned takes the office over
without a word. Another switch of the sheet keeps asking, too, and is a caution; who is not on the sheet is a
fail.
"""

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.inventory import switch_of
from preflight.checks.step import before_doors, managed, now
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="querier-plan",
    subject="wire",
    order=340,
    asks=PlannedWire,
    question="Does the switch ask for group members that the rig sheet names?",
    looks_at="Who sent the last IGMP query for all groups, against the switches with querier = true on the "
    "rig sheet (--sheet FILE).",
    why=(
        "The streams go on as long as somebody asks who wants them. A device that nobody planned does it "
        "until it is unplugged; minutes later the streams stop."
    ),
    sources=(
        "The rig sheet",
        "RFC 2236 section 3, RFC 3376 section 6.6.2: the lowest address asks, all others wait",
    ),
    fixes=(
        before_doors(
            "Turn the querier off on the device that asks instead, or unplug it if nobody needs it."
        ),
        managed(before_doors("Or give the planned switch the lowest IP address of all that can ask.")),
        now("Was the plan changed? Write querier = true at the other switch on the rig sheet."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for longer than the query interval: 125 s by default (RFC 3376 section 8.2).",
)


def judge(wire: PlannedWire, _limits: Limits) -> Says:
    planned = [switch for switch in wire.sheet.switch if switch.querier]
    if not planned:
        return
    asked = [each for each in wire.heard(IgmpMessage) if each.is_general]
    if not asked:
        yield unproven("Nobody asked for group members here.")
        return
    last, names = asked[-1], ", ".join(switch.name for switch in planned)
    source = last.seen.src
    sender = who(source, last.source)
    switch = switch_of(wire.sheet, wire, source)
    known = switch or next((each for each in wire.sheet.device if each.hardware == source), None)
    yield Measured({"planned": [each.name for each in planned], "querier": source})
    if switch in planned:
        yield passed(f"{names if switch is None else switch.name} asks for group members.")
    elif known is None and any(each.hardware is None for each in planned):
        yield unproven(
            f"{sender} asks for group members; the sheet does not tell whether that is {names}.",
            fixes=[f"Write the hardware address of {names} on the sheet."],
        )
    else:
        yield trouble(
            Outcome.CAUTION if known else Outcome.FAIL,
            f"{known.name} asks for group members, not {names}."
            if known
            else f"{sender} asks for group members, not {names}. It is not on the rig sheet.",
            [Evidence(f"{sender} asks for all groups", last.seen.frame, last.seen.time_s)],
            culprits=[source],
        )
