"""How far the capture itself can be trusted: a fault in it must not be taken for a fault of the network."""

from preflight.checks.asks import View
from preflight.checks.cautions import PRIVACY
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Explains, Limit
from preflight.checks.say import count_text
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Measure, Rates

CHECK = Check(
    name="capture-quality",
    subject="wire",
    order=520,
    asks=View,
    explains=(Explains(("beat-health",), "time"),),
    soak="run",
    verdict="apart",
    question="Can this capture be trusted, and what can it not show?",
    looks_at=(
        "Frames dropped by the capturing system, frames cut by the snap length, times that step back, times with no frame at "
        "all, damage in the file, and where on the network it was taken."
    ),
    why="A frame that the capture lost looks as if the network had lost it.",
    limits=(
        Limit("step_back_ms", 10, "ms that the time falls back", "common practice"),
        Limit(
            "hole_s",
            0.5,
            "seconds without any frame, in a capture that is busy at all other times",
            "common practice",
        ),
        Limit("busy_per_s", 100, "frames a second on average", "common practice"),
    ),
    sources=("draft-ietf-opsawg-pcapng: isb_ifdrop, isb_osdrop",),
    fixes=(
        "Capture again: whole frames (snap length 0), to a fast disk, with nothing else running.",
        "Set the computer's clock before, not while it captures. Let the capture end by itself.",
    ),
    cautions=(PRIVACY,),
    unproven="Listen again, long enough to hear something.",
)

HOLE = "there is a hole"
FRAMES: tuple[Measure, ...] = ("broadcast", "discovery", "multicast", "unicast")
SEES = {
    "access port": "taken at an access port: it sees what is flooded and what is meant for one station, not what passes "
    "between others",
    "mirror": "taken at a mirror port: it sees traffic between others",
    "unknown": "",
}


def _even(rates: Rates, rest_s: float) -> bool:
    """Whether nine in ten stretches of the time line without the hole hold frames: else silence is natural here."""
    rows = [sum(row) for row in zip(*(rates.sums[m] for m in FRAMES), strict=True)]
    return sum(row > 0 for row in rows) >= 0.9 * (rest_s / rates.width_s - 1)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    source, tally = facts.source, facts.tally
    limits = CHECK.values()
    rate = source.frames / source.duration_s if source.duration_s > 0 else 0.0
    hole, hole_at = tally.rates.longest_gap_s, tally.rates.longest_gap_at_s
    if source.kind == "live" and source.first_ns is not None and source.last_ns is not None:
        until_s = (source.last_ns - source.first_ns) / 1e9  # listening went on after the last frame
        if source.duration_s - until_s > hole:
            hole, hole_at = source.duration_s - until_s, until_s
    measured = {
        "vantage": facts.vantage,
        "dropped": source.dropped,
        "cut": source.cut,
        "malformed": source.malformed,
        "steps_back": source.steps_back,
        "longest_gap_s": round(hole, 3),
    }
    faults: list[tuple[str, Evidence]] = []
    if source.dropped:
        share = source.dropped / (source.frames + source.dropped)
        faults.append(
            (
                "frames were dropped",
                Evidence(
                    f"the capturing system dropped {count_text(source.dropped)} frames ({share:.1%}): gaps prove nothing"
                ),
            )
        )
    if source.cut:
        faults.append(
            (
                "frames are cut",
                Evidence(
                    f"{count_text(source.cut)} of {count_text(source.frames)} frames are cut by the snap length: "
                    "names and address offers in them cannot be read"
                ),
            )
        )
    if source.steps_back:
        faults.append(
            (
                "time steps back",
                Evidence(
                    f"the time steps back {'once' if source.steps_back == 1 else f'{count_text(source.steps_back)} times'}, "
                    f"by up to {source.longest_step_back_s:.3f} s; "
                    "times after that are counted on from there"
                ),
            )
        )
    if (
        hole >= limits["hole_s"]
        and rate >= limits["busy_per_s"]
        and _even(tally.rates, source.duration_s - hole)
    ):
        faults.append(
            (
                HOLE,
                Evidence(
                    f"no frame at all for {hole:.2f} s, in a capture of {count_text(rate)} frames/s: the capture paused, "
                    "the link was down, or the senders stopped",
                    time_s=hole_at,
                ),
            )
        )
    if source.malformed:
        faults.append(
            (
                "frames are damaged",
                Evidence(f"{count_text(source.malformed)} frames or records could not be read"),
            )
        )
    if source.ended_early:
        faults.append(("it ends early", Evidence(f"reading ended early at {source.ended_early}")))
    if tally.flow_overflow or tally.talker_overflow:
        faults.append(
            (
                "there are too many senders or flows to list",
                Evidence(
                    f"{count_text(tally.flow_overflow)} frames belong to flows, {count_text(tally.talker_overflow)} to "
                    "senders beyond the lists; they are counted in the rates"
                ),
            )
        )
    notes = [Evidence(SEES[facts.vantage])] if SEES[facts.vantage] else []
    if source.partial:
        notes.append(Evidence("stopped by hand: judged on what was read"))
    if not faults:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{count_text(source.frames)} whole frames in {source.duration_s:.1f} s, in order.",
            evidence=tuple(notes),
            measured=measured,
            limits=limits,
        )
    return Finding(
        CHECK.name,
        Outcome.CAUTION,
        f"Trust this capture only in part: {', '.join(words for words, _ in faults)}.",
        evidence=tuple(evidence for _, evidence in faults) + tuple(notes),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        # A hole that a link's fault covers needs no mending of its own; anything beside it does.
        spans=((hole_at, hole_at + hole),) if [words for words, _ in faults] == [HOLE] else (),
    )
