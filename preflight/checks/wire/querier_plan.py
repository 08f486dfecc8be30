"""Whether the switch that the rig sheet names asks for group members.

Whether anybody asks, and only one, is the check `multicast-control`'s. Here only: is it the planned one? Who has the lowest address
wins (RFC 2236 section 3), so that a device which nobody planned takes the office over without a word. Another switch of the sheet keeps
asking, too, and is a caution; who is not on the sheet is a fail.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.say import who
from preflight.checks.see.roll import switch_of
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="querier-plan",
    subject="wire",
    order=340,
    asks=View,
    question="Does the switch ask for group members that the rig sheet names?",
    looks_at="Who sent the last IGMP query for all groups, against the switches with querier = true on the rig sheet (--sheet FILE).",
    why=(
        "The streams go on as long as somebody asks who wants them. A device that nobody planned does it until it is unplugged; "
        "minutes later the streams stop."
    ),
    sources=(
        "The rig sheet",
        "RFC 2236 section 3, RFC 3376 section 6.6.2: the lowest address asks, all others wait",
    ),
    fixes=(
        "Turn the querier off on the device that asks instead, or unplug it if nobody needs it.",
        "Or give the planned switch the lowest IP address of all that can ask.",
        "Was the plan changed? Write querier = true at the other switch on the rig sheet.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for longer than the query interval: 125 s by default (RFC 3376 section 8.2).",
)


def judge(facts: Facts) -> Finding | None:
    sheet = facts.sheet
    planned = [switch for switch in sheet.switch if switch.querier] if sheet is not None else []
    if sheet is None or not planned:
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    asked = [each for each in facts.heard(IgmpMessage) if each.kind == "query" and not each.group]
    names = ", ".join(switch.name for switch in planned)
    if not asked:
        return _unproven("Nobody asked for group members here.", CHECK.unproven)
    last = asked[-1]
    source = last.seen.src
    switch = switch_of(sheet, facts, source)
    measured = {"planned": [each.name for each in planned], "querier": source}
    if switch in planned:
        assert switch is not None
        return Finding(CHECK.name, Outcome.PASS, f"{switch.name} asks for group members.", measured=measured)
    device = next((each.name for each in sheet.device if each.hardware == source), None)
    if switch is None and device is None and any(each.hardware is None for each in planned):
        return _unproven(
            f"{who(source, last.source)} asks for group members; the sheet does not tell whether that is {names}.",
            f"Write the hardware address of {names} on the sheet.",
        )
    known = switch.name if switch is not None else device
    name = known or who(source, last.source)
    return Finding(
        CHECK.name,
        Outcome.CAUTION if known else Outcome.FAIL,
        f"{name} asks for group members, not {names}." + ("" if known else " It is not on the rig sheet."),
        evidence=(Evidence(f"{who(source, last.source)} asks for all groups", last.seen.frame, last.seen.time_s),),
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(source,),
    )  # fmt: skip


def _unproven(headline: str, how: str) -> Finding:
    return Finding(CHECK.name, Outcome.UNPROVEN, headline, fixes=(how,))
