"""The running tallies of one source, and the facts that come out of them.

State lives in int64 tables that kernels update batch by batch; the size of a table is fixed when it is made, so a
day costs no more memory than a second. `facts` reads the tables and changes nothing, so that a standing watch
can ask as often as it likes.
"""

import math
from ipaddress import ip_address
from typing import Literal

import numpy as np

from preflight.frames.batch import Batch
from preflight.frames.kernels import SLOT
from preflight.tally import beat_kernels as r
from preflight.tally import clock_kernels as p
from preflight.tally import kernels as k
from preflight.tally import stream_kernels as x
from preflight.tally.beats import Learned, learn
from preflight.tally.facts import (
    Beat,
    Cast,
    ClockPort,
    Copies,
    Flow,
    Loss,
    Measure,
    MissingBeats,
    Peak,
    Rates,
    Repeats,
    RtpStream,
    Talker,
    TallyFacts,
)

FLOW_ROWS = 1 << 13
TALKER_ROWS = 1 << 13
COPY_ROWS = 1 << 16
STREAM_ROWS = 1 << 12
CLOCK_ROWS = 1 << 11
CASTS: tuple[Cast, ...] = ("unicast", "multicast", "broadcast")
MEASURES: tuple[Measure, ...] = ("broadcast", "discovery", "multicast", "unicast", "bytes", "sent_bytes")


def mac_text(number: int) -> str:
    """48-bit number to aa:bb:cc:dd:ee:ff, "" for 0 (the link type has no address)."""
    return ":".join(f"{number:012x}"[i : i + 2] for i in range(0, 12, 2)) if number else ""


class Tally:
    """All tallies of one source; feed batches in order with `add`. `link_mbps` is the rate that queues are reckoned with."""

    def __init__(self, link_mbps: int = 1000) -> None:
        self.flows = np.zeros((FLOW_ROWS, k.FLOW_COLUMNS), np.int64)
        self.talkers = np.zeros((TALKER_ROWS, k.TALKER_COLUMNS), np.int64)
        self.totals = np.zeros(4, np.int64)
        self.seen = np.zeros((COPY_ROWS, k.COPY_COLUMNS), np.int64)
        self.copy_totals = np.zeros(k.COPY_TOTALS, np.int64)
        self.streams = np.zeros((STREAM_ROWS, x.STREAM_COLUMNS), np.int64)
        self.stream_totals = np.zeros(2, np.int64)
        self.clocks = np.zeros((CLOCK_ROWS, p.CLOCK_COLUMNS), np.int64)
        self.clock_totals = np.zeros(1, np.int64)
        self.beats = np.zeros((FLOW_ROWS, r.BEAT_COLUMNS), np.int64)
        self.first_times = np.zeros((FLOW_ROWS, r.LEARN), np.int64)
        self.rate = np.zeros(k.RATE_STATE, np.int64)
        self.rate[k.S_WIDTH] = 1
        self.rate[k.S_MBPS] = link_mbps
        self.ring = np.zeros((k.MEASURES, k.RING), np.int64)
        self.timeline = np.zeros((k.TIMELINE_ROWS, k.TIMELINE_COLUMNS), np.int64)

    def add(self, batch: Batch) -> None:
        """Count one batch; its columns SLOT and COPY are filled on the way."""
        engine, columns, rows = batch.engine, batch.columns, batch.rows
        engine.count(batch.view, columns, rows, batch.first, self.flows, self.talkers, self.totals)
        engine.copies(columns, rows, batch.first, self.seen, self.flows, self.copy_totals)
        engine.streams(batch.view, columns, rows, batch.first, self.streams, self.stream_totals)
        engine.clocks(batch.view, columns, rows, batch.first, self.clocks, self.clock_totals)
        row = -1
        while (row := engine.beats(columns, row + 1, rows, batch.first, self.first_times, self.beats)) < rows:
            self._learn(int(columns[SLOT, row]))
        engine.rates(columns, rows, self.rate, self.ring, self.timeline)

    def _learn(self, slot: int) -> None:
        """Decide from a flow's first frames whether it has a beat to follow."""
        learned = learn(self.first_times[slot])
        row = self.beats[slot]
        if learned is None:
            row[r.B_STATE] = r.APERIODIC
            return
        row[r.B_STATE] = r.SEARCHING
        _enter(row, learned)

    def _beats(self, index: dict[int, int]) -> list[Beat]:
        found = []
        for slot in np.flatnonzero(self.beats[:, r.B_COUNT] >= 8).tolist():
            row = self.beats[slot].tolist()
            if row[r.B_STATE] in (r.SEARCHING, r.LOCKED):
                found.append(_beat(index[slot], row))
            elif row[r.B_STATE] == r.LEARNING and (
                learned := learn(self.first_times[slot, : row[r.B_COUNT]])
            ):
                _enter(row, learned)
                found.append(_beat(index[slot], row))
        return sorted(found, key=lambda beat: beat.flow)

    def rtp_flows(self) -> np.ndarray:
        """A hash table of the flows (FLOW | 1) that are RTP: by a stream in them, or by how their numbers count on."""
        flows = self.flows
        counts_on = flows[:, k.F_SEQUENCE_STEPS] > 0.4 * flows[:, k.F_FRAMES]
        slots = set(np.flatnonzero(counts_on & (flows[:, k.F_KEY] != 0)).tolist())
        rows = self.streams[(self.streams[:, x.X_KEY] != 0) & (self.streams[:, x.X_SLOT] >= 0)].tolist()
        slots |= {row[x.X_SLOT] for row in rows if _stream(row, {}).real}
        table = np.zeros((FLOW_ROWS, 1), np.int64)
        for key in flows[sorted(slots), k.F_KEY].tolist():
            if (at := k.slot_of(table, key)) >= 0:
                table[at, 0] = key
        return table

    def facts(self) -> TallyFacts:
        used = np.flatnonzero(self.flows[:, k.F_KEY])
        used = used[np.argsort(-self.flows[used, k.F_FRAMES], kind="stable")]
        index = {int(slot): number for number, slot in enumerate(used)}
        flows = self.flows[used]
        for at in np.flatnonzero(flows[:, k.F_EARLY]):
            k.share_out(flows, at, int(flows[at, k.F_EARLY]), int(flows[at, k.F_EARLY_BINS]))
        senders = self.talkers[self.talkers[:, k.T_KEY] != 0].tolist()
        senders.sort(key=lambda row: -row[k.T_FRAMES])
        return TallyFacts(
            rates=self._rates(),
            talkers=tuple(_talker(row) for row in senders),
            flows=tuple(_flow(row) for row in flows.tolist()),
            copies=self._copies(),
            streams=tuple(
                _stream(row, index) for row in self.streams[self.streams[:, x.X_KEY] != 0].tolist()
            ),
            clocks=tuple(_clock(row) for row in self.clocks[self.clocks[:, p.P_KEY] != 0].tolist()),
            beats=tuple(self._beats(index)),
            talker_overflow=int(self.totals[k.N_TALKER_OVERFLOW]),
            flow_overflow=int(self.totals[k.N_FLOW_OVERFLOW]),
        )

    def _rates(self) -> Rates:
        state, timeline = self.rate.copy(), self.timeline.copy()
        k.close_rates(state, self.ring.copy(), timeline)
        rows = timeline[: int(state[k.S_ROWS])]
        peaks: dict[Measure, Peak] = {
            name: Peak(
                total=int(rows[:, m].sum()),
                in_100ms=int(state[k.S_MOST_BIN + m]),
                in_100ms_at_s=int(state[k.S_MOST_BIN_AT + m]) / 1e9,
                in_1s=int(state[k.S_MOST_SECOND + m]),
                in_1s_at_s=int(state[k.S_MOST_SECOND_AT + m]) / 1e9,
            )
            for m, name in enumerate(MEASURES)
        }
        return Rates(
            peaks=peaks,
            busiest_ms_bytes=int(state[k.S_MS_MOST]),
            busiest_ms_at_s=int(state[k.S_MS_MOST_AT]) / 1e9,
            queue_bytes=int(state[k.S_QUEUE_MOST]),
            queue_at_s=int(state[k.S_QUEUE_AT]) / 1e9,
            longest_gap_s=int(state[k.S_GAP]) / 1e9,
            longest_gap_at_s=int(state[k.S_GAP_AT]) / 1e9,
            width_s=int(state[k.S_WIDTH]) * k.BIN_NS / 1e9,
            sums={name: tuple(rows[:, m].tolist()) for m, name in enumerate(MEASURES)},
            most_in_1s={name: tuple(rows[:, k.MEASURES + m].tolist()) for m, name in enumerate(MEASURES)},
        )

    def _copies(self) -> Copies:
        t = self.copy_totals.tolist()
        returned = t[k.M_RETURNED] > 0
        return Copies(
            distinct=t[k.M_DISTINCT],
            pairs=t[k.M_PAIRS],
            copies=t[k.M_COPIES],
            returned=t[k.M_RETURNED],
            returned_frame=t[k.M_RETURNED_FIRST] if returned else None,
            returned_s=t[k.M_RETURNED_NS] / 1e9 if returned else None,
            cut=t[k.M_CUT],
        )


def _talker(row: list[int]) -> Talker:
    return Talker(
        hardware=mac_text(row[k.T_KEY] - 1),
        frames=row[k.T_FRAMES],
        bytes=row[k.T_BYTES],
        broadcast=row[k.T_BROADCAST],
        discovery=row[k.T_DISCOVERY],
        first_frame=row[k.T_FIRST],
        first_s=row[k.T_FIRST_NS] / 1e9,
        last_s=row[k.T_LAST_NS] / 1e9,
        most_broadcast=row[k.T_MOST_BROADCAST],
        most_broadcast_at_s=float(row[k.T_MOST_BROADCAST_AT]),
        most_discovery=row[k.T_MOST_DISCOVERY],
        most_discovery_at_s=float(row[k.T_MOST_DISCOVERY_AT]),
        unicast_sent=row[k.T_TO_ONE],
        unicast_received=row[k.T_FROM_ONE],
        own=row[k.T_OUT] > 0,
    )


def _ip(version: int, words: list[int]) -> str:
    if version == 4:
        return str(ip_address(words[0]))
    if version == 6:
        return str(ip_address(words[0] << 96 | words[1] << 64 | words[2] << 32 | words[3]))
    return ""


def _repeats(row: list[int]) -> Repeats:
    return Repeats(
        contents=row[k.F_REPEATED],
        copies=row[k.F_COPIES],
        most=row[k.F_MOST] + 1,
        most_frame=row[k.F_MOST_FIRST],
        most_first_s=row[k.F_MOST_FIRST_NS] / 1e9,
        most_last_s=row[k.F_MOST_LAST_NS] / 1e9,
        eighth_frame=row[k.F_EIGHTH],
        eighth_s=row[k.F_EIGHTH_NS] / 1e9,
        first_s=row[k.F_REPEAT_FIRST_NS] / 1e9,
        last_s=row[k.F_REPEAT_LAST_NS] / 1e9,
    )


def _flow(row: list[int]) -> Flow:
    bins, total, squares = row[k.F_BINS], row[k.F_BIN_SUM], row[k.F_BIN_SQUARES]
    mean = total / bins if bins else 0.0
    deviation = math.sqrt(max(squares / bins - mean * mean, 0.0)) if bins else 0.0
    version = row[k.F_VERSION]
    return Flow(
        source=mac_text(row[k.F_SRC]),
        destination=mac_text(row[k.F_DST]),
        cast=CASTS[row[k.F_CAST]],
        discovery=bool(row[k.F_DISCOVERY]),
        ethertype=row[k.F_ETYPE],
        vlan=row[k.F_VLAN] if row[k.F_VLAN] >= 0 else None,
        protocol=row[k.F_PROTO] if row[k.F_PROTO] >= 0 else None,
        source_port=row[k.F_SPORT],
        destination_port=row[k.F_DPORT],
        source_ip=_ip(version, row[k.F_SRC_IP : k.F_SRC_IP + 4]),
        destination_ip=_ip(version, row[k.F_DST_IP : k.F_DST_IP + 4]),
        frames=row[k.F_FRAMES],
        bytes=row[k.F_BYTES],
        first_frame=row[k.F_FIRST],
        first_s=row[k.F_FIRST_NS] / 1e9,
        last_s=row[k.F_LAST_NS] / 1e9,
        most_in_1s=row[k.F_SECOND_MOST],
        most_in_1s_at_s=float(row[k.F_SECOND_MOST_AT]),
        bins=bins,
        bin_mean=mean,
        bin_deviation=deviation,
        changes=row[k.F_CHANGES],
        distinct=row[k.F_DISTINCT],
        repeats=_repeats(row) if row[k.F_REPEATED] else None,
        cut=row[k.F_CUT],
        sequence_steps=row[k.F_SEQUENCE_STEPS],
        dscp=row[k.F_DSCP] if row[k.F_DSCP] >= 0 else None,
        pcp=row[k.F_PCP] if row[k.F_PCP] >= 0 else None,
        other_marks=row[k.F_OTHER_MARKS],
        shortest=row[k.F_SHORTEST],
        longest=row[k.F_LONGEST],
        runts=row[k.F_RUNTS],
        giants=row[k.F_GIANTS],
        pause_most_quanta=row[k.F_PAUSE_MOST],
        pause_sum_quanta=row[k.F_PAUSE_SUM],
    )


def _loss(row: list[int], number: int) -> Loss:
    start_ns, end_ns, frame, packets = row[x.X_FIRST_LOSS + number * x.LOSS_COLUMNS :][: x.LOSS_COLUMNS]
    return Loss(packets, start_ns / 1e9, end_ns / 1e9, frame)


def _stream(row: list[int], index: dict[int, int]) -> RtpStream:
    lossy = row[x.X_LONGEST] > 0
    rate = row[x.X_RATE]
    return RtpStream(
        flow=index.get(row[x.X_SLOT]),
        ssrc=row[x.X_SSRC],
        payload_type=row[x.X_TYPE],
        packets=row[x.X_PACKETS],
        first_frame=row[x.X_FIRST],
        first_s=row[x.X_FIRST_NS] / 1e9,
        last_s=row[x.X_LAST_NS] / 1e9,
        expected=row[x.X_EXPECTED] + row[x.X_HIGHEST] - row[x.X_BASE] + 1,
        received=row[x.X_RECEIVED],
        duplicates=row[x.X_DUPLICATES],
        late=row[x.X_LATE],
        restarts=row[x.X_RESTARTS],
        losses=row[x.X_GAPS],
        first_losses=tuple(_loss(row, n) for n in range(min(row[x.X_GAPS], x.LOSSES))),
        last_loss_s=row[x.X_LAST_LOSS_NS] / 1e9 if lossy else None,
        longest_loss=row[x.X_LONGEST],
        longest_loss_frame=row[x.X_LONGEST_FRAME] if lossy else None,
        longest_loss_s=row[x.X_LONGEST_NS] / 1e9 if lossy else None,
        clock_hz=rate or None,
        packet_stamps=row[x.X_STEP] if row[x.X_STEPS] > 0.5 * row[x.X_RECEIVED] else None,
        media_bytes=row[x.X_BYTES] if row[x.X_SAME_BYTES] > 0.5 * row[x.X_RECEIVED] else 0,
        jitter=row[x.X_JITTER16] / 16 if rate else None,
        most_jitter=row[x.X_JITTER16_MOST] / 16 if rate else None,
        longest_wait_s=row[x.X_WAIT] / 1e9,
        longest_wait_frame=row[x.X_WAIT_FRAME] or None,
        longest_wait_at_s=row[x.X_WAIT_NS] / 1e9,
        delay_spread_s=row[x.X_SPREAD] / 1e9 if rate else None,
        delay_spread_at_s=row[x.X_SPREAD_NS] / 1e9,
    )


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
TRANSPORTS: dict[int, Literal["UDP/IPv4", "UDP/IPv6", "Ethernet"]] = {
    4: "UDP/IPv4",
    6: "UDP/IPv6",
    2: "Ethernet",
}
TWO_STEP = 0x0200  # flagField, IEEE 1588-2008 table 20


def _clock(row: list[int]) -> ClockPort:
    announces = row[p.P_VERSION] == 2 and row[p.P_TYPE] == p.ANNOUNCE
    changed = row[p.P_CHANGES] > 0
    identity = f"{row[p.P_ID_HIGH]:08x}" + (
        f"{row[p.P_ID_LOW]:08x}" if row[p.P_VERSION] == 2 else f"{row[p.P_ID_LOW]:04x}"
    )
    return ClockPort(
        transport=TRANSPORTS[row[p.P_TRANSPORT]],
        version=row[p.P_VERSION],
        sdo=row[p.P_SDO],
        domain=row[p.P_DOMAIN],
        kind=PTP_TYPES.get(row[p.P_TYPE], f"type {row[p.P_TYPE]}"),
        clock="" if row[p.P_TYPE] == p.ANY_MASTER else identity,
        port=row[p.P_PORT],
        hardware=mac_text(row[p.P_SRC]),
        count=row[p.P_COUNT],
        first_frame=row[p.P_FIRST],
        first_s=row[p.P_FIRST_NS] / 1e9,
        last_s=row[p.P_LAST_NS] / 1e9,
        longest_interval_s=row[p.P_LONGEST_NS] / 1e9,
        longest_interval_at_s=row[p.P_LONGEST_AT] / 1e9,
        interval_log2=row[p.P_LOG],
        two_step=bool(row[p.P_FLAGS] & TWO_STEP),
        grandmaster=f"{row[p.P_GM_HIGH]:08x}{row[p.P_GM_LOW]:08x}" if announces else "",
        priority1=row[p.P_PRIORITY1],
        clock_class=row[p.P_CLASS],
        accuracy=row[p.P_ACCURACY],
        variance=row[p.P_VARIANCE],
        priority2=row[p.P_PRIORITY2],
        steps_removed=row[p.P_STEPS],
        changes=row[p.P_CHANGES],
        changed_s=row[p.P_CHANGED_NS] / 1e9 if changed else None,
        changed_frame=row[p.P_CHANGED] if changed else None,
    )


def _enter(row, learned: Learned) -> None:
    """Put what was learned into a row of the beat table."""
    row[r.B_PERIOD], row[r.B_PER_BEAT], row[r.B_BEATS] = learned.period_ns, learned.per_beat, learned.beats
    row[r.B_MISSING] = learned.missing * learned.per_beat
    if learned.missing_ns is not None:
        row[r.B_EVENTS] = 1
        row[r.B_FIRST_EVENT] = learned.missing_ns
        row[r.B_FIRST_EVENT + 2] = row[r.B_MISSING]


def _beat(flow: int, row: list[int]) -> Beat:
    events = []
    for n in range(min(row[r.B_EVENTS], r.EVENTS)):
        at = r.B_FIRST_EVENT + n * r.EVENT_COLUMNS
        events.append(MissingBeats(row[at + 2], row[at] / 1e9, row[at + 1] or None))
    return Beat(
        flow=flow,
        period_s=row[r.B_PERIOD] / 1e9,
        per_beat=row[r.B_PER_BEAT],
        beats=row[r.B_BEATS],
        missing=row[r.B_MISSING],
        late=row[r.B_LATE],
        longest_wait_s=row[r.B_WORST] / 1e9,
        longest_wait_at_s=row[r.B_WORST_NS] / 1e9,
        longest_wait_frame=row[r.B_WORST_FRAME] or None,
        stops=row[r.B_STOPS],
        longest_stop_s=row[r.B_LONGEST_STOP] / 1e9,
        events=tuple(events),
    )
