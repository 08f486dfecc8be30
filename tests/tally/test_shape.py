"""What pictures are drawn from: the milliseconds of moments that stand out, and each sender's load over
time."""

from pathlib import Path

import numpy as np
import pytest

from preflight.study import study
from preflight.tally import shape_kernels as z
from preflight.tally.facts import Shape, TallyFacts, counts
from tests.tally.captures import arp, broadcast, every, mac, rtp, studied, write

MEASURES = ("broadcast", "discovery", "multicast", "unicast", "bytes", "sent_bytes")


def by_ms(shape: Shape, measure: str) -> dict[int, int]:
    """What is not nothing, by the millisecond from the first frame."""
    first = MEASURES.index(measure) * z.MS
    return {
        round(start * 1000) + n: count
        for start, packed in shape.close
        for n, count in enumerate(counts(packed)[first : first + z.MS])
        if count
    }


def of(facts) -> TallyFacts:
    assert facts.tally is not None
    return facts.tally


def test_all_of_a_short_capture_is_there_by_the_millisecond(tmp_path: Path) -> None:
    frames = [
        (0.0, arp(1, 2)),
        (0.0103, arp(1, 3)),
        (0.0107, arp(1, 4)),
        (0.2, broadcast(3, 1)),
        (2.0, rtp(4, "233.252.0.4", 1)),
    ]
    tally = of(studied(tmp_path, frames))
    assert by_ms(tally.shape, "broadcast") == {0: 1, 10: 2, 200: 1}
    assert by_ms(tally.shape, "multicast") == {2000: 1}
    for measure in MEASURES:
        assert sum(by_ms(tally.shape, measure).values()) == tally.rates.peaks[measure].total


def test_of_a_long_one_the_beginning_of_a_flood_and_a_full_millisecond_are_kept(tmp_path: Path) -> None:
    quiet = every(0.02, lambda n: rtp(4, "233.252.0.4", n, bytes(30)), 0, 300)
    flood = every(0.002, lambda n: broadcast(3, n), 200.0154, 230)
    burst = [(100.0561 + n * 1e-5, rtp(5, "233.252.0.5", n)) for n in range(80)]
    shape = of(studied(tmp_path, quiet, flood, burst)).shape
    assert len(shape.close) == z.CLOSE_ROWS < 3000
    began = by_ms(shape, "broadcast")
    assert [began.get(200_000 + ms, 0) for ms in range(12, 20)] == [0, 0, 0, 1, 0, 1, 0, 1]
    assert by_ms(shape, "multicast")[100_056] == 80 + 0


def test_a_dozen_requests_stand_out_beside_a_load_that_comes_and_goes(tmp_path: Path) -> None:
    """In bytes they only fill up a tenth of a second that has few; of frames that nobody sends otherwise a
    dozen is many."""
    load = [
        (n / 10 + at / 50, rtp(4, "233.252.0.4", n, bytes(200 + n % 2 * 1000)))
        for n in range(1500)
        for at in range(5)
    ]
    asked = [(55.0431 + n * 1e-5, arp(1, 2 + n)) for n in range(12)]
    shape = of(studied(tmp_path, load, asked)).shape
    assert len(shape.close) == z.CLOSE_ROWS
    assert by_ms(shape, "broadcast") == {55_043: 12}


def test_a_silence_ends_where_it_ends(tmp_path: Path) -> None:
    frames = every(0.01, lambda n: rtp(4, "233.252.0.4", n), 0, 1) + every(
        0.01, lambda n: rtp(4, "233.252.0.4", n), 90, 91
    )
    shape = of(studied(tmp_path, frames)).shape
    assert [start for start, _ in shape.close] == pytest.approx(
        [n / 10 for n in [*range(10), *range(900, 910)]]
    )


@pytest.mark.parametrize(("seconds", "width_s"), [(12, 0.1), (13, 0.2), (200, 1.6)])
def test_the_load_of_each_sender_adds_up(tmp_path: Path, seconds: int, width_s: float) -> None:
    one = every(0.05, lambda n: rtp(4, "233.252.0.4", n), 0, seconds)
    other = every(0.05, lambda n: broadcast(3, n), seconds / 2, seconds)
    tally = of(studied(tmp_path, one, other))
    assert tally.shape.width_s == pytest.approx(width_s)
    loads = {sender: counts(packed) for sender, packed in tally.shape.senders}
    assert {sender: sum(load) for sender, load in loads.items()} == {
        t.hardware: t.bytes for t in tally.talkers
    }
    assert len(loads[mac(3)]) <= z.LOADS
    half = int(seconds / 2 / tally.shape.width_s)
    assert not any(loads[mac(3)][:half]) and all(loads[mac(3)][half + 1 : -1])
    assert max(loads[mac(4)][:-1]) <= 1.5 * min(loads[mac(4)][:-1])


def test_senders_without_a_row_are_counted_together() -> None:
    from preflight.frames import kernels as k
    from preflight.frames.compile import plain

    frames, engine = 2000, plain()
    columns = np.zeros((k.COLUMNS, frames), np.int64)
    columns[k.SRC] = np.arange(frames) * 0x10001 + 1
    columns[k.WIRE] = 60
    state = np.zeros(z.SHAPE_STATE, np.int64)
    state[z.Z_WIDTH] = 1
    senders, others = np.zeros((z.SENDER_ROWS, z.SENDER_COLUMNS), np.int64), np.zeros(z.LOADS, np.int64)
    counted = np.zeros(6 * z.MS, np.int64)
    close = np.zeros((z.CLOSE_ROWS, z.CLOSE_COLUMNS), np.int64)
    engine.shape(columns, frames, state, counted, close, senders, others)
    assert others.sum() > 0 and senders[:, 1:].sum() + others.sum() == frames * 84


def test_a_broken_record_is_no_load_in_the_pictures_either(tmp_path: Path) -> None:
    """Its length is one that no adapter sends: what of it is there counts, as it does in the rates."""
    path = write(tmp_path / "made.pcap", [(0.0, arp(1, 2)), (0.5, arp(1, 3))])
    data = bytearray(path.read_bytes())
    data[24 + 12 : 24 + 16] = (262144).to_bytes(4, "little")  # the first record's length on the wire
    path.write_bytes(data)
    tally = of(study(str(path)))
    assert by_ms(tally.shape, "bytes") == {0: 84, 500: 84}
    assert tally.rates.peaks["bytes"].total == 2 * 84


def test_what_stands_out_least_has_no_room_in_a_full_table(tmp_path: Path, monkeypatch) -> None:
    """Of thirty tenths of a second all but two hold one frame: these, and those after them, stand out."""
    monkeypatch.setattr(z, "CLOSE_ROWS", 4)
    counts_of = {0: 50, 15: 200}
    frames = [
        (at / 10 + n * 1e-4, broadcast(3, 1000 * at + n))
        for at in range(30)
        for n in range(counts_of.get(at, 1))
    ]
    shape = of(studied(tmp_path, frames)).shape
    kept = {round(start * 10): sum(counts(packed)[: z.MS]) for start, packed in shape.close}
    assert kept == {0: 50, 1: 1, 15: 200, 16: 1}
