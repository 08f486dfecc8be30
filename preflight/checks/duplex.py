"""Whether the link is full duplex."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="duplex",
    subject="computer",
    question="Is the link full duplex?",
    looks_at="The duplex that both ends agreed on.",
    why="With half duplex, or with one side fixed and the other automatic, frames collide and are lost under load.",
    sources=("IEEE 802.3 clause 28: a side that negotiates takes half duplex when the other side is fixed",),
    fixes=(
        "Set speed and duplex to automatic at both ends. One side fixed and the other automatic gives half duplex.",
        "Change the cable, then the port.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Read the duplex on the switch, or in the adapter's properties.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.carrier is False:
        return not_told(CHECK, f"{adapter.name} has no link, so it has no duplex.")
    if adapter.duplex is None:
        return not_told(CHECK, f"The system does not say which duplex {adapter.name} runs.")
    half = adapter.duplex == "half"
    return _said(
        Outcome.FAIL if half else Outcome.PASS,
        f"{adapter.name} runs {adapter.duplex} duplex.",
        adapter.name,
        {"duplex": adapter.duplex},
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
