"""The time line: rates to plot, and below them rows of bars and marks, all over seconds from the first frame.

Of the streams only those in trouble have a row here: the table of streams has all.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from preflight.checks import check_named
from preflight.checks.finding import Finding, Outcome
from preflight.checks.say import count_text, counted, what
from preflight.checks.see.names import Names, names_of
from preflight.checks.see.streams import Announced, AnyStream, place
from preflight.checks.see.streams import names as announced_names
from preflight.facts import Facts
from preflight.report.daytime import Daytime
from preflight.report.html.streams import counting, flow_at, gap_of, goes_to, pace_of
from preflight.tally.facts import ClockPort, Flow, Measure, PeriodicFlow, counts
from preflight.tally.shape import BIN_S
from preflight.verdict import Ranked, Verdict

MEASURES: dict[Measure, str] = {
    "broadcast": "Broadcast",
    "discovery": "Discovery multicast",
    "multicast": "Other multicast",
    "unicast": "Unicast",
}
ALL_MEASURES = get_args(Measure)
BYTES: tuple[Measure, ...] = ("bytes", "sent_bytes")
# What a finding's worst moment is worst in.
WORST_BY: dict[str, Measure] = {
    "loop": "bytes",
    "link-load": "bytes",
    "broadcast-storm": "broadcast",
    "multicast-storm": "multicast",
    "unicast-flood": "unicast",
}
# Those whose first evidence is the worst of it.
WORST_FIRST = ("stream-health", "beat-health")
MOST_ROWS = 12
MOST_CLOSE = 120  # stretches of 100 ms that are shown by the millisecond
MOST_SENDERS = 7
CLOSE_S = 0.5


@dataclass(frozen=True)
class Bar:
    """A stretch of time; `kind` is how it is drawn: "span", "more" (a stretch that holds more of the same),
    "life" or "gap"."""

    start_s: float
    end_s: float
    kind: str
    text: str

    @property
    def width_s(self) -> float:
        """Never nothing: a browser leaves out what has no width."""
        return max(self.end_s - self.start_s, 1e-6)


@dataclass(frozen=True)
class Row:
    """`number` is the place in the order of fixing, None where it has none; `troubled` rows come first where
    not all fit."""

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
        "clock": Daytime(facts).of_day_s,
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
        "close": _close(facts, verdict),
        "percent": 0.8 / facts.link_mbps,  # of the link, that a byte takes up in a millisecond
        "senders": _senders(facts),
        "full": full(facts),
        "spans": [
            {"number": ranked.fix_first, "start": start, "end": end, "more": more}
            for ranked in verdict.findings
            if ranked.fix_first is not None
            for start, end, more in spans(facts, ranked)
        ],
    }


def full(facts: Facts) -> list[float]:
    """Shares of the link in per cent that are too much: from where on the check says so, and all of it."""
    check = check_named("link-load")
    own = facts.sheet.limits.get("link-load", {}) if facts.sheet else {}
    return [100 * check.values(own)["fail_share"], 100.0] if check else [100.0]


def spans(facts: Facts, ranked: Ranked) -> list[tuple[float, float, bool]]:
    """A finding's stretches. Of a stream only the first losses are known each by itself: the last stretch of
    such a finding is those up to the last one (True), and is no loss from end to end."""
    joined = {}
    for stream in counting(facts.tally) if facts.tally else ():
        if (
            stream.first_losses
            and stream.losses > len(stream.first_losses)
            and stream.last_loss_s is not None
        ):
            joined[stream.first_losses[-1].start_s, stream.last_loss_s] = stream.first_losses[-1].end_s
    own: list[tuple[float, float]] = []
    more: list[tuple[float, float, bool]] = []
    for start, end in ranked.finding.spans:
        if (first_ends := joined.get((start, end))) is None:
            own.append((start, end))
        else:
            own += [(start, first_ends), (end, end)]
            more.append((first_ends, end, True))
    return [(start, end, False) for start, end in _united(own)] + more


def _united(stretches: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Those that overlap as one: drawn over one another they would be a block of colour."""
    united: list[tuple[float, float]] = []
    for start, end in sorted(stretches):
        if united and start <= united[-1][1]:
            united[-1] = united[-1][0], max(united[-1][1], end)
        else:
            united.append((start, end))
    return united


def moments(facts: Facts, verdict: Verdict) -> dict[str, list[tuple[str, float, float]]]:
    """By check, the places on the time line that its finding points to: what the button says, from and to. Of
    a long one its beginning is shown, then its worst moment, then all."""
    found: dict[str, list[tuple[str, float, float]]] = {}
    for ranked in verdict.findings:
        stretches, name = ranked.finding.spans, ranked.finding.check
        if not stretches:
            found[name] = []
            continue
        start, end = stretches[0][0], stretches[-1][1]
        if end - start <= CLOSE_S:
            found[name] = [(f"Show {name} on the time line", start, end)]
            continue
        found[name] = [(f"Show {name} on the time line", max(start - 0.1, 0.0), start + 0.3)]
        if (worst := _worst(facts, ranked)) is not None:
            found[name].append((f"The worst moment of {name}", max(worst - 0.1, 0.0), worst + 0.1))
        found[name].append((f"All of {name}", start, end))
    return found


def places(facts: Facts, verdict: Verdict) -> list[tuple[float, float]]:
    """Those of the `moments` that are looked at by the millisecond, what is mended first before the rest."""
    return [
        (start, end)
        for each in moments(facts, verdict).values()
        for _, start, end in each
        if end - start <= CLOSE_S
    ]


def _worst(facts: Facts, ranked: Ranked) -> float | None:
    """The fullest millisecond within the stretches, by what the check is about; or where most was lost. None
    where neither is known."""
    if ranked.finding.check in WORST_FIRST:
        return next((seen.time_s for seen in ranked.finding.evidence if seen.time_s is not None), None)
    measure = WORST_BY.get(ranked.finding.check)
    if measure is None or facts.tally is None:
        return None
    best: tuple[int, float] | None = None
    for start, packed in facts.tally.shape.close:
        if any(a <= start + BIN_S and start <= b for a, b in ranked.finding.spans):
            values = by_ms(packed, measure)
            most = max(values)
            if best is None or most > best[0]:
                best = most, start + values.index(most) / 1000
    return best[1] if best else None


def by_ms(packed: bytes, measure: Measure) -> list[int]:
    """The 100 milliseconds of one measure."""
    values = counts(packed)
    size = len(values) // len(ALL_MEASURES)
    at = ALL_MEASURES.index(measure) * size
    return values[at : at + size]


def milliseconds(facts: Facts, verdict: Verdict) -> str:
    """Of which moments the page has the milliseconds, in a sentence; "" where it has all."""
    if facts.tally is None or facts.source is None or facts.source.duration_s <= MOST_CLOSE * BIN_S:
        return ""
    kept = {round(start / BIN_S) for start, _ in facts.tally.shape.close}
    lacking = any(
        kept.isdisjoint(range(int(start / BIN_S), int(end / BIN_S) + 1))
        for start, end in places(facts, verdict)
    )
    if not lacking:
        return "Closer, it has the milliseconds of where findings begin and are worst, and of the busiest moments."
    more = (
        "With --save FILE.pcapng, linecheck has those of every finding, too."
        if facts.source.kind == "live"
        else "For those of every finding the capture must be a file, which is read twice."
    )
    return f"Closer, it has the milliseconds of the busiest moments alone. {more}"


def _close(facts: Facts, verdict: Verdict) -> list[dict[str, object]]:
    """What is shown by the millisecond: the places that the buttons lead to, then the fullest of the rest."""
    assert facts.tally is not None
    kept = facts.tally.shape.close
    looked_at = places(facts, verdict)

    def wanted(one: tuple[float, bytes]) -> tuple[bool, int]:
        away = not any(a - BIN_S <= one[0] <= b + BIN_S for a, b in looked_at)
        return away, -max(by_ms(one[1], "bytes"))

    chosen = sorted(sorted(kept, key=wanted)[:MOST_CLOSE])
    sent = sum(facts.tally.rates.sums["sent_bytes"]) > 0
    return [
        {
            "at": round(start, 3),
            "rates": [by_ms(packed, measure) for measure in MEASURES],
            "shares": [by_ms(packed, way) for way in (BYTES if sent else BYTES[:1])],
        }
        for start, packed in chosen
    ]


def _senders(facts: Facts) -> dict[str, object] | None:
    """The load of the loudest in Mb/s, and of all others together."""
    assert facts.tally is not None
    shape = facts.tally.shape
    if not shape.senders:
        return None
    names = names_of(facts)
    loads = sorted(
        ((hardware, counts(packed)) for hardware, packed in shape.senders), key=lambda pair: -sum(pair[1])
    )
    loads.sort(key=lambda pair: pair[0] == "")  # those without a row are others
    shown, rest = loads[:MOST_SENDERS], loads[MOST_SENDERS:]
    lines = [(names.name(hardware) if hardware else "others", values) for hardware, values in shown]
    if rest:
        lines.append(
            (counted(len(rest), "other"), [sum(column) for column in zip(*(v for _, v in rest), strict=True)])
        )
    factor = 8e-6 / shape.width_s
    return {
        "width": shape.width_s,
        "series": [
            {"label": label, "values": [round(n * factor, 4) for n in values]} for label, values in lines
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
        if peak.total:
            lines.append((label, in_a_second, in_100ms, total))
    return lines


def rows(facts: Facts, verdict: Verdict) -> list[Group]:
    tally = facts.tally
    if tally is None or facts.source is None or not facts.source.frames:
        return []
    streams = counting(tally)
    streaming = {stream.flow for stream in streams}
    known, names = announced_names(facts), names_of(facts)
    groups = [
        _group("Findings", _finding_rows(facts, verdict)),
        _group("Comments in the capture", _comments(facts)),
        _group(
            "Clock masters (PTP)",
            [_clock(port, names) for port in tally.clocks if _leads(port, tally.clocks)],
        ),
        _group(
            "Streams in trouble",
            [
                row
                for stream in streams
                if (row := _stream(stream, flow_at(tally.flows, stream.flow), known, names)).troubled
            ]
            + [
                row
                for beat in tally.periodic
                if beat.flow not in streaming
                and (flow := flow_at(tally.flows, beat.flow)) is not None
                and (row := _beat(beat, flow, names)).troubled
            ],
        ),
    ]
    return [group for group in groups if group.rows]


def _group(title: str, found: Iterable[Row]) -> Group:
    all_rows = sorted(found, key=lambda row: not row.troubled)
    return Group(title, tuple(all_rows[:MOST_ROWS]), max(len(all_rows) - MOST_ROWS, 0))


def _finding_rows(facts: Facts, verdict: Verdict) -> list[Row]:
    return [
        _finding(ranked.finding, ranked.fix_first, spans(facts, ranked))
        for ranked in verdict.findings
        if ranked.finding.outcome in (Outcome.FAIL, Outcome.CAUTION) and _placed(ranked.finding)
    ]


def _comments(facts: Facts) -> list[Row]:
    """One row: where in time somebody wrote something."""
    marks = tuple(
        (said.time_s, f"frame {said.frame}, {seconds(said.time_s)}: {said.text}")
        for said in (facts.source.comments if facts.source else ())
        if said.time_s is not None
    )
    return [Row("Comments", f"{counted(len(marks), 'frame')} marked", (), marks)] if marks else []


def _placed(finding: Finding) -> bool:
    return bool(finding.spans) or any(seen.time_s is not None for seen in finding.evidence)


def _finding(finding: Finding, number: int | None, stretches: list[tuple[float, float, bool]]) -> Row:
    bars = tuple(
        Bar(
            start,
            end,
            "more" if more else "span",
            f"{finding.check}: {'more ' if more else ''}{seconds(start)} to {seconds(end)}",
        )
        for start, end, more in stretches
    )
    marks = tuple(
        (seen.time_s, f"{f'frame {seen.frame}, ' if seen.frame else ''}{seconds(seen.time_s)}: {seen.text}")
        for seen in finding.evidence
        if seen.time_s is not None
    )
    return Row(
        f"{finding.outcome.value.upper()} {finding.check}",
        f"{len(finding.spans)} stretch{'' if len(finding.spans) == 1 else 'es'}, "
        f"{counted(len(marks), 'frame')} marked",
        bars,
        marks,
        number,
        finding.check,
    )


def _leads(port: ClockPort, clocks: tuple[ClockPort, ...]) -> bool:
    """Whether this row shows a master: its announcements, or its Sync where it announces nothing (version
    1)."""
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
        f"{names.name(port.hardware)}, port {port.port}, domain {port.domain}",
        f"{count_text(port.count)} {port.kind}, PTP version {port.version} over {port.transport}, clock "
        f"{port.clock} from {port.hardware}{told if port.kind == 'Announce' else ''}"
        + (f"; silent for {seconds(port.longest_interval_s)}" if gap else "")
        + (f"; what it says changed {port.changes} times" if port.changes else ""),
        tuple(bars),
        ((port.changed_s, f"frame {port.changed_frame}: what it says changed"),)
        if port.changed_s is not None
        else (),
        troubled=gap or port.changes > 0,
    )


def _stream(
    stream: AnyStream, flow: Flow | None, known: dict[tuple[str, int], Announced], names: Names
) -> Row:
    label, sender = "of a sender that found no room", ""
    if flow is not None:
        called = known.get(place(flow))
        title = (called.media.title or called.name) if called else ""
        label = f"{names.name(flow.source)} to {goes_to(flow)}{f': {title}' if title else ''}"
        sender = f"from {flow.source_ip or flow.source}: "
    bars = [Bar(stream.first_s, stream.last_s, "life", f"{count_text(stream.packets)} packets")]
    marks = []
    if gap := gap_of(stream.longest_wait_s, pace_of(stream)):
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
        f"{sender}{count_text(stream.packets)} packets{pace}; lost {count_text(stream.lost)} of "
        f"{count_text(stream.expected)}; longest wait {1000 * stream.longest_wait_s:.1f} ms",
        tuple(bars),
        tuple(marks),
        troubled=stream.lost > 0 or gap,
    )


def _beat(beat: PeriodicFlow, flow: Flow, names: Names) -> Row:
    bars = [Bar(flow.first_s, flow.last_s, "life", f"{count_text(flow.frames)} frames")]
    if gap := gap_of(beat.longest_wait_s, beat.period_s):
        start = beat.longest_wait_at_s
        bars.append(
            Bar(
                start, start + beat.longest_wait_s, "gap", f"no frame for {1000 * beat.longest_wait_s:.1f} ms"
            )
        )
    marks = [
        (
            event.after_s,
            f"{f'frame {event.frame}, ' if event.frame else ''}{seconds(event.after_s)}: {event.frames} "
            "missing after it",
        )
        for event in beat.events
    ]
    return Row(
        f"{what(flow)} from {names.full(flow.source, flow.source_ip)}",
        f"{beat.per_beat} each {1000 * beat.period_s:.4g} ms; missing {count_text(beat.missing)}, late "
        f"{count_text(beat.late)}" + (f"; stopped {beat.stops} times" if beat.stops else ""),
        tuple(bars),
        tuple(marks),
        troubled=beat.missing > 0 or beat.stops > 0 or gap,
    )
