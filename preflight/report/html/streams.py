"""The streams as a table: RTP, others that count their frames, and whatever else keeps a beat, the troubled
first.

A line is written as short as can be: a rig of a thousand streams is still one page to send.
"""

import math
from dataclasses import dataclass
from functools import partial

from preflight.checks.say import what
from preflight.checks.see.streams import Announced, AnyStream, layout, names, place
from preflight.checks.see.wanted import wanted
from preflight.facts import Facts
from preflight.tally.facts import Flow, PeriodicFlow, RtpStream, TallyFacts

MOST_LINES = 3000  # keeps the page below 2 MB
# A wait this many times the pace, and this long, is drawn as a gap. Common practice.
GAP_PERIODS = 5
GAP_S = 0.005
UNSURE_PPM = 10.0  # common practice


@dataclass(frozen=True)
class Line:
    """`sender` and `address` tell who sends it, `name` is what was announced of it. Times are seconds from
    the first frame, `mbps` with preamble and gap. None: not known. `life`, `gap` and `ticks` (what is
    missing) are SVG paths over these seconds."""

    sender: str
    address: str
    name: str
    to: str
    kind: str
    packets: int
    lost: int
    wait_ms: float
    jitter_ms: float | None
    drift_ppm: float | None
    unsure_ppm: float | None
    mbps: float | None
    first_s: float
    last_s: float
    life: str
    gap: str
    ticks: str

    @property
    def troubled(self) -> bool:
        return self.lost > 0 or bool(self.gap)


def lines(facts: Facts) -> list[Line]:
    """All of them. Raises nothing: what found no room in the table of flows has no sender."""
    tally = facts.tally
    if tally is None:
        return []
    known, flow_of = names(facts), partial(flow_at, tally.flows)
    streams = wanted([(stream, flow_of(stream.flow)) for stream in counting(tally)], facts)
    streaming = {stream.flow for stream, _ in streams}
    found = [_stream(stream, flow, known) for stream, flow in streams]
    found += [
        _beat(beat, flow)
        for beat in tally.periodic
        if beat.flow not in streaming and (flow := flow_of(beat.flow)) is not None
    ]
    return sorted(found, key=lambda line: (not line.troubled, -line.lost))


def counting(tally: TallyFacts) -> list[AnyStream]:
    """RTP streams, and the others whose frames count themselves."""
    return [*(stream for stream in tally.streams if stream.real), *tally.counted]


def flow_at(flows: tuple[Flow, ...], index: int | None) -> Flow | None:
    return flows[index] if index is not None and index < len(flows) else None


def gap_of(longest_wait_s: float, pace_s: float) -> bool:
    """Whether the longest wait of something that comes every `pace_s` is a gap."""
    return longest_wait_s > max(GAP_PERIODS * pace_s, GAP_S)


def pace_of(stream: AnyStream) -> float:
    """Seconds from packet to packet: as its clock tells, else as they came."""
    return stream.packet_time_s or (stream.last_s - stream.first_s) / max(stream.packets - 1, 1)


def _stream(stream: AnyStream, flow: Flow | None, known: dict[tuple[str, int], Announced]) -> Line:
    called = known.get(place(flow)) if flow else None
    waited = (stream.longest_wait_at_s - stream.longest_wait_s, stream.longest_wait_at_s)
    ended = stream.last_loss_s if stream.losses > len(stream.first_losses) else None
    missing = [loss.end_s for loss in stream.first_losses] + ([ended] if ended is not None else [])
    jitter = stream.most_jitter
    # A drift known less well is not told.
    pace = stream.course if stream.course and stream.course.unsure_ppm <= UNSURE_PPM else None
    return Line(
        sender=flow.source if flow else "",
        address=flow.source_ip if flow else "",
        name=(called.media.title or called.name) if called else "",
        to=goes_to(flow) if flow else "not known",
        kind=f"{_kind(stream, flow)}: {layout(stream, called)}",
        packets=stream.packets,
        lost=stream.lost,
        wait_ms=1000 * stream.longest_wait_s,
        jitter_ms=1000 * jitter / stream.clock_hz if jitter is not None and stream.clock_hz else None,
        drift_ppm=(pace.per_s / stream.clock_hz - 1) * 1e6 if pace and stream.clock_hz else None,
        unsure_ppm=pace.unsure_ppm if pace and stream.clock_hz else None,
        mbps=_mbps(flow, stream.packets),
        first_s=stream.first_s,
        last_s=stream.last_s,
        life=bar(stream.first_s, stream.last_s),
        gap=bar(*waited) if gap_of(stream.longest_wait_s, pace_of(stream)) else "",
        ticks="".join(f"M{short(at)} 0V1" for at in missing),
    )


def _kind(stream: AnyStream, flow: Flow | None) -> str:
    if isinstance(stream, RtpStream):
        return "RTP"
    return _what(flow) if flow else "numbered"


def _what(flow: Flow) -> str:
    """What it is, without where it goes: that stands beside it."""
    return what(flow).removesuffix(f" to {flow.destination_ip}")


def _beat(beat: PeriodicFlow, flow: Flow) -> Line:
    waited = (beat.longest_wait_at_s, beat.longest_wait_at_s + beat.longest_wait_s)
    many = f"{beat.per_beat} " if beat.per_beat != 1 else ""
    return Line(
        sender=flow.source,
        address=flow.source_ip,
        name="",
        to=goes_to(flow),
        kind=f"{_what(flow)}: {many}each {1000 * beat.period_s:.4g} ms",
        packets=flow.frames,
        lost=beat.missing,
        wait_ms=1000 * beat.longest_wait_s,
        jitter_ms=None,
        drift_ppm=None,
        unsure_ppm=None,
        mbps=_mbps(flow, flow.frames),
        first_s=flow.first_s,
        last_s=flow.last_s,
        life=bar(flow.first_s, flow.last_s),
        gap=bar(*waited) if gap_of(beat.longest_wait_s, beat.period_s) else "",
        ticks="".join(f"M{short(event.after_s)} 0V1" for event in beat.events),
    )


def goes_to(flow: Flow) -> str:
    """Where it goes: address and port, as far as it has them."""
    ip = (
        f"[{flow.destination_ip}]"
        if ":" in flow.destination_ip and flow.destination_port
        else flow.destination_ip
    )
    return (f"{ip}:{flow.destination_port}" if flow.destination_port else ip) or flow.destination


def _mbps(flow: Flow | None, packets: int) -> float | None:
    """Of a stream, by its part of the flow's frames."""
    if flow is None or flow.last_s <= flow.first_s or not flow.frames:
        return None
    return flow.bytes * packets / flow.frames * 8e-6 / (flow.last_s - flow.first_s)


def bar(start_s: float, end_s: float) -> str:
    """A bar of a row that is 1 high."""
    width = short(max(end_s - start_s, 0.0))
    return f"M{short(start_s)} .3h{width}v.4h-{width}z"


def short(number: float) -> str:
    """To 10 microseconds, without noughts that say nothing."""
    return f"{number:.5f}".rstrip("0").rstrip(".") if math.isfinite(number) else "0"
