"""Without a link nothing else on the wire can be right.

Where the computer was read before and after listening, the later reading counts: a cable pulled meanwhile. A link that
went and came back shows in the system's count of link changes only.
"""

from dataclasses import replace

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Explains
from preflight.facts import Facts
from preflight.host.facts import Adapter

CHECK = Check(
    name="link-up",
    subject="computer",
    order=10,
    asks=View,
    explains=(Explains(("link-errors", "link-steady"), "culprit"),),
    watch="never",
    soak="run",
    question="Does the audio adapter have a link?",
    looks_at=(
        "Whether the audio adapter is turned on, whether the system sees a signal on its cable, and whether that stayed "
        "so while listening."
    ),
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
    before = adapter
    if facts.host_after is not None:
        adapter = facts.host_after.adapter(before.name) or replace(before, carrier=False)
    changes, until_then = adapter.counters.carrier_changes, before.counters.carrier_changes
    meanwhile = changes - until_then if changes is not None and until_then is not None else 0
    measured = {
        "enabled": adapter.enabled,
        "carrier": adapter.carrier,
        "changes_while_listening": meanwhile if facts.host_after is not None else None,
    }
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
    seen = () if changes is None else (Evidence(f"Link changes (up or down) so far: {changes}."),)
    if adapter.carrier and meanwhile <= 0:
        return Finding(
            CHECK.name, Outcome.PASS, f"{adapter.name} has a link.", evidence=seen, measured=measured
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        _broken(adapter, before),
        evidence=seen,
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )


def _broken(now: Adapter, before: Adapter) -> str:
    if now.carrier:
        return f"The link of the audio adapter {now.name} went down and up again while listening."
    if before.carrier:
        return f"The audio adapter {now.name} lost its link while listening."
    return f"The audio adapter {now.name} has no link."
