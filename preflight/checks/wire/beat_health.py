"""Whether what a rig sends by the clock comes by the clock, whatever protocol it is.

Strategy: the tally has found each periodic flow and followed its beat. Discovery and addressing are left out,
RTP streams and PTP clocks have checks of their own. A beat that misses is held against the other senders'
beats of that time: where half of those that are quick enough to tell paused too, it was the capture or the
link here, and no sender is named. One short pause, as an ordinary computer makes it, is nothing.
"""

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, counted, what, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, trouble, unproven
from preflight.checks.see.flows import shown
from preflight.checks.see.periodic import ESTABLISHED, FOLLOWED, Follows, followed, missing_frames
from preflight.checks.see.wanted import let_go, unwanted
from preflight.checks.see.worn import where
from preflight.checks.step import managed, now
from preflight.tally.facts import Flow, MissingBeats, PeriodicFlow

LEAST_PLACES, LEAST_BEATS = 2, 10  # that miss, before it fails. Common practice.

CHECK = Check(
    name="beat-health",
    subject="wire",
    order=380,
    asks=Wire,
    soak="run",
    question="Does what is sent by the clock come by the clock?",
    looks_at=(
        "Every flow that keeps a steady beat, whatever its protocol: beats missing, late, in "
        "bunches, and flows that stop. RTP streams and PTP clocks have checks of their own."
    ),
    why="Audio and control that do not use RTP keep a beat too. A beat that misses is a frame that was "
    "lost or never sent.",
    limits=(
        Limit(
            "fail_share",
            0.01,
            f"share missing, in {LEAST_PLACES} places or {LEAST_BEATS} beats",
            "common practice",
        ),
        Limit("natural_ms", 5, "ms that a sender may pause once or twice", "common practice"),
        Limit("late_share", 0.10, "share of frames that come in bunches after their time", "common practice"),
        Limit("wait_periods", 20, "periods without a frame", "common practice"),
        Limit("wait_ms", 50, "ms without a frame, at the least", "common practice"),
        *FOLLOWED,
        Limit("ended_s", 2, "seconds before the end after which a beat has stopped", "common practice"),
    ),
    sources=("Own method: `preflight/tally/periodic.py` tells how a beat is found",),
    fixes=(
        "Find out whether one sender misses beats or all do. One: swap its cable, then its switch port. "
        "All: look at the cable between the switches, and at this computer's.",
        managed(
            now(
                "Read the error counters of those ports. CRC errors mean a bad cable or plug. Drops mean a "
                "full port."
            )
        ),
        now("No errors there? Then the sender pauses by itself: see what else it has to do."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for a minute while the rig runs, at the port of the desk or at a mirror port.",
)

SHOWN = 5
EVENT_ROOM = 8  # as many as the tally keeps
MOST_WITNESSES = 64
AT_THE_START_S, LONG_ENOUGH_S = 0.5, 10.0  # it was there before, or no trial. Common practice.
RAN_S = 1.0  # a burst of frames, over in less, was no beat that could stop. Common practice.
MOST_STOPS = 2  # what stops more often is meant to. Common practice.
CAPTURE_AGAIN = now("Capture again with nothing else running on that computer.")


@dataclass(frozen=True)
class Pause:
    """A time in which frames of a beat were missing, or in which it waited; `alone`: the others went on."""

    start_s: float
    end_s: float
    frames: int
    frame: int | None
    alone: bool


@dataclass(frozen=True)
class Judged:
    beat: PeriodicFlow
    flow: Flow
    pauses: tuple[Pause, ...]
    witnessed: bool  # another sender beat quickly enough to tell

    @property
    def with_others(self) -> bool:
        """Whether the others paused each time that it did."""
        return bool(self.pauses) and not any(pause.alone for pause in self.pauses)

    @property
    def missing_share(self) -> float:
        return self.beat.missing / max(self.beat.beats * self.beat.per_beat, 1)


def judge(wire: Wire, limits: Limits) -> Says:
    found = followed(wire, limits)
    if not found:
        yield unproven("No steady beat was heard beside streams and clocks.")
        return
    others = _witnesses([(beat, wire.tally.flows[beat.flow]) for beat in wire.tally.periodic])
    judged = [_hold_against_others(beat, flow, others) for beat, flow in found]
    yield Measured(
        {
            "beats_followed": len(judged),
            "missing_frames": missing_frames(wire),
            "late_frames": sum(j.beat.late for j in judged),
            "longest_wait_ms": round(1000 * max(j.beat.longest_wait_s for j in judged), 3),
        }
    )
    missing = [j for j in judged if _misses(j, limits)]
    late = [j for j in judged if j not in missing and _comes_late(j, limits)]
    yield from _misses_alone([j for j in missing if not j.with_others], judged, wire, limits)
    yield from _missed_together([j for j in missing + late if j.with_others])
    yield from _late([j for j in late if not j.with_others], judged)
    yield from _stops(judged, wire, limits)
    yield passed(
        f"{counted(len(judged), 'steady flow')} {'keeps its' if len(judged) == 1 else 'keep their'} beat.",
        [shown(f"{_named(j)}: {_pace(j.beat)}", j.flow) for j in judged[:SHOWN]],
    )


def _misses_alone(own: list[Judged], judged: list[Judged], wire: Wire, limits: Limits) -> Iterator[Saw]:
    if not own:
        return
    own.sort(key=lambda j: -j.missing_share)
    head = f"{counted(sum(j.beat.missing for j in own), 'frame')} of {_flows(own, judged)} missing"
    evidence = [_missed(j) for j in own[:SHOWN]]
    dropped = wire.source.dropped
    if dropped:
        text = f"{head}, but the capture itself dropped {counted(dropped, 'frame')}."
        yield unproven(text, evidence, fixes=(CAPTURE_AGAIN,))
        return
    outcome = Outcome.CAUTION
    if wire.source.malformed:
        head += "; records of the capture are damaged, so that they may have been there"
    elif not any(j.witnessed for j in own) and dropped is None:
        head += "; nothing else here beats quickly enough to tell whether only the capture paused"
    elif any(_fails(j, limits) for j in own):
        outcome = Outcome.FAIL
    spans = [(p.start_s, p.end_s) for j in own for p in j.pauses]
    yield trouble(outcome, f"{head}.", evidence, spans=spans, fixes=_fixes(own, judged))


def _fixes(own: list[Judged], judged: list[Judged]) -> tuple[str, ...]:
    """What is worn hits all beats of a sender: where one was spared it is something else."""
    theirs = {j.flow.source for j in own}
    spared = any(j not in own and j.flow.source in theirs for j in judged)
    told = where(theirs, (j.flow.source for j in judged), ("misses beats", "miss beats"))
    return CHECK.fixes if spared or told is None else (told, *CHECK.fixes[1:])


def _missed_together(common: list[Judged]) -> Iterator[Saw]:
    """Where everything paused at once no sender is named."""
    pauses = [pause for j in common for pause in j.pauses]
    if pauses:
        longest = max(pauses, key=lambda pause: pause.end_s - pause.start_s)
        yield caution(
            f"Most beats missed at the same time, for up to {1000 * (longest.end_s - longest.start_s):.0f} "
            "ms: the capture paused, or the link here.",
            [
                Evidence(
                    f"{counted(len(common), 'steady flow')} paused together with the other senders",
                    longest.frame,
                    longest.start_s,
                )
            ],
            spans=[(p.start_s, p.end_s) for p in pauses],
        )


def _late(tardy: list[Judged], judged: list[Judged]) -> Iterator[Saw]:
    if tardy:
        tardy.sort(key=lambda j: -j.beat.longest_wait_s)
        waits = [(j.beat.longest_wait_at_s, j.beat.longest_wait_at_s + j.beat.longest_wait_s) for j in tardy]
        yield caution(
            f"Frames of {_flows(tardy, judged)} come late, in bunches.",
            [
                Evidence(
                    f"{_named(j)}: {counted(j.beat.late, 'frame')} late; the longest wait was "
                    f"{1000 * j.beat.longest_wait_s:.0f} ms, the beat is {_time(j.beat.period_s)}",
                    j.beat.longest_wait_frame,
                    j.beat.longest_wait_at_s,
                )
                for j in tardy[:SHOWN]
            ],
            spans=waits,
        )


def _stops(judged: list[Judged], wire: Wire, limits: Limits) -> Iterator[Saw]:
    places: dict[tuple[str, int, int], list[Flow]] = defaultdict(list)
    for flow in wire.tally.flows:
        places[_place(flow)].append(flow)
    stopped = [j for j in judged if _stopped(j, wire, places[_place(j.flow)], limits)]
    if stopped:
        stopped.sort(key=lambda j: j.beat.stops)  # what has not come back
        yield caution(
            f"{_flows(stopped, judged)} stopped while others went on.",
            [_stop(j) for j in stopped[:SHOWN]],
            spans=[(j.flow.last_s, wire.source.duration_s) for j in stopped],
        )


def _witnesses(pairs: list[Follows]) -> list[Follows]:
    """The two quickest beats of each sender, and not too many: a flood of senders must not stall the
    judging."""
    chosen: dict[str, list[Follows]] = defaultdict(list)
    for beat, flow in sorted(pairs, key=lambda pair: pair[0].period_s):
        if len(chosen[flow.source]) < 2:
            chosen[flow.source].append((beat, flow))
    return [pair for several in chosen.values() for pair in several][:MOST_WITNESSES]


def _hold_against_others(beat: PeriodicFlow, flow: Flow, pairs: list[Follows]) -> Judged:
    spells = [(start, end, event.frames, event.frame) for start, end, event in _events(beat)]
    if not spells and beat.longest_wait_s > 2 * beat.period_s:
        start = beat.longest_wait_at_s
        spells = [(start, start + beat.longest_wait_s, 0, beat.longest_wait_frame)]
    pauses, witnessed = [], False
    for start, end, frames, frame in spells:
        others = [
            b
            for b, f in pairs
            if f.source != flow.source
            and f.first_s <= start
            and f.last_s >= end
            and 2 * b.period_s <= end - start
        ]
        witnessed |= bool(others)
        alike = sum(_paused(b, start, end) for b in others)
        pauses.append(Pause(start, end, frames, frame, alone=not others or 2 * alike < len(others)))
    return Judged(beat, flow, tuple(pauses), witnessed)


def _events(beat: PeriodicFlow) -> list[tuple[float, float, MissingBeats]]:
    return [
        (event.after_s, event.after_s + (math.ceil(event.frames / beat.per_beat) + 1) * beat.period_s, event)
        for event in beat.events
    ]


def _paused(beat: PeriodicFlow, start: float, end: float) -> bool:
    """Whether a beat missed frames, or waited, for at least half of that time."""
    spells = [(s, e) for s, e, _ in _events(beat)]
    spells.append((beat.longest_wait_at_s, beat.longest_wait_at_s + beat.longest_wait_s))
    return any(min(e, end) - max(s, start) >= 0.5 * (end - start) for s, e in spells)


def _misses(judged: Judged, limits: Limits) -> bool:
    """Whether it misses more than an ordinary computer's short pause, as it makes when a program starts."""
    beat = judged.beat
    if not beat.missing:
        return False
    short = all(
        event.frames / beat.per_beat * beat.period_s <= limits["natural_ms"] / 1000 for event in beat.events
    )
    return not (short and len(beat.events) <= 2 and judged.missing_share < limits["fail_share"])


def _fails(judged: Judged, limits: Limits) -> bool:
    """Unicast between programs changes its pace for reasons of its own: it never fails."""
    alone = [pause for pause in judged.pauses if pause.alone]
    lost = sum(pause.frames for pause in alone)
    if len(judged.pauses) == EVENT_ROOM:
        lost += judged.beat.missing - sum(pause.frames for pause in judged.pauses)
    expected = judged.beat.beats * judged.beat.per_beat
    return (
        judged.flow.cast != "unicast"
        and lost >= limits["fail_share"] * expected
        and (len(alone) >= LEAST_PLACES or lost >= LEAST_BEATS * judged.beat.per_beat)
    )


def _comes_late(judged: Judged, limits: Limits) -> bool:
    beat = judged.beat
    return beat.late >= limits["late_share"] * beat.beats * beat.per_beat or beat.longest_wait_s >= max(
        limits["wait_periods"] * beat.period_s, limits["wait_ms"] / 1000
    )


def _stopped(judged: Judged, wire: Wire, alike: list[Flow], limits: Limits) -> bool:
    """Whether it stopped for good, or for a while. Another sender may go on with what is `alike`, as a spare
    does."""
    beat, flow = judged.beat, judged.flow
    if (
        beat.beats < ESTABLISHED
        or beat.beats * beat.period_s < RAN_S
        or flow.cast == "unicast"
        or beat.stops > MOST_STOPS
    ):
        return False
    nobody = unwanted(wire).get(flow.destination_ip, [])
    if beat.stops:
        return beat.stops > len(nobody) and beat.longest_stop_s > 1.1 * wire.tally.rates.longest_gap_s
    before = flow.first_s <= AT_THE_START_S or flow.last_s - flow.first_s >= LONG_ENOUGH_S
    gone = wire.source.duration_s - flow.last_s >= max(limits["ended_s"], 20 * beat.period_s)
    taken = any(other.source != flow.source and other.last_s > flow.last_s + 0.5 for other in alike)
    return before and gone and not taken and not let_go(flow.last_s, nobody)


def _place(flow: Flow) -> tuple[str, int, int]:
    return flow.destination, flow.ethertype, flow.destination_port


def _stop(judged: Judged) -> Evidence:
    if judged.beat.stops:
        return Evidence(f"{_named(judged)} stopped for {judged.beat.longest_stop_s:.1f} s, then went on")
    return Evidence(
        f"{_named(judged)} stopped at {judged.flow.last_s:.1f} s and has not come back",
        time_s=judged.flow.last_s,
    )


def _missed(judged: Judged) -> Evidence:
    beat = judged.beat
    pauses = [pause for pause in judged.pauses if pause.alone] or list(judged.pauses)
    longest = max(pauses, key=lambda pause: pause.frames, default=None)
    places = f"in {len(beat.events)} places" if len(beat.events) > 1 else "in one place"
    if len(beat.events) == EVENT_ROOM:
        places = "in many places"
    return Evidence(
        f"{_named(judged)}: {count_text(beat.missing)} of {counted(beat.beats * beat.per_beat, 'frame')} "
        f"missing {places}"
        + (f", up to {longest.frames} at once" if longest and longest.frames > 1 else "")
        + f" ({_pace(beat)})",
        frame=longest.frame if longest else None,
        time_s=longest.start_s if longest else None,
    )


def _named(judged: Judged) -> str:
    return f"{_what(judged.flow)} from {who(judged.flow.source, judged.flow.source_ip)}"


def _what(flow: Flow) -> str:
    return what(flow) if flow.protocol is not None else f"{what(flow)} to {flow.destination}"


def _pace(beat: PeriodicFlow) -> str:
    several = f"{beat.per_beat} frames " if beat.per_beat > 1 else ""
    return f"{several}every {_time(beat.period_s)}"


def _time(seconds: float) -> str:
    if seconds < 0.001:
        return f"{seconds * 1e6:.0f} us"
    return f"{seconds * 1000:.3g} ms" if seconds < 1 else f"{seconds:.2f} s"


def _flows(some: list[Judged], of: list[Judged]) -> str:
    """In a headline: one by what it is and who sends it, of several how many they are and the worst of them,
    which is the first."""
    worst = f"{what(some[0].flow)} from {who(some[0].flow.source)}"
    if len(some) == 1:
        return worst
    return f"{len(some)} of {len(of)} steady flows (worst: {worst})"
