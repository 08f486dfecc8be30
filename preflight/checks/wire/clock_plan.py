"""Whether the clock is led by the device that the rig sheet names.

Whether a clock leads at all, and only one, is the check `clock`'s. Here only: is it the planned one? A spare
that leads, or another device of the sheet, keeps time too, and is a caution; a leader that is not on the
sheet is a fail.
"""

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, WHOLE, Check
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.best_master import grandmaster, hardware_of
from preflight.checks.see.flows import shown
from preflight.checks.step import before_doors, now
from preflight.tally.facts import ClockPort

CHECK = Check(
    name="clock-plan",
    subject="wire",
    order=330,
    asks=PlannedWire,
    question="Does the clock lead that the rig sheet names?",
    looks_at=(
        "Who announces itself as PTP master, and whose time it passes on, against [clock] on the rig sheet "
        "(--sheet FILE)."
    ),
    why="Another leader keeps time until it is switched off, or follows a time of its own. Then all audio "
    "stops at once.",
    sources=("The rig sheet", "IEEE 1588-2008 7.5.2.2: a clock's identity is made from its hardware address"),
    fixes=(
        before_doors("Give the planned device the lowest priority1, and leave all others as they came."),
        now("Is the planned device on, and set to lead?"),
        now("Was the plan changed? Change the rig sheet too."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for ten seconds at a port of a box that follows the clock, or where the switch sends "
    "PTP too.",
)
CUT_OFF = "0" * 16  # no clock has this identity: what a cut frame leaves of it


def judge(wire: PlannedWire, _limits: Limits) -> Says:
    sheet, planned = wire.sheet, wire.sheet.clock_master()
    if planned is None:
        return
    if planned.hardware is None:
        how = f"Write the hardware address of {planned.name} on the sheet."
        yield unproven(f"The sheet does not tell the hardware address of {planned.name}.", fixes=[how])
        return
    announced = [
        port
        for port in wire.tally.clocks
        if port.kind == "Announce" and sheet.clock.domain in (None, port.domain)
    ]
    if not announced:
        yield unproven("Nobody announced a clock here.")
        return
    leader = max(announced, key=lambda port: port.last_s)
    yield Measured({"planned": planned.name, "leader": leader.hardware, "grandmaster": leader.grandmaster})
    if leader.grandmaster == CUT_OFF:
        yield unproven(
            f"{who(leader.hardware)} announces a clock; whose time that is was cut off its frames.",
            fixes=[WHOLE],
        )
    elif _is(leader, planned.hardware):
        yield passed(f"{planned.name} leads the clock, as planned.")
    else:
        instead = next((each.name for each in sheet.device if _is(leader, each.hardware or "")), "")
        name = instead or who(leader.hardware)
        yield trouble(
            Outcome.CAUTION if instead else Outcome.FAIL,
            f"{name} leads the clock, not {planned.name}.{'' if instead else ' It is not on the rig sheet.'}",
            [
                shown(
                    f"{name} announces domain {leader.domain}, grandmaster {leader.grandmaster or 'itself'}",
                    leader,
                )
            ],
            culprits=[leader.hardware],
        )


def _is(port: ClockPort, hardware: str) -> bool:
    """Whether a master is this device: it sends itself, or its time is passed on. The identity is the
    hardware address with fffe in its middle (EUI-64)."""
    identity = grandmaster(port)
    by_identity = hardware_of(identity) == hardware
    return bool(hardware) and (by_identity or (port.hardware == hardware and identity == port.clock))
