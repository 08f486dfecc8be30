"""Whether the audio adapter is wired and real."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="adapter-kind",
    subject="computer",
    question="Is the audio adapter a wired, physical one?",
    looks_at="What the system says the adapter is.",
    why="Wi-Fi, tunnels, bridges and adapters in software cannot keep the time that audio needs.",
    fixes=("Plug the audio LAN into a wired Ethernet adapter, and name it with --adapter.",),
    cautions=(MUTE_FIRST,),
    unproven="Name the wired adapter with --adapter.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.kind is None:
        return not_told(CHECK, f"{adapter.name}: {adapter.kind_reason}.")
    wired = adapter.kind == "ethernet"
    return _said(
        Outcome.PASS if wired else Outcome.FAIL,
        f"{adapter.name}: {adapter.kind_reason}.",
        adapter.name,
        {"kind": adapter.kind},
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
