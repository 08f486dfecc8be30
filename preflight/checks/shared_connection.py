"""Whether this computer joins the audio LAN to another network."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="shared-connection",
    subject="computer",
    question="Does this computer join the audio LAN to another network?",
    looks_at="Whether the adapter belongs to a bridge or bond, and whether the system passes IP packets on.",
    why="A desk that passes frames on lets the other network's traffic, or a loop, into the audio LAN.",
    fixes=(
        "Turn off connection sharing and IP forwarding in the system's network settings.",
        "Take the audio adapter out of every network bridge.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Look for connection sharing and bridges in the system's network settings.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    if adapter.master:
        return _said(
            Outcome.FAIL,
            f"{adapter.name} belongs to {adapter.master}: it is joined to other adapters.",
            adapter.name,
            {"master": adapter.master},
        )
    if facts.host.ip_forwarding is None:
        return not_told(CHECK, "The system does not say whether it passes packets on.")
    others = [
        one.name
        for one in facts.host.adapters
        if one.carrier and one.kind != "loopback" and one.name != adapter.name
    ]
    measured = {"ip_forwarding": facts.host.ip_forwarding, "others_up": len(others)}
    if not facts.host.ip_forwarding:
        return _said(Outcome.PASS, "This computer passes nothing on.", adapter.name, measured)
    if not others:
        return _said(Outcome.CAUTION, "This computer is set to pass packets on.", adapter.name, measured)
    return _said(
        Outcome.FAIL,
        f"This computer passes packets on between {adapter.name} and {', '.join(others)}.",
        adapter.name,
        measured,
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
