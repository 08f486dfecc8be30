"""The running tallies of one source, and the facts that come out of them.

State lives in int64 tables that kernels update batch by batch; the size of a table is fixed when it is made,
so a day costs no more memory than a second. `facts` reads the tables and changes nothing, so that a standing
watch can ask as often as it likes.
"""

import math
from typing import get_args

import numpy as np

from preflight.frames.batch import Batch
from preflight.frames.compile import Engine
from preflight.frames.kernels import slot_of
from preflight.frames.tables import zeros
from preflight.tally import clock_kernels as p
from preflight.tally import counter_kernels as n
from preflight.tally import facts as f
from preflight.tally import kernels as k
from preflight.tally import periodic_kernels as r
from preflight.tally import stream_kernels as x
from preflight.tally.course_kernels import COURSE_COLUMNS
from preflight.tally.courses import courses
from preflight.tally.periodic import LEAST_BEATS, WORK_ROWS
from preflight.tally.rows import ip_text, mac_text, reader
from preflight.tally.shape import Shapes

FLOW_ROWS = 1 << 13
TALKER_ROWS = 1 << 13
COPY_ROWS = 1 << 16
STREAM_ROWS = 1 << 12
CLOCK_ROWS = 1 << 11
CASTS, MEASURES = get_args(f.Cast), get_args(f.Measure)
TRANSPORTS = dict(zip(p.TRANSPORTS, get_args(f.Transport), strict=True))

read_talker = reader(f.Talker, k, "T_")
read_flow = reader(f.Flow, k, "F_")
read_repeats = reader(f.Repeats, k, "F_REPEATS_")
read_copies = reader(f.Copies, k, "M_")
read_rates = reader(f.Rates, k, "S_")
read_peak = reader(f.Peak, k, "A_")
read_stream = reader(f.RtpStream, x, "X_")
read_counted = reader(f.CountedStream, n, "N_")
read_loss = reader(f.Loss, x, "L_")
read_clock = reader(f.ClockPort, p, "P_")
read_periodic = reader(f.PeriodicFlow, r, "B_")
read_event = reader(f.MissingBeats, r, "E_")


class Tally:
    """All tallies of one source; feed batches in order with `add`. `link_mbps` is the rate that queues are
    reckoned with. What only pictures need is left out where none will be `pictured`."""

    def __init__(self, link_mbps: int = 1000, pictured: bool = True) -> None:
        self.flows = zeros((FLOW_ROWS, k.FLOW_COLUMNS))
        self.talkers = zeros((TALKER_ROWS, k.TALKER_COLUMNS))
        self.totals = np.zeros(2, np.int64)
        self.taken = zeros((len(k.TAKEN), 1 + max(FLOW_ROWS, TALKER_ROWS, STREAM_ROWS, CLOCK_ROWS)))
        self.seen = zeros((COPY_ROWS, k.COPY_COLUMNS))
        self.began = zeros(COPY_ROWS)
        self.copy_totals = np.zeros(k.COPY_TOTALS, np.int64)
        self.copy_totals[k.M_RETURNED_NS] = -1
        self.streams = zeros((STREAM_ROWS, x.STREAM_COLUMNS))
        self.clocks = zeros((CLOCK_ROWS, p.CLOCK_COLUMNS))
        self.periodic = zeros((FLOW_ROWS, r.BEAT_COLUMNS))
        self.first_times = zeros((FLOW_ROWS, r.LEARN))
        self.counters = zeros((FLOW_ROWS, n.COUNTER_COLUMNS))
        self.kept = zeros(FLOW_ROWS * n.LEARN * n.KEPT, np.uint8)
        self.work = np.zeros((WORK_ROWS, r.LEARN), np.int64)
        self._engine: Engine | None = None
        self.rate = np.zeros(k.RATE_STATE, np.int64)
        self.rate[k.S_WIDTH] = 1
        self.link_mbps = link_mbps
        self.peaks = np.zeros((k.MEASURES, k.PEAK_COLUMNS), np.int64)
        self.timeline = np.zeros((k.TIMELINE_ROWS, k.TIMELINE_COLUMNS), np.int64)
        self.shapes = Shapes() if pictured else None

    @property
    def link_mbps(self) -> int:
        return int(self.rate[k.S_LINK_MBPS])

    @link_mbps.setter
    def link_mbps(self, mbps: int) -> None:
        self.rate[k.S_LINK_MBPS] = mbps

    def add(self, batch: Batch) -> None:
        """Count one batch."""
        self.pace(batch)
        self.follow(batch)

    def pace(self, batch: Batch) -> None:
        """The half that looks at each frame by itself: how much passes when. It may run beside `follow`, in
        another thread."""
        batch.engine.rates(batch.columns, batch.rows, self.rate, self.peaks, self.timeline)
        if self.shapes is not None:
            self.shapes.add(batch)

    def follow(self, batch: Batch) -> None:
        """The half that knows flows; the batch's columns SLOT and COPY are filled on the way."""
        engine, columns, rows = batch.engine, batch.columns, batch.rows
        engine.follow(
            batch.view,
            columns,
            rows,
            batch.first,
            self.flows,
            self.talkers,
            self.totals,
            self.seen,
            self.began,
            self.copy_totals,
            self.streams,
            self.clocks,
            self.taken,
        )
        engine.periodic(columns, rows, batch.first, self.first_times, self.periodic, self.work)
        engine.counters(
            batch.view, columns, rows, batch.first, self.kept, self.counters, self.flows, self.work
        )
        self._engine = engine

    def _rows(self, table: int) -> np.ndarray:
        """The rows of a table that are in use, in its order."""
        taken = self.taken[table]
        return np.sort(taken[1 : 1 + taken[0]])

    def _streams(self, index: dict[int, int]) -> tuple[f.RtpStream, ...]:
        rows = self.streams[self._rows(k.K_STREAMS)]
        paced = courses(rows[:, x.X_COURSE : x.X_COURSE + COURSE_COLUMNS])
        return tuple(_stream(row, index, course) for row, course in zip(rows.tolist(), paced, strict=True))

    def _counted(self, index: dict[int, int]) -> list[f.CountedStream]:
        used = self._rows(k.K_FLOWS)
        followed = used[self.counters[used, n.N_LONGEST_RUN] >= n.CONFIRMED]
        rows = self.counters[followed]
        paced = courses(rows[:, n.N_COURSE : n.N_COURSE + COURSE_COLUMNS])
        found = [
            _counted(row, index[slot], course)
            for slot, row, course in zip(followed.tolist(), rows.tolist(), paced, strict=True)
        ]
        return sorted((each for each in found if each.real), key=lambda each: each.flow or 0)

    def _periodic(self, index: dict[int, int]) -> list[f.PeriodicFlow]:
        used = self._rows(k.K_FLOWS)
        slots = used[self.periodic[used, r.B_COUNT] >= LEAST_BEATS]
        rows = self.periodic[slots]
        if self._engine is not None:
            self._engine.conclude(rows, self.first_times[slots], np.zeros_like(self.work))
        found = [
            _periodic_flow(index[slot], row)
            for slot, row in zip(slots.tolist(), rows.tolist(), strict=True)
            if row[r.B_STATE] in (r.SEARCHING, r.LOCKED)
        ]
        return sorted(found, key=lambda beat: beat.flow)

    def rtp_flows(self) -> np.ndarray:
        """A hash table of the flows (FLOW | 1) that are RTP: by a stream in them, or by how their numbers
        count on."""
        flows, used = self.flows, self._rows(k.K_FLOWS)
        counts_on = flows[used, k.F_SEQUENCE_STEPS] > 0.4 * flows[used, k.F_FRAMES]
        slots = set(used[counts_on].tolist())
        rows = self.streams[self._rows(k.K_STREAMS)].tolist()
        slots |= {row[x.X_SLOT] for row in rows if row[x.X_SLOT] >= 0 and _stream(row, {}, None).real}
        table = np.zeros((FLOW_ROWS, 1), np.int64)
        for key in flows[sorted(slots), k.F_KEY].tolist():
            if (at := slot_of(table, key)) >= 0:
                table[at, 0] = key
        return table

    def facts(self) -> f.TallyFacts:
        used = self._rows(k.K_FLOWS)
        used = used[np.lexsort((self.flows[used, k.F_FIRST_FRAME], -self.flows[used, k.F_FRAMES]))]
        index = {int(slot): number for number, slot in enumerate(used)}
        flows = self.flows[used]
        for at in np.flatnonzero(flows[:, k.F_EARLY]):
            k.share_out(flows, at, int(flows[at, k.F_EARLY]), int(flows[at, k.F_EARLY_BINS]))
        counted = self._counted(index)
        numbered = {each.flow for each in counted}
        senders = self.talkers[self._rows(k.K_TALKERS)].tolist()
        senders.sort(key=lambda row: (-row[k.T_FRAMES], row[k.T_FIRST_FRAME]))
        return f.TallyFacts(
            rates=self._rates(),
            talkers=tuple(read_talker(row, hardware=mac_text(row[k.T_KEY] - 1)) for row in senders),
            flows=tuple(_flow(row, at in numbered) for at, row in enumerate(flows.tolist())),
            copies=read_copies(self.copy_totals.tolist()),
            streams=self._streams(index),
            counted=tuple(counted),
            clocks=tuple(_clock(row) for row in self.clocks[self._rows(k.K_CLOCKS)].tolist()),
            periodic=tuple(self._periodic(index)),
            talker_overflow=int(self.totals[k.N_TALKER_OVERFLOW]),
            flow_overflow=int(self.totals[k.N_FLOW_OVERFLOW]),
            shape=self.shapes.facts() if self.shapes is not None else f.Shape(),
        )

    def _rates(self) -> f.Rates:
        state, peaks, timeline = self.rate.copy(), self.peaks.copy(), self.timeline.copy()
        k.close_bin(state, peaks, timeline)
        rows = timeline[: int(state[k.S_ROWS])].T.tolist()
        return read_rates(
            state.tolist(),
            peaks={name: read_peak(row) for name, row in zip(MEASURES, peaks.tolist(), strict=True)},
            width_s=int(state[k.S_WIDTH]) * k.BIN_NS / 1e9,
            sums={name: tuple(row) for name, row in zip(MEASURES, rows, strict=False)},
            most_in_1s={name: tuple(row) for name, row in zip(MEASURES, rows[k.MEASURES :], strict=True)},
        )


def _flow(row: list[int], numbered: bool) -> f.Flow:
    bins, total, squares = row[k.F_BINS], row[k.F_BIN_SUM], row[k.F_BIN_SQUARES]
    mean = total / bins if bins else 0.0
    version = row[k.F_IP_VERSION]
    marks = row[k.F_DSCP], row[k.F_PCP]
    same = row[k.F_FRAMES] - row[k.F_OTHER_MARKS]
    if row[k.F_SECOND_MARKS] > same:  # the first frame was the exception
        marks, same = (row[k.F_SECOND_DSCP], row[k.F_SECOND_PCP]), row[k.F_SECOND_MARKS]
    dscp, pcp = (mark if mark >= 0 else None for mark in marks)
    return read_flow(
        row,
        dscp=dscp,
        pcp=pcp,
        other_marks=row[k.F_FRAMES] - same,
        source=mac_text(row[k.F_SRC]),
        destination=mac_text(row[k.F_DST]),
        cast=CASTS[row[k.F_CAST]],
        source_ip=ip_text(version, row[k.F_SRC_IP : k.F_SRC_IP + 4]),
        destination_ip=ip_text(version, row[k.F_DST_IP : k.F_DST_IP + 4]),
        bin_mean=mean,
        numbered=numbered,
        bin_deviation=math.sqrt(max(squares / bins - mean * mean, 0.0)) if bins else 0.0,
        repeats=read_repeats(row) if row[k.F_REPEATS_CONTENTS] else None,
    )


def _stream(row: list[int], index: dict[int, int], course: f.Course | None) -> f.RtpStream:
    most, followed_hz = 0.5 * row[x.X_RECEIVED], row[x.X_CLOCK_HZ]
    rate = (x.nominal(round(course.per_s)) if course is not None else 0) or followed_hz
    measured = 0 < rate == followed_hz
    return read_stream(
        row,
        flow=index.get(row[x.X_SLOT]),
        expected=row[x.X_BEFORE] + row[x.X_HIGHEST] - row[x.X_BASE] + 1,
        first_losses=_losses(row, x.X_FIRST_LOSSES, x.X_LOSSES),
        clock_hz=rate or None,
        packet_stamps=row[x.X_PACKET_STAMPS] if row[x.X_STEPS] - 1 > most else None,
        media_bytes=row[x.X_MEDIA_BYTES] if row[x.X_SAME_BYTES] > most else 0,
        most_jitter=row[x.X_JITTER16_MOST] / 16 if measured else None,
        delay_spread_s=row[x.X_DELAY_SPREAD_NS] / 1e9 if measured else None,
        course=course,
    )


def _counted(row: list[int], flow: int, course: f.Course | None) -> f.CountedStream:
    return read_counted(
        row,
        flow=flow,
        offset=row[n.N_LOW],
        first_losses=_losses(row, n.N_FIRST_LOSSES, n.N_LOSSES),
        course=course,
    )


def _losses(row: list[int], first: int, count: int) -> tuple[f.Loss, ...]:
    """The jumps that are kept in a row of a table: the first from column `first` on, their number in column
    `count`."""
    return tuple(
        read_loss(row[at : at + x.LOSS_COLUMNS]) for at in _first(first, row[count], x.LOSSES, x.LOSS_COLUMNS)
    )


def _first(start: int, count: int, most: int, width: int) -> range:
    """Where the first of `count` things stand in a row, at most so many."""
    return range(start, start + min(count, most) * width, width)


PTP_TYPES = {
    0: "Sync",
    1: "Delay_Req",
    2: "Pdelay_Req",
    3: "Pdelay_Resp",
    8: "Follow_Up",
    9: "Delay_Resp",
    10: "Pdelay_Resp_Follow_Up",
    11: "Announce",
    12: "Signaling",
    13: "Management",
    p.ANY_MASTER: "any master",
}


def _clock(row: list[int]) -> f.ClockPort:
    kind, digits = row[p.P_TYPE], 8 if row[p.P_VERSION] == 2 else 4
    return read_clock(
        row,
        transport=TRANSPORTS[row[p.P_TRANSPORT]],
        kind=PTP_TYPES.get(kind, f"type {kind}"),
        clock="" if kind == p.ANY_MASTER else f"{row[p.P_ID_HIGH]:08x}{row[p.P_ID_LOW]:0{digits}x}",
        hardware=mac_text(row[p.P_SRC]),
        grandmaster=f"{row[p.P_GM_HIGH]:08x}{row[p.P_GM_LOW]:08x}"
        if digits == 8 and kind == p.ANNOUNCE
        else "",
    )


def _periodic_flow(flow: int, row: list[int]) -> f.PeriodicFlow:
    events = _first(r.B_FIRST_EVENT, row[r.B_EVENTS], r.EVENTS, r.EVENT_COLUMNS)
    return read_periodic(
        row, flow=flow, events=tuple(read_event(row[at : at + r.EVENT_COLUMNS]) for at in events)
    )
