"""Whether what a rig sends by the clock comes by the clock, whatever protocol it is.

Strategy: the tally has found each periodic flow and followed its beat. Discovery and addressing are left out, RTP streams and
PTP clocks have checks of their own. A beat that misses is held against the other senders' beats of that time: where half of
those that are quick enough to tell paused too, it was the capture or the link here, and no sender is named. One short pause,
as an ordinary computer makes it, is nothing.
"""

import math
from collections import defaultdict
from dataclasses import dataclass

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import PORTS, count_text, what, who
from preflight.checks.see.streams import heard_streams
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Beat, Flow, MissingBeats

CHECK = Check(
    name="beat-health",
    subject="wire",
    order=380,
    asks=View,
    soak="run",
    question="Does what is sent by the clock come by the clock?",
    looks_at=(
        "Every flow that keeps a steady beat of 20 microseconds to 2 seconds, whatever its protocol: beats missing, late, in "
        "bunches, and flows that stop. RTP streams and PTP clocks have checks of their own."
    ),
    why="Audio and control that do not use RTP keep a beat too. A beat that misses is a frame that was lost or never sent.",
    limits=(
        Limit("fail_share", 0.01, "share of beats missing, in two places or ten beats", "common practice"),
        Limit("natural_ms", 5, "ms that a sender may pause once or twice", "common practice"),
        Limit("late_share", 0.10, "share of frames that come in bunches after their time", "common practice"),
        Limit("wait_periods", 20, "periods without a frame, and at least 50 ms", "common practice"),
        Limit("wait_ms", 50, "ms without a frame", "common practice"),
        Limit("shortest_us", 20, "microseconds: the quickest beat", "own method"),
        Limit("longest_s", 2, "seconds: the slowest beat", "own method"),
        Limit("least_beats", 20, "beats before a flow is judged", "common practice"),
        Limit("ended_s", 2, "seconds before the end after which a beat has stopped", "common practice"),
    ),
    sources=("Own method: `preflight/tally/beats.py` tells how a beat is found",),
    fixes=(
        "Find out whether one sender misses beats or all do. One: swap its cable, then its switch port. "
        "All: look at the cable between the switches, and at this computer's.",
        "Read the error counters of those switch ports. CRC errors mean a bad cable or plug. Drops mean a full port.",
        "No errors there? Then the sender pauses by itself: see what else it has to do.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for a minute while the rig runs, at the port of the desk or at a mirror port.",
)

SHOWN = 5
# A flow that misses so many has changed its pace, and a young one never had it; programs that talk to one another keep
# a pace for a while by chance. Common practice.
NOT_A_BEAT, NOT_A_YOUNG_BEAT = 0.3, 0.1
ESTABLISHED = 200
LEAST_TO_STOP = (
    200  # beats after which a stop is told, and at most twice: what stops often is meant to. Common practice.
)
EVENT_ROOM = 8  # as many as the tally keeps
MOST_WITNESSES = 64
AT_THE_START_S, LONG_ENOUGH_S = 0.5, 10.0  # it was there before, or no trial. Common practice.
# Those that answer when asked, or have a check of their own: ARP, LLDP, pauses, reservations, PTP.
NOT_JUDGED = (0x0806, 0x88CC, 0x8808, 0x22EA, 0x88F7)


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
    beat: Beat
    flow: Flow
    pauses: tuple[Pause, ...]
    witnessed: bool  # another sender beat quickly enough to tell

    @property
    def missing_share(self) -> float:
        return self.beat.missing / max(self.beat.beats * self.beat.per_beat, 1)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    streams = {id(flow) for _, flow in heard_streams(facts)}
    pairs = [(beat, facts.tally.flows[beat.flow]) for beat in facts.tally.beats]
    found = [(b, f) for b, f in pairs if id(f) not in streams and _belongs(b, f, limits)]
    if not found:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "No steady beat was heard beside streams and clocks.",
            fixes=(CHECK.unproven,),
        )
    others = _witnesses(pairs)
    judged = [_hold_against_others(beat, flow, others) for beat, flow in found]
    places: dict[tuple[str, int, int], list[Flow]] = defaultdict(list)
    for flow in facts.tally.flows:
        places[_place(flow)].append(flow)
    measured = {
        "beats_followed": len(judged),
        "missing_frames": sum(j.beat.missing for j in judged),
        "late_frames": sum(j.beat.late for j in judged),
        "longest_wait_ms": round(1000 * max(j.beat.longest_wait_s for j in judged), 3),
    }
    missing = [j for j in judged if _misses(j, limits)]
    late = [j for j in judged if j not in missing and _comes_late(j, limits)]
    stopped = [j for j in judged if _stopped(j, facts, places, limits)]
    if not missing and not late and not stopped:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{'1 steady flow keeps its' if len(judged) == 1 else f'{len(judged)} steady flows keep their'} beat.",
            evidence=tuple(
                Evidence(f"{_named(j)}: {_pace(j.beat)}", frame=j.flow.first_frame, time_s=j.flow.first_s)
                for j in judged[:SHOWN]
            ),
            measured=measured,
            limits=limits,
        )
    # Where everything paused at once no sender is named.
    common = [j for j in missing + late if j.pauses and not any(pause.alone for pause in j.pauses)]
    own = [j for j in missing if j not in common]
    tardy = [j for j in late if j not in common]
    dropped = facts.source.dropped
    outcome = Outcome.CAUTION
    words: list[str] = []
    evidence: list[Evidence] = []
    if own:
        own.sort(key=lambda j: -j.missing_share)
        lost = sum(j.beat.missing for j in own)
        head = f"{_frames(lost)} of {_flows(len(own))} missing"
        if dropped:
            outcome = Outcome.UNPROVEN
            head += f", but the capture itself dropped {count_text(dropped)} frames"
        elif facts.source.malformed:
            head += "; records of the capture are damaged, so that they may have been there"
        elif not any(j.witnessed for j in own) and dropped is None:
            head += "; nothing else here beats quickly enough to tell whether only the capture paused"
        elif any(_fails(j, limits) for j in own):
            outcome = Outcome.FAIL
        words.append(f"{head}.")
        evidence += [_missed(j) for j in own[:SHOWN]]
    if common:
        pause = max((p for j in common for p in j.pauses), key=lambda p: p.end_s - p.start_s)
        words.append(
            f"Most beats missed at the same time, for up to {1000 * (pause.end_s - pause.start_s):.0f} ms: the capture "
            "paused, or the link here."
        )
        evidence.append(
            Evidence(
                f"{_flows(len(common))} paused together with the other senders",
                frame=pause.frame,
                time_s=pause.start_s,
            )
        )
    if tardy:
        words.append(f"Frames of {_flows(len(tardy))} come late, in bunches.")
        evidence += [
            Evidence(
                f"{_named(j)}: {_frames(j.beat.late)} late; the longest wait was {1000 * j.beat.longest_wait_s:.0f} ms, "
                f"the beat is {_time(j.beat.period_s)}",
                frame=j.beat.longest_wait_frame,
                time_s=j.beat.longest_wait_at_s,
            )
            for j in tardy[:SHOWN]
        ]
    if stopped:
        words.append(f"{_flows(len(stopped)).capitalize()} stopped while others went on.")
        evidence += [_stop(j) for j in stopped[:SHOWN]]
    spans = [(p.start_s, p.end_s) for j in own + common for p in j.pauses]
    spans += [(j.beat.longest_wait_at_s, j.beat.longest_wait_at_s + j.beat.longest_wait_s) for j in tardy]
    spans += [(j.flow.last_s, facts.source.duration_s) for j in stopped]
    unproven = outcome == Outcome.UNPROVEN and len(words) == 1
    if outcome == Outcome.UNPROVEN and not unproven:
        outcome = Outcome.CAUTION
    return Finding(
        CHECK.name,
        outcome,
        " ".join(words[:2]),
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=("Capture again with nothing else running on that computer.",) if unproven else CHECK.fixes,
        cautions=() if unproven else CHECK.cautions,
        spans=tuple(sorted(set(spans))),
    )


def _belongs(beat: Beat, flow: Flow, limits: dict[str, float]) -> bool:
    """Whether it is a beat of the rig: steady, known from enough beats, and neither discovery nor addressing."""
    if flow.discovery or flow.clock or flow.ethertype in NOT_JUDGED or flow.ethertype < 1536:
        return False
    if flow.protocol is not None and (
        flow.protocol != 17 or flow.destination_port in PORTS or flow.source_port in PORTS
    ):
        return False
    young = beat.beats < ESTABLISHED
    return (
        limits["shortest_us"] * 0.9e-6 <= beat.period_s <= limits["longest_s"] * 1.1
        and beat.beats >= (limits["least_beats"] if flow.cast != "unicast" else ESTABLISHED)
        and beat.missing < (NOT_A_YOUNG_BEAT if young else NOT_A_BEAT) * beat.beats * beat.per_beat
    )


def _witnesses(pairs: list[tuple[Beat, Flow]]) -> list[tuple[Beat, Flow]]:
    """The two quickest beats of each sender, and not too many: a flood of senders must not stall the judging."""
    chosen: dict[str, list[tuple[Beat, Flow]]] = defaultdict(list)
    for beat, flow in sorted(pairs, key=lambda pair: pair[0].period_s):
        if len(chosen[flow.source]) < 2:
            chosen[flow.source].append((beat, flow))
    return [pair for several in chosen.values() for pair in several][:MOST_WITNESSES]


def _hold_against_others(beat: Beat, flow: Flow, pairs: list[tuple[Beat, Flow]]) -> Judged:
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


def _events(beat: Beat) -> list[tuple[float, float, MissingBeats]]:
    return [
        (event.after_s, event.after_s + (math.ceil(event.frames / beat.per_beat) + 1) * beat.period_s, event)
        for event in beat.events
    ]


def _paused(beat: Beat, start: float, end: float) -> bool:
    """Whether a beat missed frames, or waited, for at least half of that time."""
    spells = [(s, e) for s, e, _ in _events(beat)]
    spells.append((beat.longest_wait_at_s, beat.longest_wait_at_s + beat.longest_wait_s))
    return any(min(e, end) - max(s, start) >= 0.5 * (end - start) for s, e in spells)


def _misses(judged: Judged, limits: dict[str, float]) -> bool:
    """Whether it misses more than an ordinary computer's short pause, as it makes when a program starts."""
    beat = judged.beat
    if not beat.missing:
        return False
    short = all(
        event.frames / beat.per_beat * beat.period_s <= limits["natural_ms"] / 1000 for event in beat.events
    )
    return not (short and len(beat.events) <= 2 and judged.missing_share < limits["fail_share"])


def _fails(judged: Judged, limits: dict[str, float]) -> bool:
    """Unicast between programs changes its pace for reasons of its own: it never fails."""
    alone = [pause for pause in judged.pauses if pause.alone]
    lost = sum(pause.frames for pause in alone)
    if len(judged.pauses) == EVENT_ROOM:
        lost += judged.beat.missing - sum(pause.frames for pause in judged.pauses)
    expected = judged.beat.beats * judged.beat.per_beat
    return (
        judged.flow.cast != "unicast"
        and lost >= limits["fail_share"] * expected
        and (len(alone) >= 2 or lost >= 10 * judged.beat.per_beat)
    )


def _comes_late(judged: Judged, limits: dict[str, float]) -> bool:
    beat = judged.beat
    return beat.late >= limits["late_share"] * beat.beats * beat.per_beat or beat.longest_wait_s >= max(
        limits["wait_periods"] * beat.period_s, limits["wait_ms"] / 1000
    )


def _stopped(
    judged: Judged, facts: Facts, places: dict[tuple[str, int, int], list[Flow]], limits: dict[str, float]
) -> bool:
    assert facts.source is not None and facts.tally is not None
    beat, flow = judged.beat, judged.flow
    if beat.beats < ESTABLISHED or flow.cast == "unicast" or beat.stops > 2:  # what stops often is meant to
        return False
    if beat.stops:
        return beat.longest_stop_s > 1.1 * facts.tally.rates.longest_gap_s
    before = flow.first_s <= AT_THE_START_S or flow.last_s - flow.first_s >= LONG_ENOUGH_S
    gone = facts.source.duration_s - flow.last_s >= max(limits["ended_s"], 20 * beat.period_s)
    # Another sender may go on with the same, as a spare engine does.
    return (
        before
        and gone
        and not any(
            other.source != flow.source and other.last_s > flow.last_s + 0.5 for other in places[_place(flow)]
        )
    )


def _place(flow: Flow) -> tuple[str, int, int]:
    return flow.destination, flow.ethertype, flow.destination_port


def _stop(judged: Judged) -> Evidence:
    if judged.beat.stops:
        return Evidence(f"{_named(judged)} stopped for {judged.beat.longest_stop_s:.1f} s, then went on")
    return Evidence(
        f"{_named(judged)} stopped at {judged.flow.last_s:.1f} s and did not come back",
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
        f"{_named(judged)}: {count_text(beat.missing)} of {count_text(beat.beats * beat.per_beat)} frames missing {places}"
        + (f", up to {longest.frames} at once" if longest and longest.frames > 1 else "")
        + f" ({_pace(beat)})",
        frame=longest.frame if longest else None,
        time_s=longest.start_s if longest else None,
    )


def _named(judged: Judged) -> str:
    flow = judged.flow
    name = what(flow) if flow.protocol is not None else f"{what(flow)} to {flow.destination}"
    return f"{name} from {who(flow.source, flow.source_ip)}"


def _pace(beat: Beat) -> str:
    several = f"{beat.per_beat} frames " if beat.per_beat > 1 else ""
    return f"{several}every {_time(beat.period_s)}"


def _time(seconds: float) -> str:
    if seconds < 0.001:
        return f"{seconds * 1e6:.0f} us"
    return f"{seconds * 1000:.3g} ms" if seconds < 1 else f"{seconds:.2f} s"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count_text(count)} frames"


def _flows(count: int) -> str:
    return "1 steady flow" if count == 1 else f"{count} steady flows"
