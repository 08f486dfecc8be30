"""However the frames are cut into batches, and whatever runs the kernels, the same tallies come out."""

import struct
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.batch import ROWS, Batch
from preflight.tally.facts import TallyFacts
from preflight.tally.tally import Tally
from tests.tally.captures import announce, arp, broadcast, ethernet, every, mac, rtp, udp

FRAMES = [
    arp(1, 2),
    arp(1, 3),
    arp(2, 2),
    broadcast(3, 7),
    broadcast(3, 8, 1514),
    rtp(4, "233.252.0.4", 0xFFFF),
    rtp(4, "233.252.0.4", 0x10000),
    rtp(4, "233.252.0.4", 1),
    # extended, padded
    udp(4, "233.252.0.4", 5004, b"\xb2\x61\0\2" + bytes(16) + b"\xbe\xde\0\1" + bytes(40) + b"\4"),
    udp(5, "239.255.255.250", 1900, b"NOTIFY"),
    udp(6, "192.0.2.7", 7000, b"x", mac(7)),
    udp(7, "192.0.2.6", 7000, b"y", mac(6)),
    ethernet("33:33:00:00:00:01", mac(8), 0x86DD, struct.pack(">IHBB", 6 << 28, 8, 17, 1) + bytes(range(32)) + bytes(8)),
    ethernet("01:00:5e:90:10:01", mac(9), 0x8100, struct.pack(">HH", 0x6007, 0x88B6) + b"tagged"),
    b"\xff" * 9,
]  # fmt: skip
# Gaps from a frame to the next: back to back, within a loop, a keep-alive's, across a bin, a hole, a step
# back.
GAPS = st.sampled_from([0, 5_000, 50_000, 4_000_000, 6_000_000, 21_000_000, 99_999_999, 3_000_000_000, -3_000, -50_000_000])  # fmt: skip
Record = tuple[int, bytes, bool, int]
"""Time from the frame before (ns), frame, whether this computer sent it, snap length."""
RECORD = st.tuples(GAPS, st.sampled_from(FRAMES), st.booleans(), st.sampled_from([64, 96, 2000]))
# Runs, so that copies pile up as in a loop.
RECORDS = st.lists(st.tuples(RECORD, st.integers(1, 40)), min_size=1, max_size=40).map(
    lambda runs: [record for record, times in runs for _ in range(times)]
)
SIZES = (1, 2, 3, 5, 8, 64, 1000)


def show() -> list[Record]:
    """Streams, a clock and beats for two seconds, long enough to be learned and followed; some packets and a
    beat are missing, one frame loops, and a sender that was held up catches up."""
    frames = [(at, rtp(4, "233.252.0.4", n)) for n, (at, _) in enumerate(every(0.004, b"", 0, 2)) if n % 97]
    frames += [(1.5 + n / 1000, rtp(5, "233.252.0.5", 0xFFF0 + n)) for n in range(150)]
    frames += every(0.008, lambda n: udp(6, "192.0.2.7", 7000, bytes([7, n]), mac(7)), 0.001, 0.8)
    frames += every(0.008, lambda n: udp(6, "192.0.2.7", 7000, bytes([8, n]), mac(7)), 0.817, 2)
    frames += every(
        0.02, lambda n: broadcast(3, n), 0.002, 1.3
    )  # ends with the frame that its beat is learned from
    frames += [(1.6 + 1e-5 * n, broadcast(3, 1000 + n)) for n in range(12)]
    frames += every(0.125, lambda n: announce(9, n, priority1=128 - (n > 9)), 0.003, 2)
    frames += every(0.001, broadcast(8, 1), 1.2, 1.25)
    frames.sort(key=lambda frame: frame[0])
    return [
        (round((at - before) * 1e9), data, False, 2000)
        for (before, _), (at, data) in pairwise([(0.0, b""), *frames])
    ]


def tallied(
    records: list[Record],
    engine: engines.Engine,
    size: int = ROWS,
    cuts: Sequence[int] = (),
    ask: bool = False,
) -> TallyFacts:
    """The tallies of the records, in batches of `size` rows and cut before the given rows; `ask` for them
    after each too."""
    tally, clock, time = Tally(), np.zeros(k.CLOCK_STATE, np.int64), 1_000_000_000_000
    bounds = {*range(0, len(records), size), len(records), *(cut % (len(records) + 1) for cut in cuts)}
    for begin, end in pairwise(sorted(bounds)):
        columns = np.zeros((k.COLUMNS, end - begin), np.int64)
        block = bytearray()
        for row, (gap, frame, sent, snap) in enumerate(records[begin:end]):
            time += gap
            data = frame[:snap]
            columns[: k.OUT + 1, row] = (time, len(frame), len(data), len(block), k.ETHERNET, sent)
            block += data
        array = np.frombuffer(bytes(block), np.uint8).copy()
        view = engine.bytes_of(array)
        engine.read(view, columns, end - begin, clock)
        tally.add(Batch(array, columns, end - begin, begin + 1, engine, view))
        if ask:
            tally.facts()
    return tally.facts()


QUICK = settings(max_examples=25, suppress_health_check=[HealthCheck.data_too_large, HealthCheck.too_slow])


@pytest.mark.parametrize("size", SIZES)
def test_a_show_in_batches_of_any_size_gives_the_same(size: int) -> None:
    engine = engines.compiled()
    facts = tallied(show(), engine, size)
    assert facts == tallied(show(), engine)
    assert len(facts.periodic) == 5 and sum(beat.missing for beat in facts.periodic) > 0
    assert len(facts.streams) == 2 and any(stream.lost for stream in facts.streams)
    assert facts.clocks and any(flow.repeats for flow in facts.flows)


@QUICK
@given(RECORDS, st.lists(st.integers(0, 2000), max_size=8))
def test_any_split_into_batches_gives_the_same(records, cuts) -> None:
    engine = engines.compiled()
    whole = tallied(records, engine)
    assert tallied(records, engine, cuts=cuts) == whole
    for size in SIZES:
        assert tallied(records, engine, size) == whole


@QUICK
@given(RECORDS, st.lists(st.integers(0, 2000), max_size=3))
def test_plain_and_compiled_kernels_give_the_same(records, cuts) -> None:
    assert tallied(records, engines.plain(), cuts=cuts) == tallied(records, engines.compiled(), cuts=cuts)


def test_plain_and_compiled_kernels_give_the_same_of_a_show() -> None:
    assert tallied(show(), engines.plain(), 64) == tallied(show(), engines.compiled(), 64)


@QUICK
@given(RECORDS)
def test_every_frame_is_counted_once(records) -> None:
    facts = tallied(records, engines.compiled(), cuts=[len(records) // 2])
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
    assert tallied(records, engine, cuts=cuts, ask=True) == tallied(records, engine, cuts=cuts)
