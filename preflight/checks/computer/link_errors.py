"""A sound link counts no errors. The counts before listening are set against those after it.

Broken frames (check sequence, alignment, late collisions) point at the cable, a plug or a duplex mismatch, and fail from
a few on. Frames that the computer fetched too late point at the computer, and caution. A count of zero passes only where
enough frames came in to break; what was counted before listening is told, and judged by nobody: it may be old.
"""

from collections.abc import Mapping

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text
from preflight.facts import Facts
from preflight.host.facts import Counters

CHECK = Check(
    name="link-errors",
    subject="computer",
    order=70,
    asks=View,
    soak="sums",
    question="Does the audio adapter count errors while it listens?",
    looks_at=(
        "How far the adapter's error counts rise while listening: broken frames, late collisions, frames that this computer "
        "fetched too late. And how often the link went up or down since the adapter started."
    ),
    why=(
        "A worn cable or plug, or two ends set differently, breaks a frame now and then. Audio frames are not sent again: "
        "each one is a click or a gap."
    ),
    limits=(
        Limit("fail", 10, "broken frames while listening", "common practice"),
        Limit(
            "caution", 1, "broken frame while listening", "common practice; IEEE 802.3 expects next to none"
        ),
        Limit("missed_share", 0.0001, "of the received frames lost by this computer", "common practice"),
        Limit("enough", 100, "received frames, to prove that none broke", "common practice"),
    ),
    sources=(
        "IEEE 802.3 clause 30: FCS, alignment, late collision and link counters",
        "IEEE 802.3 clause 40.1: at gigabit on copper at most 1 bit in 10^10 breaks",
        "Linux, networking/statistics.rst: what drivers count",
    ),
    fixes=(
        "Replace the cable with one that is known to be good, and push both plugs in until they click.",
        "Try another port on the switch.",
        "Set the speed and duplex of both ends to automatic (see duplex).",
        "Keep the cable away from mains and lighting cables.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Run the line check while the audio plays, with listening allowed. Look at the switch's error counts for this port.",
)
MISSED = (
    "Close programs that are not needed for the show: this computer could not take every frame.",
    "Update the adapter's driver before the next show, not tonight.",
    "Run the line check again.",
)
BROKEN = {
    "rx_crc_errors": "with a wrong check sequence (FCS)",
    "rx_frame_errors": "cut in the middle of a byte (alignment)",
    "late_collisions": "hit by a late collision",
}
# All errors, those of BROKEN among them.
IN_ALL = {"rx_errors": "received with an error", "tx_errors": "not sent because of an error"}

# The second one many systems raise for protocols that nobody here speaks: it is told, and proves nothing.
LATE = {
    "rx_missed": "lost because this computer fetched them too late",
    "rx_dropped": "dropped by the system",
}


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    later = facts.host_after.adapter(adapter.name) if facts.host_after is not None else None
    if facts.host_after is None:
        return untold(CHECK, "Nothing was listened to, so no count could rise.")
    if later is None:
        return untold(CHECK, f"{adapter.name} was gone after listening.")
    limits = CHECK.values()
    rose = _rise(adapter.counters, later.counters)
    errors = {key: rose[key] for key in (*BROKEN, *IN_ALL, *LATE) if key in rose}
    received = rose.get("rx_frames")
    measured: dict[str, object] = {
        **rose,
        "carrier_changes_in_all": later.counters.carrier_changes,
    }
    if any(count < 0 for count in rose.values()):
        return untold(CHECK, f"{adapter.name} started its counts anew while listening.")
    if not any(key in errors for key in (*BROKEN, *IN_ALL)):
        return untold(CHECK, f"The system does not tell the error counts of {adapter.name}.")
    broken = max(sum(errors.get(key, 0) for key in BROKEN), sum(errors.get(key, 0) for key in IN_ALL))
    missed = errors.get("rx_missed", 0)
    seen = (*_told(errors), *_before(adapter.counters))
    if broken >= limits["caution"]:
        return Finding(
            CHECK.name,
            Outcome.FAIL if broken >= limits["fail"] else Outcome.CAUTION,
            f"{adapter.name} counted {count_text(broken)} broken frame{'' if broken == 1 else 's'} while listening.",
            evidence=seen,
            measured=measured,
            limits=limits,
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
            culprits=(adapter.name,),
        )
    if received and missed >= max(1, received * limits["missed_share"]):
        return Finding(
            CHECK.name,
            Outcome.CAUTION,
            f"This computer fetched frames too late: {count_text(missed)} beside {count_text(received)} were lost at {adapter.name}.",
            evidence=seen,
            measured=measured,
            limits=limits,
            fixes=MISSED,
            cautions=CHECK.cautions,
            culprits=(adapter.name,),
        )
    if received is None or received < limits["enough"]:
        return untold(CHECK, f"{adapter.name} received too few frames to prove that none break.")
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"{adapter.name} counted no broken frame among {count_text(received)} while listening.",
        evidence=seen,
        measured=measured,
        limits=limits,
    )


def _rise(before: Counters, after: Counters) -> dict[str, int]:
    """How far each count that was told both times rose."""
    keys = ("rx_frames", *BROKEN, *IN_ALL, *LATE, "carrier_changes")
    pairs = {key: (getattr(before, key), getattr(after, key)) for key in keys}
    return {key: late - early for key, (early, late) in pairs.items() if None not in (early, late)}


def _told(errors: Mapping[str, int]) -> tuple[Evidence, ...]:
    words = {**BROKEN, **IN_ALL, **LATE}
    return tuple(Evidence(f"{count_text(errors[key])} {words[key]}") for key in words if errors.get(key))


def _before(counters: Counters) -> tuple[Evidence, ...]:
    old = {key: getattr(counters, key) for key in BROKEN}
    texts = [f"{count_text(count)} {BROKEN[key]}" for key, count in old.items() if count]
    if counters.carrier_changes:
        texts.append(f"{count_text(counters.carrier_changes)} link changes (up or down)")
    return (Evidence(f"Before listening, since the adapter started: {', '.join(texts)}."),) if texts else ()
