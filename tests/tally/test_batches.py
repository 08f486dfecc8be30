"""However the frames are cut into batches, and whatever runs the kernels, the same tallies come out."""

import struct
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.batch import ROWS, Batch
from preflight.tally.facts import TallyFacts
from preflight.tally.tally import Tally
from tests.tally.captures import arp, broadcast, ethernet, mac, rtp, udp

FRAMES = [
    arp(1, 2),
    arp(1, 3),
    arp(2, 2),
    broadcast(3, 7),
    broadcast(3, 8, 1514),
    rtp(4, "233.252.0.4", 0xFFFF),
    rtp(4, "233.252.0.4", 0x10000),
    rtp(4, "233.252.0.4", 1),
    udp(4, "233.252.0.4", 5004, b"\xb2\x61\0\2" + bytes(16) + b"\xbe\xde\0\1" + bytes(40) + b"\4"),  # extended, padded
    udp(5, "239.255.255.250", 1900, b"NOTIFY"),
    udp(6, "192.0.2.7", 7000, b"x", mac(7)),
    udp(7, "192.0.2.6", 7000, b"y", mac(6)),
    ethernet("33:33:00:00:00:01", mac(8), 0x86DD, struct.pack(">IHBB", 6 << 28, 8, 17, 1) + bytes(range(32)) + bytes(8)),
    ethernet("01:00:5e:90:10:01", mac(9), 0x8100, struct.pack(">HH", 0x6007, 0x88B6) + b"tagged"),
    b"\xff" * 9,
]  # fmt: skip
# Gaps from a frame to the next: back to back, within a loop, a keep-alive's, across a bin, a hole, a step back.
GAPS = st.sampled_from([0, 5_000, 50_000, 4_000_000, 6_000_000, 21_000_000, 99_999_999, 3_000_000_000, -3_000, -50_000_000])  # fmt: skip
RECORD = st.tuples(GAPS, st.sampled_from(range(len(FRAMES))), st.booleans(), st.sampled_from([64, 96, 2000]))
# Runs, so that copies pile up as in a loop.
RECORDS = st.lists(st.tuples(RECORD, st.integers(1, 40)), min_size=1, max_size=40).map(
    lambda runs: [record for record, times in runs for _ in range(times)]
)


def tallied(
    records: list[tuple[int, int, bool, int]], cuts: list[int], engine: engines.Engine, ask: bool = False
) -> TallyFacts:
    """The tallies of the records, cut into batches before the given rows; `ask` for them after each batch too."""
    tally, clock, time = Tally(), np.zeros(11, np.int64), 1_000_000_000_000
    bounds = sorted({0, len(records), *(cut % (len(records) + 1) for cut in cuts)})
    for begin, end in pairwise(bounds):
        columns = np.zeros((k.COLUMNS, ROWS), np.int64)
        block = bytearray()
        for row, (gap, which, sent, snap) in enumerate(records[begin:end]):
            time += gap
            data = FRAMES[which][:snap]
            columns[: k.OUT + 1, row] = (time, len(FRAMES[which]), len(data), len(block), k.ETHERNET, sent)
            block += data
        array = np.frombuffer(bytes(block), np.uint8).copy()
        view = engine.bytes_of(array)
        engine.classify(view, columns, end - begin)
        engine.steady(columns, end - begin, clock)
        tally.add(Batch(array, columns, end - begin, begin + 1, engine, view))
        if ask:
            tally.facts()
    return tally.facts()


QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.data_too_large])


@QUICK
@given(RECORDS, st.lists(st.integers(0, 2000), max_size=8))
def test_any_split_into_batches_gives_the_same(records, cuts) -> None:
    engine = engines.compiled()
    assert tallied(records, cuts, engine) == tallied(records, [], engine)


@QUICK
@given(RECORDS, st.lists(st.integers(0, 2000), max_size=3))
def test_plain_and_compiled_kernels_give_the_same(records, cuts) -> None:
    assert tallied(records, cuts, engines.plain()) == tallied(records, cuts, engines.compiled())


@QUICK
@given(RECORDS)
def test_every_frame_is_counted_once(records) -> None:
    facts = tallied(records, [len(records) // 2], engines.compiled())
    known = sum(facts.rates.peaks[m].total for m in ("broadcast", "discovery", "multicast", "unicast"))
    assert known == len(records)
    assert sum(flow.frames for flow in facts.flows) == len(records)
    assert sum(talker.frames for talker in facts.talkers) == len(records)
    copies = facts.copies
    assert copies.distinct + copies.copies + copies.cut == len(records)
    assert sum(flow.repeats.copies for flow in facts.flows if flow.repeats) <= copies.copies
    assert sum(flow.distinct for flow in facts.flows) == copies.distinct
    peak = facts.rates.peaks["bytes"]
    assert peak.in_100ms <= peak.in_1s <= peak.total


@QUICK
@given(RECORDS, st.lists(st.integers(0, 2000), max_size=4))
def test_asking_while_it_listens_changes_nothing(records, cuts) -> None:
    engine = engines.compiled()
    assert tallied(records, cuts, engine, ask=True) == tallied(records, cuts, engine)
