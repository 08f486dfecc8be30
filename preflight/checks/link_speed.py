"""Whether the link runs at gigabit."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Limit, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="link-speed",
    subject="computer",
    question="Does the link run at gigabit?",
    looks_at="The rate that both ends agreed on.",
    why="At 100 Mb/s a few streams fill the link. One bad wire pair brings a gigabit link down to it.",
    limits=(Limit("least_mbps", 1000, "Mb/s", "the requirement of the rigs this tool is for"),),
    fixes=(
        "Change the cable: gigabit needs all four pairs.",
        "Set speed and duplex to automatic at both ends.",
        "Try another port of the switch, then another adapter.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Read the rate on the switch, or in the adapter's properties.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.carrier is False:
        return not_told(CHECK, f"{adapter.name} has no link, so it has no speed.")
    if adapter.speed_mbps is None:
        return not_told(CHECK, f"The system does not say how fast {adapter.name} runs.")
    slow = adapter.speed_mbps < CHECK.limit("least_mbps")
    return _said(
        Outcome.FAIL if slow else Outcome.PASS,
        f"{adapter.name} runs at {adapter.speed_mbps} Mb/s" + (", not at gigabit." if slow else "."),
        adapter.name,
        {"speed_mbps": adapter.speed_mbps},
    )


def _said(outcome: Outcome, headline: str, name: str, measured: dict) -> Finding:
    trouble = outcome is not Outcome.PASS
    return Finding(
        CHECK.name,
        outcome,
        headline,
        measured=measured,
        limits={limit.name: limit.value for limit in CHECK.limits},
        fixes=CHECK.fixes if trouble else (),
        cautions=CHECK.cautions if trouble else (),
        culprits=(name,) if trouble else (),
    )
