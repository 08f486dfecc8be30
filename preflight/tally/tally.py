"""The running tallies of one source, and the facts that come out of them.

State lives in int64 tables that kernels update batch by batch; the size of a table is fixed when it is made, so a
day costs no more memory than a second. `facts` reads the tables and changes nothing, so that a standing watch
can ask as often as it likes.
"""

import math
from ipaddress import ip_address

import numpy as np

from preflight.frames.batch import Batch
from preflight.tally import kernels as k
from preflight.tally.facts import Cast, Copies, Flow, Measure, Peak, Rates, Repeat, Talker, TallyFacts

FLOW_ROWS = 1 << 13
TALKER_ROWS = 1 << 13
COPY_ROWS = 1 << 16
CASTS: tuple[Cast, ...] = ("unicast", "multicast", "broadcast")
MEASURES: tuple[Measure, ...] = ("broadcast", "discovery", "multicast", "unicast", "bytes", "sent_bytes")


def mac_text(number: int) -> str:
    """48-bit number to aa:bb:cc:dd:ee:ff, "" for 0 (the link type has no address)."""
    return ":".join(f"{number:012x}"[i : i + 2] for i in range(0, 12, 2)) if number else ""


class Tally:
    """All tallies of one source; feed batches in order with `add`."""

    def __init__(self) -> None:
        self.flows = np.zeros((FLOW_ROWS, k.FLOW_COLUMNS), np.int64)
        self.talkers = np.zeros((TALKER_ROWS, k.TALKER_COLUMNS), np.int64)
        self.totals = np.zeros(4, np.int64)
        self.seen = np.zeros((COPY_ROWS, k.COPY_COLUMNS), np.int64)
        self.copy_totals = np.zeros(k.COPY_TOTALS, np.int64)
        self.examples = np.zeros((k.EXAMPLE_ROWS, k.EXAMPLE_COLUMNS), np.int64)
        self.rate = np.zeros(k.RATE_STATE, np.int64)
        self.rate[k.S_WIDTH] = 1
        self.ring = np.zeros((k.MEASURES, k.RING), np.int64)
        self.timeline = np.zeros((k.TIMELINE_ROWS, k.TIMELINE_COLUMNS), np.int64)

    def add(self, batch: Batch) -> None:
        """Count one batch; its columns SLOT and COPY are filled on the way."""
        engine, columns, rows = batch.engine, batch.columns, batch.rows
        engine.count(batch.view, columns, rows, batch.first, self.flows, self.talkers, self.totals)
        engine.copies(columns, rows, batch.first, self.seen, self.flows, self.copy_totals, self.examples)
        engine.rates(columns, rows, self.rate, self.ring, self.timeline)

    def facts(self) -> TallyFacts:
        used = np.flatnonzero(self.flows[:, k.F_KEY])
        used = used[np.argsort(-self.flows[used, k.F_FRAMES], kind="stable")]
        index = {int(slot): number for number, slot in enumerate(used)}
        senders = self.talkers[self.talkers[:, k.T_KEY] != 0].tolist()
        senders.sort(key=lambda row: -row[k.T_FRAMES])
        return TallyFacts(
            rates=self._rates(),
            talkers=tuple(_talker(row) for row in senders),
            flows=tuple(_flow(row) for row in self.flows[used].tolist()),
            copies=self._copies(index),
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
            longest_gap_s=int(state[k.S_GAP]) / 1e9,
            longest_gap_at_s=int(state[k.S_GAP_AT]) / 1e9,
            width_s=int(state[k.S_WIDTH]) * k.BIN_NS / 1e9,
            sums={name: tuple(rows[:, m].tolist()) for m, name in enumerate(MEASURES)},
            most_in_1s={name: tuple(rows[:, k.MEASURES + m].tolist()) for m, name in enumerate(MEASURES)},
        )

    def _copies(self, index: dict[int, int]) -> Copies:
        t = self.copy_totals.tolist()
        examples = tuple(
            Repeat(first, last, first_ns / 1e9, last_ns / 1e9, index.get(slot))
            for first, last, first_ns, last_ns, slot in self.examples[: t[k.M_EXAMPLES]].tolist()
        )
        most = Repeat(
            t[k.M_MOST_FIRST],
            t[k.M_MOST_LAST],
            t[k.M_MOST_FIRST_NS] / 1e9,
            t[k.M_MOST_LAST_NS] / 1e9,
            index.get(t[k.M_MOST_SLOT]),
        )
        returned = t[k.M_RETURNED] > 0
        return Copies(
            distinct=t[k.M_DISTINCT],
            pairs=t[k.M_PAIRS],
            repeated=t[k.M_REPEATED],
            copies=t[k.M_COPIES],
            most=t[k.M_MOST] + 1 if t[k.M_REPEATED] else 0,
            most_example=most if t[k.M_REPEATED] else None,
            span_s=(t[k.M_SPAN_FIRST_NS] / 1e9, t[k.M_SPAN_LAST_NS] / 1e9) if t[k.M_REPEATED] else None,
            examples=examples,
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
        repeated=row[k.F_REPEATED],
        sequence_steps=row[k.F_SEQUENCE_STEPS],
    )
