"""An audio LAN runs at gigabit; a link that came up slower is most often a bad pair in the cable."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, no_link, untold
from preflight.checks.finding import Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts

CHECK = Check(
    name="link-speed",
    subject="computer",
    order=40,
    asks=View,
    soak="run",
    question="Does the audio adapter's link run at gigabit?",
    looks_at="The speed that the audio adapter and its switch port agreed on, as the system tells it.",
    why="At 100 Mb/s a tenth of the room is left, every frame waits ten times as long, and the switch drops the rest.",
    limits=(Limit("at_least_mbps", 1000, "Mb/s", "requirement of this tool's users"),),
    sources=("IEEE 802.3 clause 28: auto-negotiation", "IEEE 802.3 clause 40: gigabit needs all four pairs"),
    fixes=(
        "Change the cable for one that is known to be good: one broken pair of the four leaves 100 Mb/s.",
        "Try another switch port, and see that the switch is a gigabit one.",
        "Set the adapter's speed to automatic, and the switch port's too.",
        "With a USB adapter: see that the adapter is a gigabit one, and try another socket.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Read the speed in the network settings or from the switch: it should be 1000 Mb/s.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    if down := no_link(CHECK, adapter):
        return down
    speed, least = adapter.speed_mbps, CHECK.limit("at_least_mbps")
    if speed is None:
        return untold(CHECK, f"The system does not say how fast the link of {adapter.name} is.")
    measured, limits = {"speed_mbps": speed}, {"at_least_mbps": least}
    if speed >= least:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{adapter.name} runs at {speed} Mb/s.",
            measured=measured,
            limits=limits,
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        f"{adapter.name} runs at {speed} Mb/s only; the audio LAN needs {least:g} Mb/s.",
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )
