"""Whether the clock is led by the device that the rig sheet names.

Whether a clock leads at all, and only one, is the check `clock`'s. Here only: is it the planned one? A spare that leads, or another
device of the sheet, keeps time too, and is a caution; a leader that is not on the sheet is a fail.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.say import who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import ClockPort

CHECK = Check(
    name="clock-plan",
    subject="wire",
    order=330,
    asks=View,
    question="Does the clock lead that the rig sheet names?",
    looks_at=(
        "Who announces itself as PTP master, and whose time it passes on, against [clock] on the rig sheet (--sheet FILE)."
    ),
    why="Another leader keeps time until it is switched off, or follows a time of its own. Then all audio stops at once.",
    sources=("The rig sheet", "IEEE 1588-2008 7.5.2.2: a clock's identity is made from its hardware address"),
    fixes=(
        "Give the planned device the lowest priority1, and leave all others as they came.",
        "Is the planned device on, and set to lead?",
        "Was the plan changed? Change the rig sheet too.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for ten seconds at a port of a box that follows the clock, or where the switch sends PTP too.",
)

CUT_OFF = "0" * 16  # no clock has this identity: what a cut frame leaves of it


def judge(facts: Facts) -> Finding | None:
    sheet = facts.sheet
    planned = sheet.clock_master() if sheet is not None else None
    if sheet is None or planned is None:
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    announced = [
        port
        for port in facts.tally.clocks
        if port.kind == "Announce" and sheet.clock.domain in (None, port.domain)
    ]
    if planned.hardware is None or not announced:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "Nobody announced a clock here."
            if planned.hardware
            else f"The sheet does not tell the hardware address of {planned.name}.",
            fixes=(CHECK.unproven,)
            if planned.hardware
            else (f"Write the hardware address of {planned.name} on the sheet.",),
        )
    leader = max(announced, key=lambda port: port.last_s)
    measured = {"planned": planned.name, "leader": leader.hardware, "grandmaster": leader.grandmaster}
    if leader.grandmaster == CUT_OFF:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            f"{who(leader.hardware)} announces a clock; whose time that is was cut off its frames.",
            measured=measured,
            fixes=("Capture whole frames (no snap length).",),
        )
    if _is(leader, planned.hardware):
        return Finding(
            CHECK.name, Outcome.PASS, f"{planned.name} leads the clock, as planned.", measured=measured
        )
    instead = next((d for d in sheet.device if d.hardware and _is(leader, d.hardware)), None)
    name = instead.name if instead else who(leader.hardware)
    return Finding(
        CHECK.name,
        Outcome.CAUTION if instead else Outcome.FAIL,
        f"{name} leads the clock, not {planned.name}." + ("" if instead else " It is not on the rig sheet."),
        evidence=(
            Evidence(
                f"{name} announces domain {leader.domain}, grandmaster {leader.grandmaster or 'itself'}",
                leader.first_frame,
                leader.first_s,
            ),
        ),
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(leader.hardware,),
    )


def _is(port: ClockPort, hardware: str) -> bool:
    """Whether a master is this device: it sends itself, or its time is passed on. The identity is the hardware address with fffe
    in its middle (EUI-64)."""
    digits = hardware.replace(":", "")
    identity = port.grandmaster or port.clock
    return identity == f"{digits[:6]}fffe{digits[6:]}" or (
        port.hardware == hardware and identity == port.clock
    )
