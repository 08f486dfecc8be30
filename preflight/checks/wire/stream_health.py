"""Whether RTP streams come whole, in order and in time.

Strategy: the tally has followed the sequence numbers and the timestamps of each stream. A packet that is missing was lost
by the network, by its sender, or by the capture. So what hits every stream of several senders alike, or falls into a time in
which no frame at all came, is laid to the capture or to this one port and gets a caution; what the capture admits to have
dropped is unproven. A stream that begins or ends has lost nothing; one that ends for good while others go on is told.
"""

from collections import defaultdict

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text
from preflight.checks.see.streams import SEEN_WHERE, called, heard_streams, layout, names, place
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow, RtpStream

WHERE = (
    "Find out whether one box loses packets or all do. One: swap its cable, then its switch port. "
    "All: look at the cable between the switches, and at this computer's."
)
COUNTERS = "Read the error counters of those switch ports. CRC errors mean a bad cable, plug or fibre. Drops mean a full port."
BUFFER = (
    "Packets whole but uneven: raise the receive buffer (link offset) of the receivers above the value shown."
)
STOPPED = "A stream that stopped: see that its sender has power and link, and that the stream is switched on."
TWICE = "Packets twice, or out of order: look for a second way between the switches, or a cable too many."
AGAIN = "Run the line check again."

CHECK = Check(
    name="stream-health",
    subject="wire",
    order=370,
    asks=View,
    watch="caution",
    soak="run",
    question="Do the audio streams come whole, in order and in time?",
    looks_at=(
        "RTP streams: packets missing, late or doubled by their sequence numbers; how unevenly they come against their own "
        "timestamps; the longest gap. Packet time, sample rate and channels are worked out."
    ),
    why="A lost packet is a click or a gap in the audio. One that comes later than the receiver waits is lost too.",
    limits=(
        Limit("fail_lost", 10, "packets lost of one stream", "common practice: each can be heard"),
        Limit(
            "fail_share",
            0.001,
            "share of a stream lost, from 3 packets on",
            "common practice: each can be heard",
        ),
        Limit("caution_lost", 1, "packets lost of one stream", "common practice"),
        Limit("late_share", 0.001, "share of a stream out of order, from 10 packets on", "common practice"),
        Limit("doubled_share", 0.01, "share of a stream that comes again", "common practice"),
        Limit(
            "buffer_packets",
            20,
            "packet times that a receiver can even out, and at most 20 ms",
            "AES67 (from memory)",
        ),
        Limit("buffer_ms", 20, "ms that a receiver can even out", "AES67 (from memory)"),
        Limit(
            "least_buffer_ms",
            5,
            "ms of unevenness that the clock of a capture may add by itself",
            "common practice",
        ),
        Limit("pause_s", 0.1, "seconds between two packets of a stream", "common practice"),
        Limit("ended_s", 1, "seconds before the end after which a stream has stopped", "common practice"),
    ),
    sources=(
        "RFC 3550 A.1: sequence numbers; A.3: loss; A.8: jitter",
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
SHOWN = 5

Heard = tuple[RtpStream, Flow]


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    heard = heard_streams(facts)
    if not heard:
        return Finding(CHECK.name, Outcome.UNPROVEN, "No RTP stream was heard.", fixes=(SEEN_WHERE,))
    limits = CHECK.values()
    measured = _measured(heard)
    worst, words, evidence, spans = Outcome.PASS, [], [], []
    fixes: list[str] = []
    for found, steps in (
        (_loss, (WHERE, COUNTERS)),
        (_pause, (WHERE, COUNTERS)),
        (_ended, (STOPPED, WHERE)),
        (_unevenness, (BUFFER,)),
        (_order, (TWICE,)),
        (_doubles, (TWICE,)),
    ):
        trouble = found(heard, facts, limits)
        if trouble is None:
            continue
        fixes += [step for step in steps if step not in fixes]
        outcome, headline, shown, when = trouble
        worst = min(worst, outcome, key=_GRAVITY.index)
        words.append(headline)
        evidence += shown
        spans += when
    if worst == Outcome.PASS:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{_streams(len(heard))} heard, whole and in order.{_buffer(heard)}",
            evidence=_layouts(heard, facts),
            measured=measured,
            limits=limits,
        )
    return Finding(
        CHECK.name,
        worst,
        " ".join(words[:2]),
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=(*fixes, AGAIN) if worst != Outcome.UNPROVEN else _CAPTURE_AGAIN,
        cautions=CHECK.cautions if worst != Outcome.UNPROVEN else (),
        spans=tuple(sorted(set(spans))),
    )


_GRAVITY = (Outcome.FAIL, Outcome.CAUTION, Outcome.UNPROVEN, Outcome.PASS)
_CAPTURE_AGAIN = ("Capture again on a computer with nothing else running, to a fast disk.",)
Trouble = tuple[Outcome, str, list[Evidence], list[tuple[float, float]]]


def _loss(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    assert facts.source is not None
    lossy = sorted((h for h in heard if h[0].lost >= limits["caution_lost"]), key=lambda h: -_share(h[0]))
    if not lossy:
        return None
    named = names(facts)
    evidence = []
    for stream, flow in lossy[:SHOWN]:
        run = f", {count_text(stream.longest_loss)} of them in a row" if stream.longest_loss > 1 else ""
        evidence.append(
            Evidence(
                f"{called(flow, named)} lost {count_text(stream.lost)} of {count_text(stream.expected)} packets{run}",
                frame=stream.longest_loss_frame,
                time_s=stream.longest_loss_s,
            )
        )
    if len(lossy) > SHOWN:
        evidence.append(Evidence(f"and {len(lossy) - SHOWN} more streams"))
    spans = [span for stream, _ in lossy for span in _when(stream)]
    lost = sum(stream.lost for stream, _ in lossy)
    head = f"{_packets(lost)} of {_of(len(lossy), len(heard))} missing"
    if facts.source.dropped:
        return (
            Outcome.UNPROVEN,
            f"{head}, but the capture itself dropped {count_text(facts.source.dropped)} frames.",
            evidence,
            spans,
        )
    if reason := _not_the_network(lossy, heard, facts):
        return Outcome.CAUTION, f"{head}; {reason}.", evidence, spans
    failed = any(
        s.lost >= limits["fail_lost"] or (s.lost >= 3 and _share(s) >= limits["fail_share"]) for s, _ in lossy
    )
    return (Outcome.FAIL if failed else Outcome.CAUTION), f"{head}.", evidence, spans


def _when(stream: RtpStream) -> list[tuple[float, float]]:
    """The stretches in which packets are missing; beyond those that are kept, all from the last of them on is one."""
    spans = [(loss.start_s, loss.end_s) for loss in stream.first_losses]
    if stream.losses > len(spans) and spans and stream.last_loss_s is not None:
        spans[-1] = (spans[-1][0], stream.last_loss_s)
    return spans


def _not_the_network(lossy: list[Heard], heard: list[Heard], facts: Facts) -> str:
    """Why the capture, not the network, may have lost these packets; "" where nothing says so."""
    assert facts.source is not None and facts.tally is not None
    if facts.source.malformed:
        return f"{count_text(facts.source.malformed)} records of the capture are damaged, so that they may have been there"
    start, hole = facts.tally.rates.longest_gap_at_s, facts.tally.rates.longest_gap_s
    if all(
        s.losses == 1
        and s.longest_loss_s is not None
        and start <= s.longest_loss_s <= start + hole + TOGETHER_S
        and s.longest_loss * (s.packet_time_s or hole) <= hole
        for s, _ in lossy
    ):
        return f"no frame at all came then for {hole * 1000:.0f} ms: the capture paused, or the link here did"
    if facts.source.dropped == 0 and facts.vantage != "mirror":
        return ""  # the capturing system has counted, and lost none
    senders = {flow.source for _, flow in heard}
    beats = [(facts.tally.flows[beat.flow], beat) for beat in facts.tally.beats]
    whole = [flow for flow, beat in beats if beat.beats >= 200 and not beat.missing and not beat.stops]
    if len(senders) > 1 and len(lossy) == len(heard) and not whole:
        return "every stream of every sender lost some, so it was this one port, or the capture"
    return ""


def _pause(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    assert facts.source is not None and facts.tally is not None
    paused = [h for h in heard if h[0].longest_wait_s >= limits["pause_s"] and not h[0].lost]
    if not paused:
        return None
    named = names(facts)
    paused.sort(key=lambda h: -h[0].longest_wait_s)
    evidence = [
        Evidence(
            f"{called(flow, named)} paused for {stream.longest_wait_s:.2f} s"
            + (", and began anew" if stream.restarts else ""),
            frame=stream.longest_wait_frame,
            time_s=stream.longest_wait_at_s,
        )
        for stream, flow in paused[:SHOWN]
    ]
    spans = [(s.longest_wait_at_s - s.longest_wait_s, s.longest_wait_at_s) for s, _ in paused]
    hole = facts.tally.rates.longest_gap_s
    alike = all(s.longest_wait_s <= hole + TOGETHER_S for s, _ in paused)
    which = _of(len(paused), len(heard))
    head = f"{which[0].upper()}{which[1:]} paused"
    if facts.source.dropped:
        words = f"{head}, but the capture itself dropped {count_text(facts.source.dropped)} frames."
        return Outcome.UNPROVEN, words, evidence, spans
    if alike:
        return (
            Outcome.CAUTION,
            f"{head}, and so did everything: the capture, or the link here.",
            evidence,
            spans,
        )
    return Outcome.CAUTION, f"{head} for up to {paused[0][0].longest_wait_s:.2f} s.", evidence, spans


def _ended(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    assert facts.source is not None
    end = facts.source.duration_s
    by_place: dict[tuple[str, int], list[RtpStream]] = defaultdict(list)
    for stream, flow in heard:
        by_place[place(flow)].append(stream)
    ended = [
        (stream, flow)
        for stream, flow in heard
        if stream.last_s <= end - max(limits["ended_s"], 4 * stream.longest_wait_s)
        and (stream.first_s <= AT_THE_START_S or stream.last_s - stream.first_s >= LONG_ENOUGH_S)
        # Another source, or the same one started anew, may send on to the same place.
        and not any(
            later.last_s > stream.last_s and later.first_s <= stream.last_s + 1
            for later in by_place[place(flow)]
        )
    ]
    if not ended:
        return None
    named = names(facts)
    ended.sort(key=lambda h: h[0].last_s)
    evidence = [
        Evidence(f"{called(flow, named)} stopped at {stream.last_s:.1f} s", time_s=stream.last_s)
        for stream, flow in ended[:SHOWN]
    ]
    together = len(ended) > 1 and ended[-1][0].last_s - ended[0][0].last_s <= TOGETHER_S * 5
    words = (
        f"{_streams(len(ended))} stopped together: look at this port and the cable between the switches."
        if together and len(ended) == len(heard)
        else f"{_streams(len(ended))} stopped."
    )
    return Outcome.CAUTION, words, evidence, [(stream.last_s, end) for stream, _ in ended]


def _unevenness(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    uneven = [h for h in heard if (h[0].delay_spread_s or 0) > _can_hold(h[0], limits)]
    # A pause or a loss is told as such.
    uneven = [h for h in uneven if h[0].longest_wait_s < limits["pause_s"] and not h[0].lost]
    if not uneven:
        return None
    uneven.sort(key=lambda h: -(h[0].delay_spread_s or 0))
    named = names(facts)
    most = uneven[0][0].delay_spread_s or 0.0
    evidence = [
        Evidence(
            f"{called(flow, named)} needs {1000 * (stream.delay_spread_s or 0):.1f} ms of receive buffer"
            + (
                f" (jitter up to {1000 * stream.most_jitter / stream.clock_hz:.2f} ms)"
                if stream.most_jitter is not None and stream.clock_hz
                else ""
            ),
            time_s=stream.delay_spread_at_s,
        )
        for stream, flow in uneven[:SHOWN]
    ]
    at = [stream.delay_spread_at_s for stream, _ in uneven]
    many = len(uneven) == len(heard) > 1 and max(at) - min(at) <= 1
    words = f"Packets come unevenly: {_streams(len(uneven))} {'needs' if len(uneven) == 1 else 'need'} a receive buffer of up to {1000 * most:.0f} ms"
    if many:
        words += ", all at the same time, as when the capturing computer or this link holds frames back"
    spans = [(max(time - 1, 0.0), time) for time in at]
    return Outcome.CAUTION, words + ".", evidence, spans


def _can_hold(stream: RtpStream, limits: dict[str, float]) -> float:
    """The seconds of unevenness that a receiver is sure to even out."""
    packets = limits["buffer_packets"] * (stream.packet_time_s or 1.0)
    return max(min(packets, limits["buffer_ms"] / 1000), limits["least_buffer_ms"] / 1000)


def _order(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    mixed = [h for h in heard if h[0].late >= 10 and h[0].late >= limits["late_share"] * h[0].received]
    if not mixed:
        return None
    named = names(facts)
    evidence = [
        Evidence(f"{called(flow, named)}: {_packets(stream.late)} came after a later one")
        for stream, flow in sorted(mixed, key=lambda h: -h[0].late)[:SHOWN]
    ]
    return Outcome.CAUTION, f"Packets of {_of(len(mixed), len(heard))} come out of order.", evidence, []


def _doubles(heard: list[Heard], facts: Facts, limits: dict[str, float]) -> Trouble | None:
    """A mirror shows each packet twice, which is no fault."""
    doubled = [
        h
        for h in heard
        if h[0].duplicates >= 10 and h[0].duplicates > limits["doubled_share"] * h[0].received
    ]
    if not doubled or (
        facts.vantage == "mirror" and all(s.duplicates <= 1.1 * s.received for s, _ in doubled)
    ):
        return None
    named = names(facts)
    evidence = [
        Evidence(f"{called(flow, named)}: {_packets(stream.duplicates)} came again", frame=stream.first_frame)
        for stream, flow in sorted(doubled, key=lambda h: -h[0].duplicates)[:SHOWN]
    ]
    # Where a flow's packets go round, the time that they do; else all its life.
    spans = [
        (flow.repeats.first_s, flow.repeats.last_s)
        if flow is not None and flow.repeats is not None
        else (stream.first_s, stream.last_s)
        for stream, flow in doubled
    ]
    return (
        Outcome.CAUTION,
        f"Packets of {_of(len(doubled), len(heard))} come more than once: a loop, or two ways to this port.",
        evidence,
        spans,
    )


def _layouts(heard: list[Heard], facts: Facts) -> tuple[Evidence, ...]:
    named = names(facts)
    shown = [
        Evidence(
            f"{called(flow, named)}: {layout(stream, named.get(place(flow)))}",
            frame=stream.first_frame,
            time_s=stream.first_s,
        )
        for stream, flow in heard[:SHOWN]
    ]
    return (*shown, Evidence(f"and {len(heard) - SHOWN} more")) if len(heard) > SHOWN else tuple(shown)


def _measured(heard: list[Heard]) -> dict[str, object]:
    spreads = [s.delay_spread_s for s, _ in heard if s.delay_spread_s is not None]
    jitters = [s.most_jitter / s.clock_hz for s, _ in heard if s.most_jitter is not None and s.clock_hz]
    return {
        "streams": len(heard),
        "packets_expected": sum(s.expected for s, _ in heard),
        "packets_lost": sum(s.lost for s, _ in heard),
        "longest_loss_packets": max(s.longest_loss for s, _ in heard),
        "late": sum(s.late for s, _ in heard),
        "duplicates": sum(s.duplicates for s, _ in heard),
        "longest_wait_ms": round(1000 * max(s.longest_wait_s for s, _ in heard), 3),
        "most_jitter_ms": round(1000 * max(jitters), 3) if jitters else None,
        "receive_buffer_ms": round(1000 * max(spreads), 3) if spreads else None,
    }


def _buffer(heard: list[Heard]) -> str:
    spreads = [s.delay_spread_s for s, _ in heard if s.delay_spread_s is not None]
    return f" A receive buffer (link offset) of {1000 * max(spreads):.1f} ms holds them." if spreads else ""


def _share(stream: RtpStream) -> float:
    return stream.lost / max(stream.expected, 1)


def _streams(count: int) -> str:
    return "1 stream" if count == 1 else f"{count_text(count)} streams"


def _packets(count: int) -> str:
    return "1 packet" if count == 1 else f"{count_text(count)} packets"


def _of(some: int, of: int) -> str:
    if of == 1:
        return "the stream"
    if some == of:
        return "both streams" if of == 2 else f"all {of} streams"
    return f"{some} of {of} streams"
