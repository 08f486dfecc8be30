"""A sound link counts no errors. The counts before listening are set against those after it.

Broken frames (check sequence, alignment, late collisions) point at the cable, a plug or a duplex mismatch,
and fail from a few on. Frames that the computer fetched too late point at the computer, and caution. A count
of zero passes only where enough frames came in to break; what was counted before listening is told, and
judged by nobody: it may be old.
"""

from collections.abc import Mapping

from preflight.checks.asks import Audio
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, counted
from preflight.checks.says import Limits, Measured, Says, caution, passed, trouble, unproven
from preflight.checks.step import Step, When, now
from preflight.host.facts import Counters

CHECK = Check(
    name="link-errors",
    subject="computer",
    order=70,
    asks=Audio,
    soak="sums",
    question="Does the audio adapter count errors while it listens?",
    looks_at=(
        "How far the adapter's error counts rise while listening: broken frames, late collisions, frames "
        "that this computer fetched too late. And how often the link went up or down since the adapter "
        "started."
    ),
    why=(
        "A worn cable or plug, or two ends set differently, breaks a frame now and then. Audio frames are "
        "not sent again: each one is a click or a gap."
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
        now("Keep the cable away from mains and lighting cables."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Run the line check while the audio plays, with listening allowed. A managed switch counts "
    "errors for this port, too.",
)
MISSED = (
    now("Close programs that are not needed for the show: this computer could not take every frame."),
    Step("Update the adapter's driver before the next show, not tonight.", When.PLANNING),
    AGAIN,
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


def judge(computer: Audio, limits: Limits) -> Says:
    name, before = computer.audio.name, computer.audio.counters
    later = computer.host_after.adapter(name) if computer.host_after is not None else None
    if later is None:
        never = "Nothing was listened to, so no count could rise."
        yield unproven(never if computer.host_after is None else f"{name} was gone after listening.")
        return
    rose = _rise(before, later.counters)
    errors = {key: rose[key] for key in (*BROKEN, *IN_ALL, *LATE) if key in rose}
    yield Measured(
        {**rose, "carrier_changes_in_all": later.counters.carrier_changes},
        (*_counts(errors), *_earlier(before)),
    )
    if any(count < 0 for count in rose.values()):
        yield unproven(f"{name} started its counts anew while listening.")
        return
    if not any(key in errors for key in (*BROKEN, *IN_ALL)):
        yield unproven(f"The system does not tell the error counts of {name}.")
        return
    broken = max(sum(errors.get(key, 0) for key in BROKEN), sum(errors.get(key, 0) for key in IN_ALL))
    if broken >= limits["caution"]:
        yield trouble(
            Outcome.FAIL if broken >= limits["fail"] else Outcome.CAUTION,
            f"{name} counted {counted(broken, 'broken frame')} while listening.",
            culprits=[name],
        )
    received, missed = rose.get("rx_frames"), errors.get("rx_missed")
    if received and missed and missed >= received * limits["missed_share"]:
        yield caution(
            f"This computer fetched frames too late: {count_text(missed)} beside {count_text(received)} "
            f"were lost at {name}.",
            fixes=MISSED,
            culprits=[name],
        )
    if received is None or received < limits["enough"]:
        yield unproven(f"{name} received too few frames to prove that none break.")
    else:
        yield passed(f"{name} counted no broken frame among {count_text(received)} while listening.")


def _rise(before: Counters, after: Counters) -> dict[str, int]:
    """How far each count that was told both times rose."""
    keys = ("rx_frames", *BROKEN, *IN_ALL, *LATE, "carrier_changes")
    pairs = {key: (getattr(before, key), getattr(after, key)) for key in keys}
    return {key: late - early for key, (early, late) in pairs.items() if None not in (early, late)}


def _counts(errors: Mapping[str, int]) -> tuple[Evidence, ...]:
    words = {**BROKEN, **IN_ALL, **LATE}
    return tuple(Evidence(f"{count_text(errors[key])} {words[key]}") for key in words if errors.get(key))


def _earlier(counters: Counters) -> tuple[Evidence, ...]:
    old = {key: getattr(counters, key) for key in BROKEN}
    texts = [f"{count_text(count)} {BROKEN[key]}" for key, count in old.items() if count]
    if counters.carrier_changes:
        texts.append(f"{count_text(counters.carrier_changes)} link changes (up or down)")
    return (Evidence(f"Before listening, since the adapter started: {', '.join(texts)}."),) if texts else ()
