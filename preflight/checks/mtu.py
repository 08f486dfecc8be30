"""Whether the adapter takes frames of the usual size."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Limit, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="mtu",
    subject="computer",
    question="Does the adapter take frames of the usual size?",
    looks_at="The adapter's MTU.",
    why="With a smaller one packets are cut or lost. With a larger one this computer may send what the others cannot take.",
    limits=(Limit("mtu", 1500, "bytes", "RFC 894; IEEE 802.3"),),
    fixes=("Set the adapter's MTU (or jumbo packets) back to 1500, or off.",),
    cautions=(MUTE_FIRST,),
    unproven="Read the MTU in the adapter's properties.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.mtu is None:
        return not_told(CHECK, f"The system does not say which MTU {adapter.name} has.")
    usual = CHECK.limit("mtu")
    outcome = (
        Outcome.PASS if adapter.mtu == usual else Outcome.FAIL if adapter.mtu < usual else Outcome.CAUTION
    )
    return _said(
        outcome,
        f"{adapter.name} has an MTU of {adapter.mtu}" + ("." if outcome is Outcome.PASS else ", not 1500."),
        adapter.name,
        {"mtu": adapter.mtu},
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
