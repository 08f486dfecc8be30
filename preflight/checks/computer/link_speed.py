"""An audio LAN runs at gigabit; a link that came up slower is most often a bad pair in the cable."""

from preflight.checks.asks import Link
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.step import in_a_break, managed

CHECK = Check(
    name="link-speed",
    subject="computer",
    order=40,
    asks=Link,
    soak="run",
    question="Does the audio adapter's link run at gigabit?",
    looks_at="The speed that the audio adapter and its switch port agreed on, as the system tells it.",
    why="At 100 Mb/s a tenth of the room is left, every frame waits ten times as long, and the switch "
    "drops the rest.",
    limits=(Limit("at_least_mbps", 1000, "Mb/s", "requirement of this tool's users"),),
    sources=("IEEE 802.3 clause 28: auto-negotiation", "IEEE 802.3 clause 40: gigabit needs all four pairs"),
    fixes=(
        "Change the cable for one that is known to be good: one broken pair of the four leaves 100 Mb/s.",
        "Try another switch port, and see that the switch is a gigabit one.",
        "Set the adapter's speed to automatic.",
        managed(in_a_break("Set the speed of the switch port to automatic, too.")),
        "With a USB adapter: see that the adapter is a gigabit one, and try another socket.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Read the speed in the network settings or from the switch: it should be 1000 Mb/s.",
)


def judge(computer: Link, limits: Limits) -> Says:
    name, speed, least = computer.audio.name, computer.audio.speed_mbps, limits["at_least_mbps"]
    yield Measured({"speed_mbps": speed})
    if speed is None:
        yield unproven(f"The system does not say how fast the link of {name} is.")
    elif speed < least:
        yield fail(f"{name} runs at {speed} Mb/s only; the audio LAN needs {least:g} Mb/s.", culprits=[name])
    else:
        yield passed(f"{name} runs at {speed} Mb/s.")
