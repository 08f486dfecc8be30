"""Whether streams come whole, in order and in time: RTP, and whatever else counts its packets.

Strategy: the tally has followed the numbers of each stream, and of RTP the timestamps. A packet that is
missing was lost by the network, by its sender, or by the capture. So what hits every stream of several
senders alike, or falls into a time in which no frame at all came, is laid to the capture or to this one port
and gets a caution; what the capture admits to have dropped is unproven. A stream that begins or ends has lost
nothing, nor has one that nobody wanted meanwhile (`see/wanted.py`). One that ends for good is told, and fails
where its sender fell silent with it. It is in order where its announcement was taken back, or the last who
wanted it here left its group just then. One that comes back is told as such.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, counted, first_upper
from preflight.checks.says import Limits, Measured, Saw, Says, Span, caution, passed, trouble, unproven
from preflight.checks.see.membership import groups
from preflight.checks.see.streams import (
    SEEN_WHERE,
    SPEECH_HZ,
    AnyStream,
    HeardAny,
    all_streams,
    called,
    layout,
    lost_packets,
    names,
    place,
    titles,
)
from preflight.checks.see.worn import where
from preflight.checks.step import managed, now
from preflight.tally.facts import RtpStream
from preflight.wire.igmp import IgmpMessage
from preflight.wire.sap import SapMessage

WHERE = (
    "Find out whether one box loses packets or all do. One: swap its cable, then its switch port. "
    "All: look at the cable between the switches, and at this computer's."
)
COUNTERS = managed(
    now(
        "Read the error counters of those ports. CRC errors mean a bad cable, plug or fibre. Drops mean a "
        "full port."
    )
)
BUFFER = (
    "Packets whole but uneven: raise the receive buffer (link offset) of the receivers above the value shown."
)
STOPPED = now(
    "A stream that stopped: see that its sender has power and link, and that the stream is switched on."
)
TWICE = now(
    "Packets twice, or out of order: look for a second way between the switches, or a cable too many."
)
BEGINS_ANEW = now(
    "A stream that begins anew: was its sender restarted by hand? Else see its power, its link's lamp and "
    "its cable; one that restarts by itself goes to repair."
)
CLOCK_SET = now(
    "Timestamps that jump: see in the sender whether it follows the PTP clock all the time. It was set to "
    "another time, or began anew."
)
CAPTURE_AGAIN = now("Capture again on a computer with nothing else running, to a fast disk.")

FEW_LOST, FEW_MIXED = 3, 10  # packets; a share of fewer tells nothing. Common practice.

CHECK = Check(
    name="stream-health",
    subject="wire",
    order=370,
    asks=Wire,
    watch="caution",
    soak="run",
    question="Do the audio streams come whole, in order and in time?",
    looks_at=(
        "Streams by RTP, and any other whose frames hold a counter: packets missing, late or doubled by "
        "their numbers; the longest gap. Of RTP also how unevenly packets come against their own "
        "timestamps, jumps of these, packet time, sample rate and channels."
    ),
    why="A lost packet is a click or a gap in the audio. One that comes later than the receiver waits is "
    "lost too.",
    limits=(
        Limit("fail_lost", 10, "packets lost of one stream", "common practice: each can be heard"),
        Limit("fail_share", 0.001, f"share of a stream lost, from {FEW_LOST} packets on", "common practice"),
        Limit("caution_lost", 1, "packets lost of one stream", "common practice"),
        Limit("late_share", 0.001, f"share out of order, from {FEW_MIXED} packets on", "common practice"),
        Limit(
            "doubled_share", 0.01, f"share that comes again, from {FEW_MIXED} packets on", "common practice"
        ),
        Limit(
            "sure_packets", 3, "packet times that each receiver has to even out", "AES67 7.6 (from memory)"
        ),
        Limit(
            "buffer_packets",
            20,
            "packet times that receivers are advised to even out",
            "AES67 7.6 (from memory)",
        ),
        Limit(
            "buffer_ms", 20, "ms that receivers are advised to even out at most", "AES67 7.6 (from memory)"
        ),
        Limit("least_buffer_ms", 5, "ms that the clock of a capture may add by itself", "common practice"),
        Limit("pause_s", 0.1, "seconds between two packets of a stream", "common practice"),
        Limit("ended_s", 1, "seconds before the end after which a stream has stopped", "common practice"),
    ),
    sources=(
        "RFC 3550 A.1: sequence numbers; A.3: loss; A.8: jitter",
        "Own method: `preflight/tally/counters.py` tells how a counter is found",
        "RFC 3190, RFC 3551: linear audio of 16, 20 and 24 bit",
        "AES67: packet times and receive buffers (from memory)",
    ),
    fixes=(WHERE, COUNTERS, BUFFER, STOPPED, TWICE, AGAIN),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven=SEEN_WHERE,
)

AT_THE_START_S = 0.5  # a stream this early was there before. Common practice.
LONG_ENOUGH_S = 10.0  # a stream that ran so long was no trial. Common practice.
TOGETHER_S = 0.02  # losses so close have one cause. Common practice.
STEADY_BEATS = (
    200  # a beat followed for so long, and whole, shows that the capture did not pause. Common practice.
)
TAKEN_BACK, NOT_WANTED = (
    "its announcement was taken back then",
    "the last who wanted it here left its group then",
)
AGAIN_AND_AGAIN = 3  # times; fewer are a hand at the sender. Common practice.
# A capture that loses as the streams did would have lost so many Syncs: by chance it loses none once in a
# thousand times. A link less full than that in its busiest second has room. Common practice.
WOULD_MISS, ROOM = 7, 0.5
VIDEO_HZ = 90000  # RFC 3551 section 5
SELDOM = 100  # packets for each jump of the timestamps, at the least. Common practice.
# seconds between a word that a stream ends, or is not wanted any more, and its end. Common practice.
LET_GO_S = 10.0
SHOWN = 5


def judge(wire: Wire, limits: Limits) -> Says:
    heard = all_streams(wire)
    if not heard:
        yield unproven("No stream was heard that counts its packets.")
        return
    ended = _ended(heard, wire, limits)
    let_go = _let_go(ended, wire)
    in_order = [h for h in ended if h[0].first_frame in let_go]
    yield Measured(
        _figures(wire, heard),
        tuple(
            _each(
                in_order,
                wire,
                lambda s, _: f" stopped at {s.last_s:.1f} s; {let_go[s.first_frame]}",
                lambda s: (None, s.last_s),
            )
        ),
    )
    yield from _losses(heard, wire, limits)
    yield from _pauses(heard, wire, limits)
    yield from _stops([h for h in ended if h not in in_order], heard, wire, limits)
    yield from _returns(heard, wire, limits)
    yield from _unevenness(heard, wire, limits)
    yield from _jumps(heard, wire)
    yield from _disorder(heard, wire, limits)
    yield from _doubles(heard, wire, limits)
    known = names(wire)
    yield passed(
        f"{counted(len(heard), 'stream')} heard, whole and in order.{_buffer(heard)}",
        _each(
            heard,
            wire,
            lambda s, flow: f": {layout(s, known.get(place(flow)))}",
            lambda s: (s.first_frame, s.first_s),
        ),
    )


def _losses(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    lossy = sorted((h for h in heard if h[0].lost >= limits["caution_lost"]), key=lambda h: -_share(h[0]))
    if not lossy:
        return
    lost = sum(stream.lost for stream, _ in lossy)
    excused = _not_the_network(lossy, heard, wire)
    head = f"{counted(lost, 'packet')} of {titles(lossy, heard, names(wire), '' if excused else 'worst')} missing"
    evidence = _each(
        lossy,
        wire,
        lambda s, _: (
            f" lost {count_text(s.lost)} of {count_text(s.expected)} packets"
            # Of a longer jump than what is lost some came late.
            + (f", {count_text(s.longest_loss)} of them in a row" if 1 < s.longest_loss <= s.lost else "")
        ),
        lambda s: (s.longest_loss_frame, s.longest_loss_s),
    )
    spans = [span for stream, _ in lossy for span in _missing_spans(stream)]
    fixes = (_where(lossy, heard, ("loses packets", "lose packets")), COUNTERS, AGAIN)
    if wire.source.dropped:
        yield _dropped(head, wire, evidence)
    elif excused:
        yield caution(f"{head}; {excused}.", evidence, spans=spans, fixes=fixes)
    else:
        failed = any(
            s.lost >= limits["fail_lost"] or (s.lost >= FEW_LOST and _share(s) >= limits["fail_share"])
            for s, _ in lossy
        )
        yield trouble(
            Outcome.FAIL if failed else Outcome.CAUTION, f"{head}.", evidence, spans=spans, fixes=fixes
        )


def _where(hit: list[HeardAny], heard: list[HeardAny], does: tuple[str, str]) -> str:
    """Where to look. What is worn hits all streams of a sender: where one was spared that should have been
    hit, too, this tells nothing."""
    theirs = {flow.source for _, flow in hit}
    least = min(_share(stream) for stream, _ in hit)
    spared = any(
        h not in hit and h[1].source in theirs and (not least or h[0].expected * least >= WOULD_MISS)
        for h in heard
    )
    senders = (flow.source for _, flow in heard)
    return (not spared and where((flow.source for _, flow in hit), senders, does)) or WHERE


def _missing_spans(stream: AnyStream) -> list[Span]:
    """The stretches in which packets are missing; beyond those that are kept, all from the last of them on is
    one."""
    spans = [loss.span for loss in stream.first_losses]
    if stream.losses > len(spans) and spans and stream.last_loss_s is not None:
        spans[-1] = (spans[-1][0], stream.last_loss_s)
    return spans


def _not_the_network(lossy: list[HeardAny], heard: list[HeardAny], wire: Wire) -> str:
    """Why the capture, not the network, may have lost these packets; "" where nothing says so."""
    if wire.source.malformed:
        return f"{count_text(wire.source.malformed)} records of the capture are damaged, so that they may have been there"
    start, hole = wire.tally.rates.longest_gap_at_s, wire.tally.rates.longest_gap_s
    if all(
        s.losses == 1
        and s.longest_loss_s is not None
        and start <= s.longest_loss_s <= start + hole + TOGETHER_S
        and s.longest_loss * (s.packet_time_s or hole) <= hole
        for s, _ in lossy
    ):
        return f"no frame at all came then for {hole * 1000:.0f} ms: the capture paused, or the link here did"
    if wire.source.dropped == 0 and wire.vantage != "mirror":
        return ""  # the capturing system has counted, and lost none
    senders = {flow.source for _, flow in heard}
    whole = any(b.beats >= STEADY_BEATS and not b.missing and not b.stops for b in wire.tally.periodic)
    whole = whole or _clock_came(lossy, wire)
    if len(senders) > 1 and len(lossy) == len(heard) and not whole:
        return "every stream of every sender lost some, so it was this one port, or the capture"
    return ""


def _clock_came(lossy: list[HeardAny], wire: Wire) -> bool:
    """Whether all messages of a clock came through a link with room to spare while packets were lost one by
    one: neither the capture nor a port too full for a mirror chooses among them."""
    least = min(_share(stream) for stream, _ in lossy)
    crowded = 8 * wire.tally.rates.peaks["bytes"].in_1s > ROOM * wire.link_mbps * 1e6
    if crowded or any(2 * stream.losses < stream.lost for stream, _ in lossy):
        return False
    syncs = (port for port in wire.tally.clocks if port.kind == "Sync" and -8 < port.interval_log2 < 5)
    return any(
        port.count * least >= WOULD_MISS and port.longest_interval_s < 1.6 * 2.0**port.interval_log2
        for port in syncs
    )


def _pauses(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    paused = [
        h
        for h in heard
        if h[0].longest_wait_s >= limits["pause_s"] and not h[0].lost and not _as_it_needs(h[0])
    ]
    if not paused:
        return
    paused.sort(key=lambda h: -h[0].longest_wait_s)
    longest_s = paused[0][0].longest_wait_s
    alike = longest_s <= wire.tally.rates.longest_gap_s + TOGETHER_S
    head = f"{first_upper(titles(paused, heard, names(wire), '' if alike else 'longest'))} paused"
    evidence = _each(
        paused,
        wire,
        lambda s, _: f" paused for {s.longest_wait_s:.2f} s{', and began anew' if s.restarts else ''}",
        lambda s: (s.longest_wait_frame, s.longest_wait_at_s),
    )
    if wire.source.dropped:
        yield _dropped(head, wire, evidence)
        return
    yield caution(
        f"{head}, and so did everything: the capture, or the link here."
        if alike
        else f"{head} for up to {longest_s:.2f} s.",
        evidence,
        spans=[(s.longest_wait_at_s - s.longest_wait_s, s.longest_wait_at_s) for s, _ in paused],
        fixes=(_where(paused, heard, ("pauses", "pause")), COUNTERS, AGAIN),
    )


def _as_it_needs(stream: AnyStream) -> bool:
    """Whether a stream sends when it has something to send: notes and commands, by a clock of their own; and
    speech in packets of any size, of which a speaker's silence needs none."""
    if not isinstance(stream, RtpStream) or stream.clock_hz == VIDEO_HZ:
        return False
    return (stream.clock_hz is None and stream.packet_stamps is None) or not stream.media_bytes


def _dropped(head: str, wire: Wire, evidence: list[Evidence]) -> Saw:
    """What the capture admits to have dropped may be what is missing."""
    dropped = counted(wire.source.dropped or 0, "frame")
    return unproven(f"{head}, but the capture itself dropped {dropped}.", evidence, fixes=(CAPTURE_AGAIN,))


def _ended(heard: list[HeardAny], wire: Wire, limits: Limits) -> list[HeardAny]:
    """Streams that were more than a trial, and are over."""
    by_place: dict[tuple[str, int], list[HeardAny]] = defaultdict(list)
    for stream, flow in heard:
        by_place[place(flow)].append((stream, flow))
    end = wire.source.duration_s
    ended = [
        (stream, flow)
        for stream, flow in heard
        if not _as_it_needs(stream)
        and stream.last_s <= end - max(limits["ended_s"], 4 * max(stream.longest_wait_s, _still_s(stream)))
        and (stream.first_s <= AT_THE_START_S or stream.last_s - stream.first_s >= LONG_ENOUGH_S)
        # Another source may send on to the same place, and the same one begins anew.
        and not any(
            later.last_s > stream.last_s and (later.first_s <= stream.last_s + 1 or by.source == flow.source)
            for later, by in by_place[place(flow)]
        )
    ]
    return sorted(ended, key=lambda h: h[0].last_s)


def _stops(ended: list[HeardAny], heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    if not ended:
        return
    end = wire.source.duration_s
    gone = [h for h in ended if _silent_since(h, wire, limits["ended_s"])]
    ended.sort(key=lambda h: (h not in gone, h[0].last_s))
    last_s = [stream.last_s for stream, _ in ended]
    together = len(ended) == len(heard) > 1 and max(last_s) - min(last_s) <= TOGETHER_S * 5
    headline = f"{first_upper(titles(ended, heard, names(wire), '' if together else 'worst'))} stopped"
    if together:
        headline += " together: look at this port and the cable between the switches"
    elif gone:
        headline += f", and {'its sender is' if len(gone) == 1 else 'their senders are'} not heard any more"
    yield trouble(
        Outcome.FAIL if gone else Outcome.CAUTION,
        f"{headline}.",
        _each(
            ended,
            wire,
            lambda s, f: (
                f" stopped at {s.last_s:.1f} s"
                + ("" if (s, f) in gone else "; its sender still talks: was it stopped by hand?")
            ),
            lambda s: (None, s.last_s),
        ),
        culprits=dict.fromkeys(flow.source for _, flow in gone if flow.source),
        spans=[(stream.last_s, end) for stream, _ in ended],
        fixes=(STOPPED, WHERE, AGAIN),
    )


def _returns(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    """Streams that their senders ended and began anew. One call after the other is no such thing."""
    by_sender: dict[tuple[object, str], list[HeardAny]] = defaultdict(list)
    for stream, flow in heard:
        if not (isinstance(stream, RtpStream) and stream.clock_hz in SPEECH_HZ):
            by_sender[place(flow), flow.source].append((stream, flow))
    breaks = []
    for turns in by_sender.values():
        turns.sort(key=lambda h: h[0].first_s)
        gaps = [
            (a.last_s, b.first_s)
            for (a, _), (b, _) in pairwise(turns)
            if b.first_s - a.last_s >= limits["ended_s"]
        ]
        if gaps:
            breaks.append((turns[0], gaps))
    if not breaks:
        return
    known, of = names(wire), [turns[0] for turns in by_sender.values()]
    breaks.sort(key=lambda each: -len(each[1]))
    most, longest_s = len(breaks[0][1]), max(b - a for _, gaps in breaks for a, b in gaps)
    often = f"again and again, {most} times" if most >= AGAIN_AND_AGAIN else f"after {longest_s:.1f} s"
    yield caution(
        f"{first_upper(titles([first for first, _ in breaks], of, known))} stopped and began anew {often}.",
        [
            Evidence(
                f"{called(flow, known)} began anew {counted(len(gaps), 'time')}, "
                f"after {gaps[0][1] - gaps[0][0]:.1f} s at first",
                time_s=gaps[0][0],
            )
            for (_, flow), gaps in breaks[:SHOWN]
        ],
        culprits=[flow.source for (_, flow), gaps in breaks if len(gaps) >= AGAIN_AND_AGAIN][:16],
        spans=sorted(gap for _, gaps in breaks for gap in gaps)[:16],
        fixes=(BEGINS_ANEW, WHERE, AGAIN),
    )


def _still_s(stream: AnyStream) -> float:
    return stream.longest_still_s if isinstance(stream, RtpStream) else 0.0


def _let_go(ended: list[HeardAny], wire: Wire) -> dict[int, str]:
    """What was said near their ends that lets streams end in order, by their first frames."""
    announced = (m for m in wire.heard(SapMessage) if not m.deletion)
    sessions = {(m.origin, m.number): m.session for m in announced}
    said: dict[object, list[tuple[float, str]]] = defaultdict(list)
    for message in wire.heard(SapMessage):
        session = sessions.get((message.origin, message.number)) if message.deletion else None
        for media in session.media if session else ():
            said[media.group, media.port].append((message.seen.time_s, TAKEN_BACK))
    wanted = groups(wire)
    for report in wire.heard(IgmpMessage):
        for group in report.left:
            if group in wanted and not wanted[group].members:
                said[group].append((report.seen.time_s, NOT_WANTED))
    return {
        stream.first_frame: words
        for stream, flow in ended
        for at_s, words in said[place(flow)] + said[flow.destination_ip]
        if abs(at_s - stream.last_s) <= LET_GO_S
    }


def _silent_since(heard: HeardAny, wire: Wire, ended_s: float) -> bool:
    """Whether nothing at all came from a stream's sender since it stopped: it lost power, its link or its way
    here."""
    stream, flow = heard
    last_s = max((t.last_s for t in wire.tally.talkers if t.hardware == flow.source), default=stream.last_s)
    return last_s < stream.last_s + ended_s


def _unevenness(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    """What comes more unevenly than every receiver has to even out. A pause or a loss is told as such."""
    uneven = [
        h
        for h in heard
        if _spread(h[0]) > _held(h[0], limits["sure_packets"], limits)
        and h[0].longest_wait_s < limits["pause_s"]
        and not h[0].lost
    ]
    if not uneven:
        return
    uneven.sort(key=lambda h: -_spread(h[0]))
    at = [stream.delay_spread_at_s for stream, _ in uneven]
    many = len(uneven) == len(heard) > 1 and max(at) - min(at) <= 1
    if many and all(_spread(s) <= _held(s, limits["buffer_packets"], limits) for s, _ in uneven):
        return  # as a computer that captures does now and then
    worst = uneven[0][0]
    needs, has = 1000 * _spread(worst), limits["sure_packets"] * 1000 * (worst.packet_time_s or 0.0)
    yield caution(
        f"Packets come unevenly: {titles(uneven, heard, names(wire), '' if many else 'worst')} "
        f"{'needs' if len(uneven) == 1 else 'need'} a receive "
        f"buffer of up to {needs:.{0 if round(needs) > has else 2}f} ms"
        + (f"; each receiver has to have {has:.2g} ms (AES67)" if 0 < has < limits["buffer_ms"] else "")
        + (
            ", all at the same time, as when the capturing computer or this link holds frames back."
            if many
            else "."
        ),
        _each(
            uneven,
            wire,
            lambda s, _: (
                f" needs {1000 * _spread(s):.1f} ms of receive buffer"
                + (f" (jitter up to {1000 * jitter:.2f} ms)" if (jitter := _jitter(s)) is not None else "")
            ),
            lambda s: (None, s.delay_spread_at_s),
        ),
        spans=[(max(time - 1, 0.0), time) for time in at],
        fixes=(BUFFER, AGAIN),
    )


def _jumps(heard: list[HeardAny], wire: Wire) -> Iterator[Saw]:
    """Streams whose timestamps jump though their packets go on: receivers that play by the clock fall silent.
    Where they jump all the time they mean something else."""
    jumped = [
        (stream, flow)
        for stream, flow in heard
        if isinstance(stream, RtpStream) and 0 < SELDOM * stream.stamp_jumps <= stream.received
    ]
    known = names(wire)
    if jumped:
        yield caution(
            f"The timestamps of {titles(jumped, heard, known)} jumped while packets went on.",
            [
                Evidence(
                    f"{called(flow, known)} jumped by {s.stamp_jump / (s.clock_hz or 48000):+.3g} s"
                    + (f", {counted(s.stamp_jumps, 'time')} in all" if s.stamp_jumps > 1 else ""),
                    s.stamp_jumped_frame,
                    s.stamp_jumped_s,
                )
                for s, flow in jumped[:SHOWN]
            ],
            culprits=dict.fromkeys(flow.source for _, flow in jumped if flow.source),
            fixes=(CLOCK_SET, AGAIN),
        )


def _held(stream: AnyStream, packets: float, limits: Limits) -> float:
    """The seconds that so many packet times are, by what a receiver needs no more than, and a capture adds by
    itself."""
    seconds = min(packets * (stream.packet_time_s or 1.0), limits["buffer_ms"] / 1000)
    return max(seconds, limits["least_buffer_ms"] / 1000)


def _disorder(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    mixed = [h for h in heard if h[0].late >= max(FEW_MIXED, limits["late_share"] * h[0].received)]
    if mixed:
        mixed.sort(key=lambda h: -h[0].late)
        yield caution(
            f"Packets of {titles(mixed, heard, names(wire))} come out of order.",
            _each(mixed, wire, lambda s, _: f": {counted(s.late, 'packet')} came after a later one"),
            fixes=(TWICE, AGAIN),
        )


def _doubles(heard: list[HeardAny], wire: Wire, limits: Limits) -> Iterator[Saw]:
    """A mirror shows each packet twice, which is no fault."""
    doubled = [
        h
        for h in heard
        if h[0].duplicates >= FEW_MIXED and h[0].duplicates > limits["doubled_share"] * h[0].received
    ]
    if not doubled or (
        wire.vantage == "mirror" and all(s.duplicates <= 1.1 * s.received for s, _ in doubled)
    ):
        return
    doubled.sort(key=lambda h: -h[0].duplicates)
    why = "a loop, or two ways to this port"
    if {flow.source for _, flow in heard} - {flow.source for _, flow in doubled}:
        why += ", or a sender that sends all twice"
    yield caution(
        f"Packets of {titles(doubled, heard, names(wire))} come more than once: {why}.",
        _each(
            doubled,
            wire,
            lambda s, _: f": {counted(s.duplicates, 'packet')} came again",
            lambda s: (s.first_frame, None),
        ),
        # Where a flow's packets go round, the time that they do; else all its life.
        spans=[
            (flow.repeats.first_s, flow.repeats.last_s)
            if flow.repeats is not None
            else (stream.first_s, stream.last_s)
            for stream, flow in doubled
        ],
        fixes=(TWICE, AGAIN),
    )


def _each(
    some: list[HeardAny],
    wire: Wire,
    says: Callable[..., str],
    seen: Callable[[AnyStream], tuple[int | None, float | None]] = lambda _: (None, None),
) -> list[Evidence]:
    """The first of `some` by name, with what is to be said of each and the frame and time of it; how many
    more there are."""
    known = names(wire)
    shown = [
        Evidence(called(flow, known) + says(stream, flow), *seen(stream)) for stream, flow in some[:SHOWN]
    ]
    return shown + [Evidence(f"and {counted(len(some) - SHOWN, 'more stream')}")] * (len(some) > SHOWN)


def _figures(wire: Wire, heard: list[HeardAny]) -> dict[str, object]:
    streams = [stream for stream, _ in heard]
    return {
        "streams": len(streams),
        "packets_expected": sum(s.expected for s in streams),
        "packets_lost": lost_packets(wire),
        "longest_loss_packets": max(s.longest_loss for s in streams),
        "late": sum(s.late for s in streams),
        "duplicates": sum(s.duplicates for s in streams),
        "longest_wait_ms": _most_ms(s.longest_wait_s for s in streams),
        "most_jitter_ms": _most_ms(map(_jitter, streams)),
        "receive_buffer_ms": _most_ms(_spread(s) if s.delay_spread_s is not None else None for s in streams),
    }


def _most_ms(seconds: Iterable[float | None]) -> float | None:
    most = max((each for each in seconds if each is not None), default=None)
    return None if most is None else round(1000 * most, 3)


def _jitter(stream: AnyStream) -> float | None:
    """The largest jitter in seconds, None where no clock was worked out."""
    return (
        stream.most_jitter / stream.clock_hz if stream.most_jitter is not None and stream.clock_hz else None
    )


def _spread(stream: AnyStream) -> float:
    """By how much the delay differs, in seconds; 0 for pictures, whose packets have one timestamp and are
    sent one after the other."""
    video = isinstance(stream, RtpStream) and stream.clock_hz == VIDEO_HZ
    return 0.0 if video else stream.delay_spread_s or 0.0


def _buffer(heard: list[HeardAny]) -> str:
    """What holds them all: the spread of their delay, and the longest wait but for the packet that was
    due."""
    holds = [
        max(_spread(s), s.longest_wait_s - (s.packet_time_s or s.longest_wait_s))
        for s, _ in heard
        if s.delay_spread_s is not None
    ]
    return f" A receive buffer (link offset) of {1000 * max(holds):.1f} ms holds them." if holds else ""


def _share(stream: AnyStream) -> float:
    return stream.lost / max(stream.expected, 1)
