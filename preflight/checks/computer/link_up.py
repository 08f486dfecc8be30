"""Without a link nothing else on the wire can be right.

Where the computer was read before and after listening, the later reading counts: a cable pulled meanwhile. A
link that went and came back shows in the system's count of link changes only.
"""

from dataclasses import replace

from preflight.checks.asks import Audio
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, KEEPS_TIME, Check, Explains
from preflight.checks.says import Limits, Measured, Says, Span, fail, passed, unproven
from preflight.checks.step import now
from preflight.host.facts import Adapter

CHECK = Check(
    name="link-up",
    subject="computer",
    order=10,
    asks=Audio,
    explains=(Explains(("link-errors", "link-steady"), "culprit"), Explains(KEEPS_TIME, "time")),
    watch="never",
    soak="run",
    question="Does the audio adapter have a link?",
    looks_at=(
        "Whether the audio adapter is turned on, whether the system sees a signal on its cable, and whether "
        "that stayed so while listening."
    ),
    why="No link means no audio. A plug that is not home, a broken cable or a switch without power all end "
    "it.",
    sources=("IEEE 802.3 clause 30: link state",),
    fixes=(
        now("Push the plug in at both ends until it clicks."),
        now("See that the switch has power and that the light of that port is on."),
        now("Try another port on the switch."),
        now("Try a cable that is known to be good."),
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look at the light beside the network socket: it should be on. Name the adapter with --adapter.",
)
TURN_ON = (now("Turn the adapter on in the network settings."), AGAIN)


def judge(computer: Audio, _limits: Limits) -> Says:
    before = now = computer.audio
    if computer.host_after is not None:
        now = computer.host_after.adapter(before.name) or replace(before, carrier=False)
    changes, until_then = now.counters.carrier_changes, before.counters.carrier_changes
    meanwhile = changes - until_then if changes is not None and until_then is not None else 0
    yield Measured(
        {
            "enabled": now.enabled,
            "carrier": now.carrier,
            "changes_while_listening": meanwhile if computer.host_after is not None else None,
        }
    )
    seen = [] if changes is None else [Evidence(f"Link changes (up or down) so far: {changes}.")]
    if now.enabled is False:
        yield fail(
            f"The audio adapter {now.name} is turned off.",
            fixes=TURN_ON,
            cautions=[MUTE_FIRST],
            culprits=[now.name],
        )
    elif now.carrier is None:
        yield unproven(f"The system does not say whether {now.name} has a link.")
    elif now.carrier and meanwhile <= 0:
        yield passed(f"{now.name} has a link.", seen)
    else:
        yield fail(_broken(now, before), seen, culprits=[now.name], spans=_without(computer, now))


def _without(computer: Audio, now: Adapter) -> list[Span]:
    """From the last frame of anybody else to the end of the listening, where the link is still away: what
    stopped then stopped for that."""
    source, tally = computer.source, computer.tally
    if now.carrier or source is None or tally is None:
        return []
    return [
        (max((talker.last_s for talker in tally.talkers if not talker.own), default=0.0), source.duration_s)
    ]


def _broken(now: Adapter, before: Adapter) -> str:
    if now.carrier:
        return f"The link of the audio adapter {now.name} went down and up again while listening."
    if before.carrier:
        return f"The audio adapter {now.name} lost its link while listening."
    return f"The audio adapter {now.name} has no link."
