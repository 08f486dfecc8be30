"""The time line: rates to plot, and below them rows of bars and marks, all over seconds from the first frame."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from preflight.checks.finding import Finding, Outcome
from preflight.checks.say import count_text, what
from preflight.checks.see.names import Names, names_of
from preflight.facts import Facts
from preflight.tally.facts import Beat, ClockPort, Flow, Measure, RtpStream
from preflight.verdict import Verdict
from preflight.wire.sap import SapMessage

MEASURES: dict[Measure, str] = {
    "broadcast": "Broadcast",
    "discovery": "Discovery multicast",
    "multicast": "Other multicast",
    "unicast": "Unicast",
}
MOST_ROWS = 40
# A wait this many times the pace, and this long, is drawn as a gap. Common practice.
GAP_PERIODS = 5
GAP_S = 0.005


@dataclass(frozen=True)
class Bar:
    """A stretch of time; `kind` is how it is drawn: "span", "life" or "gap"."""

    start_s: float
    end_s: float
    kind: str
    text: str

    @property
    def width_s(self) -> float:
        return max(self.end_s - self.start_s, 0.0)


@dataclass(frozen=True)
class Row:
    """`number` is the place in the order of fixing, None where it has none; `troubled` rows come first where not all fit."""

    label: str
    note: str
    bars: tuple[Bar, ...]
    marks: tuple[tuple[float, str], ...] = ()
    number: int | None = None
    check: str = ""
    troubled: bool = False


@dataclass(frozen=True)
class Group:
    title: str
    rows: tuple[Row, ...]
    more: int = 0


def seconds(time_s: float) -> str:
    """1.250 s; from a minute on as m:ss and h:mm:ss."""
    if not math.isfinite(time_s) or round(time_s, 3) < 60:
        return f"{time_s:.3f} s"
    minutes, rest = divmod(round(time_s, 3), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02d}:{rest:06.3f}" if hours else f"{minutes}:{rest:06.3f}"


def plots(facts: Facts, verdict: Verdict) -> dict[str, object] | None:
    """What the page's script plots, None where there was no frame."""
    if facts.tally is None or facts.source is None or not facts.source.frames:
        return None
    rates = facts.tally.rates
    width = rates.width_s
    share = 8 / width / (facts.link_mbps * 1e6) * 100
    sent = sum(rates.sums["sent_bytes"]) > 0
    return {
        "duration": duration(facts),
        "width": width,
        "rates": [
            {"label": label, "values": [round(n / width, 1) for n in rates.sums[measure]]}
            for measure, label in MEASURES.items()
        ],
        "shares": [{"label": "Came in", "values": [round(n * share, 4) for n in rates.sums["bytes"]]}]
        + (
            [{"label": "Sent", "values": [round(n * share, 4) for n in rates.sums["sent_bytes"]]}]
            if sent
            else []
        ),
        "spans": [
            {"number": ranked.fix_first, "start": start, "end": end}
            for ranked in verdict.findings
            if ranked.fix_first is not None
            for start, end in ranked.finding.spans
        ],
    }


def duration(facts: Facts) -> float:
    """What the time line spans: never nothing, so that it can be divided by."""
    return max(facts.source.duration_s if facts.source else 0.0, 0.001)


def peaks(facts: Facts) -> list[tuple[str, str, str, str]]:
    """The busiest moments in words: what, in a second, in 100 ms, in all."""
    if facts.tally is None or facts.source is None or not facts.source.frames:
        return []
    rates = facts.tally.rates
    lines = []
    for measure, label in [*MEASURES.items(), ("bytes", "Link, came in"), ("sent_bytes", "Link, sent")]:
        peak = rates.peaks[measure]
        if "bytes" in measure:
            in_a_second, in_100ms = (
                f"{rate:.1f} Mb/s ({rate / facts.link_mbps * 100:.2g} %) at {seconds(at)}"
                for rate, at in (
                    (peak.in_1s * 8 / 1e6, peak.in_1s_at_s),
                    (peak.in_100ms * 80 / 1e6, peak.in_100ms_at_s),
                )
            )
            total = f"{count_text(peak.total)} bytes"
        else:
            in_a_second = f"{count_text(peak.in_1s)} frames at {seconds(peak.in_1s_at_s)}"
            in_100ms = f"{count_text(peak.in_100ms)} frames at {seconds(peak.in_100ms_at_s)}"
            total = f"{count_text(peak.total)} frames"
        lines.append((label, in_a_second, in_100ms, total) if peak.total else (label, "none", "none", "none"))
    return lines


def rows(facts: Facts, verdict: Verdict) -> list[Group]:
    tally = facts.tally
    if tally is None or facts.source is None or not facts.source.frames:
        return []
    streaming = {stream.flow for stream in tally.streams if stream.real}
    titles, names = _titles(facts), names_of(facts)
    groups = [
        _group("Findings", _finding_rows(verdict)),
        _group(
            "Clock masters (PTP)",
            [_clock(port, names) for port in tally.clocks if _leads(port, tally.clocks)],
        ),
        _group(
            "Streams (RTP)", [_stream(s, _flow(tally.flows, s.flow), titles) for s in tally.streams if s.real]
        ),
        _group(
            "Other steady senders",
            [
                _beat(b, tally.flows[b.flow], names)
                for b in tally.beats
                if b.flow not in streaming and b.flow < len(tally.flows)
            ],
        ),
    ]
    return [group for group in groups if group.rows]


def _group(title: str, found: Iterable[Row]) -> Group:
    all_rows = sorted(found, key=lambda row: not row.troubled)
    return Group(title, tuple(all_rows[:MOST_ROWS]), max(len(all_rows) - MOST_ROWS, 0))


def _finding_rows(verdict: Verdict) -> list[Row]:
    return [
        _finding(ranked.finding, ranked.fix_first)
        for ranked in verdict.findings
        if ranked.finding.outcome in (Outcome.FAIL, Outcome.CAUTION) and _placed(ranked.finding)
    ]


def _placed(finding: Finding) -> bool:
    return bool(finding.spans) or any(seen.time_s is not None for seen in finding.evidence)


def _finding(finding: Finding, number: int | None) -> Row:
    bars = tuple(
        Bar(start, end, "span", f"{finding.check}: {seconds(start)} to {seconds(end)}")
        for start, end in finding.spans
    )
    marks = tuple(
        (seen.time_s, f"{f'frame {seen.frame}, ' if seen.frame else ''}{seconds(seen.time_s)}: {seen.text}")
        for seen in finding.evidence
        if seen.time_s is not None
    )
    return Row(
        f"{finding.outcome.value.upper()} {finding.check}",
        f"{len(bars)} stretch{'' if len(bars) == 1 else 'es'}, {len(marks)} frame{'' if len(marks) == 1 else 's'} marked",
        bars,
        marks,
        number,
        finding.check,
    )


def _leads(port: ClockPort, clocks: tuple[ClockPort, ...]) -> bool:
    """Whether this row shows a master: its announcements, or its Sync where it announces nothing (version 1)."""
    if port.kind == "Announce":
        return True
    return port.kind == "Sync" and not any(
        other.kind == "Announce"
        and (other.clock, other.port, other.domain) == (port.clock, port.port, port.domain)
        for other in clocks
    )


def _clock(port: ClockPort, names: Names) -> Row:
    told = f", grandmaster {port.grandmaster}, priority {port.priority1}/{port.priority2}, class {port.clock_class}"
    interval = 2.0 ** max(min(port.interval_log2, 10), -10)
    bars = [
        Bar(
            port.first_s, port.last_s, "life", f"heard from {seconds(port.first_s)} to {seconds(port.last_s)}"
        )
    ]
    gap = (
        port.longest_interval_s > 3 * interval
    )  # IEEE 1588: announceReceiptTimeout is 3 intervals by default
    if gap:
        start = port.longest_interval_at_s
        bars.append(
            Bar(
                start,
                start + port.longest_interval_s,
                "gap",
                f"silent for {seconds(port.longest_interval_s)}",
            )
        )
    return Row(
        f"{port.clock} port {port.port}, domain {port.domain}",
        f"{count_text(port.count)} {port.kind}, PTP version {port.version} over {port.transport}, from "
        f"{names.full(port.hardware)}{told if port.kind == 'Announce' else ''}"
        + (f"; silent for {seconds(port.longest_interval_s)}" if gap else "")
        + (f"; what it says changed {port.changes} times" if port.changes else ""),
        tuple(bars),
        ((port.changed_s, f"frame {port.changed_frame}: what it says changed"),)
        if port.changed_s is not None
        else (),
        troubled=gap or port.changes > 0,
    )


def _stream(stream: RtpStream, flow: Flow | None, titles: dict[tuple[str, int], str]) -> Row:
    label = f"synchronisation source {stream.ssrc:08x}"
    if flow is not None:
        title = titles.get((flow.destination_ip, flow.destination_port))
        label = f"{flow.source_ip} to {flow.destination_ip} port {flow.destination_port}{f': {title}' if title else ''}"
    bars = [Bar(stream.first_s, stream.last_s, "life", f"{count_text(stream.packets)} packets")]
    marks = []
    if stream.longest_wait_s > max(GAP_PERIODS * (stream.packet_time_s or 0.001), GAP_S):
        end = stream.longest_wait_at_s
        bars.append(
            Bar(
                end - stream.longest_wait_s,
                end,
                "gap",
                f"no packet for {1000 * stream.longest_wait_s:.1f} ms",
            )
        )
    if stream.longest_loss and stream.longest_loss_s is not None:
        where = f"frame {stream.longest_loss_frame}, {seconds(stream.longest_loss_s)}"
        marks.append(
            (stream.longest_loss_s, f"{where}: {count_text(stream.longest_loss)} packets missing before it")
        )
    pace = f", one each {1000 * stream.packet_time_s:g} ms" if stream.packet_time_s else ""
    return Row(
        label,
        f"{count_text(stream.packets)} packets{pace}; lost {count_text(stream.lost)} of {count_text(stream.expected)}; "
        f"longest wait {1000 * stream.longest_wait_s:.1f} ms",
        tuple(bars),
        tuple(marks),
        troubled=stream.lost > 0,
    )


def _beat(beat: Beat, flow: Flow, names: Names) -> Row:
    bars = [Bar(flow.first_s, flow.last_s, "life", f"{count_text(flow.frames)} frames")]
    if beat.longest_wait_s > max(GAP_PERIODS * beat.period_s, GAP_S):
        start = beat.longest_wait_at_s
        bars.append(
            Bar(
                start, start + beat.longest_wait_s, "gap", f"no frame for {1000 * beat.longest_wait_s:.1f} ms"
            )
        )
    marks = [
        (
            event.after_s,
            f"{f'frame {event.frame}, ' if event.frame else ''}{seconds(event.after_s)}: {event.frames} missing after it",
        )
        for event in beat.events
    ]
    return Row(
        f"{what(flow)} from {names.full(flow.source, flow.source_ip)}",
        f"{beat.per_beat} each {1000 * beat.period_s:.4g} ms; missing {count_text(beat.missing)}, late {count_text(beat.late)}"
        + (f"; stopped {beat.stops} times" if beat.stops else ""),
        tuple(bars),
        tuple(marks),
        troubled=beat.missing > 0 or beat.stops > 0,
    )


def _flow(flows: tuple[Flow, ...], index: int | None) -> Flow | None:
    return flows[index] if index is not None and index < len(flows) else None


def _titles(facts: Facts) -> dict[tuple[str, int], str]:
    """The names that announced sessions (SAP) give to streams, by group and port."""
    return {
        (media.group, media.port): media.title or sap.session.name
        for sap in facts.heard(SapMessage)
        if sap.session is not None
        for media in sap.session.media
    }
