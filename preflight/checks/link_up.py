"""Without a link nothing else on the wire can be right."""

from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Check, Evidence, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="link-up",
    subject="computer",
    question="Does the audio adapter have a link?",
    looks_at="Whether the audio adapter is turned on, and whether the system sees a signal on its cable.",
    why="No link means no audio. A plug that is not home, a broken cable or a switch without power all end it.",
    sources=("IEEE 802.3 clause 30: link state",),
    fixes=(
        "Push the plug in at both ends until it clicks.",
        "See that the switch has power and that the light of that port is on.",
        "Try another port on the switch.",
        "Try a cable that is known to be good.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look at the light beside the network socket: it should be on. Name the adapter with --adapter.",
)
TURN_ON = ("Turn the adapter on in the network settings.", "Run the line check again.")


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    measured = {"enabled": adapter.enabled, "carrier": adapter.carrier}
    if adapter.enabled is False:
        return Finding(
            CHECK.name,
            Outcome.FAIL,
            f"The audio adapter {adapter.name} is turned off.",
            measured=measured,
            fixes=TURN_ON,
            cautions=(MUTE_FIRST,),
            culprits=(adapter.name,),
        )
    if adapter.carrier is None:
        return untold(CHECK, f"The system does not say whether {adapter.name} has a link.")
    changes = adapter.counters.carrier_changes
    seen = () if changes is None else (Evidence(f"Link changes (up or down) so far: {changes}."),)
    if adapter.carrier:
        return Finding(
            CHECK.name, Outcome.PASS, f"{adapter.name} has a link.", evidence=seen, measured=measured
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        f"The audio adapter {adapter.name} has no link.",
        evidence=seen,
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )
