"""Senders that fall silent and come back, again and again: a plug that does not sit, a worn cable, a switch
that restarts.

Strategy: the numbers of a sender's streams tell it. They went on while nothing of it came, so that it kept
its power and went on sending. That counts only where all its streams were away at once and it said nothing
else in that time: one stream alone has another cause. Senders that were away at the same times share what
lies between them and here. Where no frame at all came, it is this port, or the capture.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, IN_TIME, Check, Explains, Limit
from preflight.checks.say import counted, who
from preflight.checks.says import Limits, Saw, Says, Span, caution, fail, passed, unproven
from preflight.checks.see.silence import was_silent
from preflight.checks.see.streams import SEEN_WHERE, AnyStream, all_streams
from preflight.checks.step import managed, now
from preflight.tally.facts import ClockPort

FLAPS = managed(now("Read in the switches how often the link of that port went down."))
ONE = (
    now("Look at the lamp of its port at the switch: does it go out now and then?"),
    FLAPS,
    "Push its plugs in at both ends until they click.",
    "Still away? Swap its cable, then use another switch port, then swap its adapter, if any, then the box.",
    AGAIN,
)
SEVERAL = (
    now("Find what they share: a switch, its power, and the cable to it. Do its lamps go out now and then?"),
    FLAPS,
    "Push the plugs of that switch and that cable in until they click.",
    "Still away? Swap the cable between the switches, then use another port at each end.",
    AGAIN,
)
HERE = (
    now("See that the switch that this computer is at keeps its power."),
    now("Close what else runs on this computer: it may have kept the capture waiting."),
    FLAPS,
    "Push this computer's plugs in until they click.",
    "Still so? Swap its cable, then its adapter, and use another switch port.",
    AGAIN,
)

CHECK = Check(
    name="falls-silent",
    subject="wire",
    order=315,
    asks=Wire,
    explains=(Explains(IN_TIME, "time"),),
    soak="run",
    question="Does every sender of a stream stay on the network?",
    looks_at="Senders of streams of which nothing at all comes for a while, again and again, although the "
    "numbers of their packets go on.",
    why="A link that comes and goes cuts the audio each time, and the clock with it. It is the cable, a "
    "plug, a port or a switch's power, and it gets worse.",
    limits=(
        Limit(
            "away_s", 0.5, "s without a frame of a sender", "common practice: a link takes longer to come up"
        ),
        Limit("times", 2, "times; once may be a hand at the plug", "common practice"),
    ),
    sources=("RFC 3550 A.1: sequence numbers",),
    fixes=ONE,
    cautions=(CABLE_ROUTE,),
    unproven=SEEN_WHERE,
)
APART_S = 0.3  # so far apart two streams of a sender, or two senders, may stop. Common practice.
WHOLE = 0.9  # of an outage in which no frame came: nothing was heard then. Common practice.
FEW, SHOWN = 2, 8  # senders in a headline, lines below it
MOST = 16  # culprits and stretches that are named


@dataclass
class _Away:
    """Senders, by their hardware addresses, that were away at the same times."""

    senders: list[str]
    spans: list[Span]


def judge(wire: Wire, limits: Limits) -> Says:
    streams: dict[str, list[AnyStream]] = defaultdict(list)
    for stream, flow in all_streams(wire):
        if flow.source:
            streams[flow.source].append(stream)
    if not streams:
        yield unproven("No stream was heard that counts its packets.")
        return
    away = _away(streams, wire, limits)
    for each in away:
        yield _told(each, wire)
    if not away:
        yield passed("No sender of a stream fell silent again and again.")


def _told(away: _Away, wire: Wire) -> Saw:
    named, count = [who(sender) for sender in away.senders[:SHOWN]], len(away.senders)
    longest_s = max(end - start for start, end in away.spans)
    often = f"{counted(len(away.spans), 'time')}, for up to {longest_s:.1f} s"
    evidence = [Evidence(f"they are {', '.join(named)}")] if count > FEW else []
    evidence += [
        Evidence(f"silent for {end - start:.1f} s", time_s=start) for start, end in away.spans[:SHOWN]
    ]
    here = any(was_silent(wire, start, end, WHOLE) for start, end in away.spans)
    fixes: tuple[str, ...] = ONE
    if here:
        headline, fixes = f"Everything fell silent {often}: this port, its switch, or the capture.", HERE
    elif count > 1:
        together = " and ".join(named) if count <= FEW else f"{count} senders"
        headline, fixes = f"{together} fell silent together {often}.", SEVERAL
    else:
        headline = f"{named[0]} fell silent {often}, while its packets counted on."
    if wire.source.dropped:
        dropped = counted(wire.source.dropped, "frame")
        return unproven(f"{headline.rstrip('.')}; but the capture itself dropped {dropped}.", evidence)
    # Where the system counts what it loses, and lost none, the capture did not pause.
    says = caution if here and wire.source.dropped is None else fail
    return says(headline, evidence, culprits=away.senders[:MOST], spans=away.spans[:MOST], fixes=fixes)


def _away(streams: Mapping[str, Sequence[AnyStream]], wire: Wire, limits: Limits) -> list[_Away]:
    """Most senders first."""
    outages = {sender: _outages(theirs, limits["away_s"]) for sender, theirs in streams.items()}
    often = {sender: spans for sender, spans in outages.items() if len(spans) >= limits["times"]}
    spoke = _spoke(wire) if often else {}
    found: list[_Away] = []
    for sender, spans in often.items():
        ticks = [port for port in wire.tally.clocks if port.hardware == sender]
        silent = [span for span in spans if not _said(span, spoke.get(sender, ()), ticks)]
        if len(silent) < limits["times"]:
            continue
        for each in found:
            if len(each.spans) == len(silent) and all(map(_alike, each.spans, silent)):
                each.senders.append(sender)
                break
        else:
            found.append(_Away([sender], silent))
    return sorted(found, key=lambda each: -len(each.senders))


def _outages(streams: Sequence[AnyStream], least_s: float) -> list[Span]:
    """When all streams of a sender that were there before and after were away."""
    first, *others = sorted(streams, key=lambda stream: stream.first_s)
    found = []
    for start, end in _losses(first, least_s):
        there = [s for s in others if s.first_s < start and s.last_s > end]
        if all(any(_alike((start, end), other) for other in _losses(s, least_s)) for s in there):
            found.append((start, end))
    return found


def _losses(stream: AnyStream, least_s: float) -> list[Span]:
    spans = (loss.span for loss in stream.first_losses)
    return [(start, end) for start, end in spans if end - start >= least_s]


def _said(span: Span, spoke: Sequence[float], ticks: Sequence[ClockPort]) -> bool:
    """Whether a sender said something meanwhile: a control frame, or messages of its clock."""
    start, end = span
    return any(start + APART_S < at < end - APART_S for at in spoke) or any(
        port.first_s < start and port.last_s > end and port.longest_interval_s < (end - start) / 2
        for port in ticks
    )


def _alike(one: Span, other: Span) -> bool:
    return abs(one[0] - other[0]) <= APART_S and abs(one[1] - other[1]) <= APART_S


def _spoke(wire: Wire) -> dict[str, list[float]]:
    """When control frames of each sender were read."""
    spoke: dict[str, list[float]] = defaultdict(list)
    for facts in wire.wire.values():
        for fact in facts:
            if (seen := getattr(fact, "seen", None)) is not None:
                spoke[seen.src].append(seen.time_s)
    return spoke
