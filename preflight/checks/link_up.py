"""Whether the audio adapter has a link at all."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="link-up",
    subject="computer",
    question="Does the audio adapter have a link?",
    looks_at="The adapter's carrier, as the system tells it.",
    why="Without a link nothing passes.",
    fixes=(
        "Push the plug in at both ends until it clicks. Look for the link lamp.",
        "Try another cable, then another port of the switch.",
        "Check that the switch has power.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Look at the link lamp beside the plug.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.enabled is False:
        return _said(
            Outcome.FAIL, f"{adapter.name} is switched off in the system.", adapter.name, {"carrier": False}
        )
    if adapter.carrier is None:
        return not_told(CHECK, f"The system does not say whether {adapter.name} has a link.")
    if not adapter.carrier:
        return _said(Outcome.FAIL, f"{adapter.name} has no link.", adapter.name, {"carrier": False})
    return _said(Outcome.PASS, f"{adapter.name} has a link.", adapter.name, {"carrier": True})


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
