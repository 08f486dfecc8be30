"""A link that is full by the published tables is full by the tally too."""

from pathlib import Path

import numpy as np
import pytest

from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.batch import Batch
from preflight.study import study
from preflight.tally.facts import Rates
from preflight.tally.tally import Tally
from tests.tally.captures import ethernet, every, mac, studied, write, write_with_direction

# Frames a second that fill an Ethernet of so many Mb/s, by frame size with FCS. RFC 2544 appendix B, which
# has 10 Mb/s (from memory):
RFC_2544_B = {64: 14_880, 128: 8_445, 256: 4_528, 512: 2_349, 768: 1_586, 1024: 1_197, 1280: 961, 1518: 812}
# RFC 5180 appendix A.1, for 10, 100, 1 000 and 10 000 Mb/s. Three of its cells do not follow its own formula,
# rate / (8 * (size + 20)) rounded down; here they do: 4096 bytes (30,396 and 303,691 are printed) and 9216
# (13,534).
RFC_5180_A1 = {
    64: (14_880, 148_809, 1_488_095, 14_880_952),
    128: (8_445, 84_459, 844_594, 8_445_945),
    256: (4_528, 45_289, 452_898, 4_528_985),
    512: (2_349, 23_496, 234_962, 2_349_624),
    1024: (1_197, 11_973, 119_731, 1_197_318),
    1280: (961, 9_615, 96_153, 961_538),
    1518: (812, 8_127, 81_274, 812_743),
    1522: (810, 8_106, 81_063, 810_635),
    2048: (604, 6_044, 60_444, 604_448),
    4096: (303, 3_036, 30_369, 303_692),
    8192: (152, 1_522, 15_221, 152_216),
    9216: (135, 1_353, 13_533, 135_339),
}
TABLE = [
    *((size, 10, rate) for size, rate in RFC_2544_B.items()),
    *((size, 10 * 10**n, rate) for size, rates in RFC_5180_A1.items() for n, rate in enumerate(rates)),
]


@pytest.mark.parametrize(("size", "mbps", "per_second"), TABLE)
def test_a_full_link_is_full(tmp_path: Path, size: int, mbps: int, per_second: int) -> None:
    """Frames at the table's rate fill the link to within one: the tables round down. A full second at 10
    Mb/s; of the faster links a stretch of some hundred frames, short enough to lie in one bin."""
    frames = per_second if mbps == 10 and size >= 1024 else min(per_second // 10, 300)
    frame = ethernet("ff:ff:ff:ff:ff:ff", mac(1), 0x88B5, b"", size - 4)
    path = write(tmp_path / "full.pcap", every(1 / per_second, frame, 0, frames / per_second))
    tally = study(str(path)).tally
    assert tally is not None
    got = tally.rates.peaks["bytes"]
    bits = (got.in_1s if frames == per_second else got.in_100ms) * 8
    assert bits == got.total * 8
    full = mbps * 1e6 * frames / per_second
    one_frame_a_second = (size + 20) * 8 * frames / per_second
    assert full - one_frame_a_second < bits <= full


@pytest.mark.parametrize("captured", [14, 42, 59, 60])
def test_a_short_frame_is_padded_on_the_cable(tmp_path: Path, captured: int) -> None:
    """64 bytes at least with FCS (IEEE 802.3), and 20 of preamble and gap."""
    frame = ethernet("ff:ff:ff:ff:ff:ff", mac(1), 0x88B5, b"", captured)
    tally = study(str(write(tmp_path / "short.pcap", [(0.0, frame)]))).tally
    assert tally is not None and tally.rates.peaks["bytes"].total == 84


def test_a_burst_has_to_queue(tmp_path: Path) -> None:
    """Worked by hand: ten frames of 1 238 bytes with overhead (1 214 captured) at once. The last waits for
    nine before it, 11 142 bytes; a frame 40 us later finds 12 380 - 5 000 bytes still there, since 1 Gb/s
    sends 125 bytes a microsecond."""
    frame = ethernet("01:00:5e:90:10:07", mac(7), 0x88B5, bytes(1200))
    path = write(tmp_path / "burst.pcap", [(at, frame) for at in [1e-6] * 10 + [41e-6]])
    tally = study(str(path)).tally
    assert tally is not None
    assert tally.rates.queue_bytes == 9 * 1238


FRAME = ethernet("01:00:5e:90:10:07", mac(7), 0x88B5, bytes(1200))  # 1 238 bytes with overhead


def rates(folder: Path, times: list[float], frame: bytes = FRAME) -> Rates:
    """The rates of `frame` at these times; the first is the beginning."""
    return studied(folder, [(at, frame) for at in times]).tally.rates


@pytest.mark.parametrize(
    ("times", "most_bytes", "at_s"),
    [
        ([0, 0, 0], 2476, 0),
        ([0, 0, 0, 8e-6, 8e-6, 8e-6], 2714 + 2476, 8e-6),  # 3 714 bytes wait, of which 8 us send 1 000
        ([0, 9.904e-6], 0, 0),  # 1 238 bytes take 9.904 us
        ([0, 9.896e-6], 1, 9.896e-6),
        ([0, 0, 0, 1, 1], 2476, 0),  # all has gone long since
    ],
)
def test_what_waits_is_what_came_less_what_was_sent(
    tmp_path: Path, times: list[float], most_bytes: int, at_s: float
) -> None:
    found = rates(tmp_path, times)
    assert (found.queue_bytes, found.queue_at_s) == (most_bytes, pytest.approx(at_s))


def test_own_frames_do_not_wait(tmp_path: Path) -> None:
    frames = [(0.0, FRAME, True)] * 3 + [(0.0, FRAME, False)] * 2
    found = study(str(write_with_direction(tmp_path / "own.pcapng", frames))).tally.rates
    assert (found.queue_bytes, found.busiest_ms_bytes) == (1238, 2 * 1238)
    assert (found.peaks["bytes"].total, found.peaks["sent_bytes"].total) == (2 * 1238, 3 * 1238)


def test_a_slower_link_holds_back_more() -> None:
    """Ten frames at 100 Mb/s, 40 us apart: each takes 99.04 us, so that 738 bytes more wait before each."""
    tally, engine = Tally(link_mbps=100), engines.plain()
    columns = np.zeros((k.COLUMNS, 10), np.int64)
    columns[k.TIME] = 10**9 + np.arange(10) * 40_000
    columns[k.WIRE] = columns[k.CAP] = len(FRAME)
    columns[k.LINK] = k.ETHERNET
    block = np.frombuffer(FRAME, np.uint8)
    engine.read(engine.bytes_of(block), columns, 10, np.zeros(k.CLOCK_STATE, np.int64))
    tally.add(Batch(block, columns, 10, 1, engine, engine.bytes_of(block)))
    assert tally.facts().rates.queue_bytes == 9 * 738


@pytest.mark.parametrize(
    ("times", "most", "at_s"),
    [([0, 0.001, 0.0015, 0.001999999], 3, 0.001), ([0, 0.001, 0.002, 0.0025], 2, 0.002)],
)
def test_a_millisecond_is_a_bin(tmp_path: Path, times: list[float], most: int, at_s: float) -> None:
    found = rates(tmp_path, times)
    assert (found.busiest_ms_bytes, found.busiest_ms_at_s) == (most * 1238, at_s)


@pytest.mark.parametrize(
    ("times", "in_100ms", "in_100ms_at_s", "in_1s", "in_1s_at_s"),
    [
        ([0, 0.099999999], 2, 0, 2, 0),
        ([0, 0.1], 1, 0, 2, 0),
        ([0, 0.999999999], 1, 0, 2, 0),
        ([0, 1.0], 1, 0, 1, 0),
        ([0, 1.0, 1.05, 1.95], 2, 1.0, 3, 1.0),
        ([0, 0.95, 1.05, 1.85], 1, 0, 3, 0.9),
        ([0, 5.0, 5.5, 5.9, 6.0], 1, 0, 3, 5.0),
        ([0, 0.5, 10.6], 1, 0, 2, 0),  # a long quiet is forgotten
    ],
)
def test_bins_and_seconds(
    tmp_path: Path, times: list[float], in_100ms: int, in_100ms_at_s: float, in_1s: int, in_1s_at_s: float
) -> None:
    found = rates(tmp_path, times).peaks["multicast"]
    told = (found.total, found.in_100ms, found.in_100ms_at_s, found.in_1s, found.in_1s_at_s)
    assert told == (len(times), in_100ms, in_100ms_at_s, in_1s, in_1s_at_s)


def test_the_longest_gap(tmp_path: Path) -> None:
    found = rates(tmp_path, [0, 0.5, 2.5, 4.5])
    assert (found.longest_gap_s, found.longest_gap_at_s) == (2.0, 0.5)


@pytest.mark.parametrize(
    ("end_s", "width_s", "rows"),
    [(102.35, 0.1, 1024), (102.4, 0.2, 513), (204.75, 0.2, 1024), (204.8, 0.4, 513), (500, 0.8, 626)],
)
def test_the_time_line_grows_wider_and_loses_nothing(
    tmp_path: Path, end_s: float, width_s: float, rows: int
) -> None:
    found = rates(tmp_path, [0, 0.15, 0.15, 50, 50.1, 102.35, end_s])
    sums, most = found.sums["multicast"], found.most_in_1s["multicast"]
    assert (found.width_s, len(sums), len(most), sum(sums)) == (pytest.approx(width_s), rows, rows, 7)
    assert sum(sums[: round(0.8 / width_s)]) == 3 and max(most[: round(0.8 / width_s)]) == 3
    at = int(50 / width_s)
    assert sum(sums[at : at + round(0.8 / width_s)]) == 2 and max(most[at : at + 10]) == 2


def test_a_stretch_is_where_a_second_held_as_many(tmp_path: Path) -> None:
    """A second that ends in a bin began nine bins before; stretches that touch are one."""
    found = rates(
        tmp_path, [0, 0.05, *(3 + n / 100 for n in range(10)), *(7.05 + n / 100 for n in range(4)), 7.95]
    )
    assert found.spans("multicast", 2) == (
        (0.0, pytest.approx(0.1)),
        (pytest.approx(2.1), pytest.approx(3.1)),
        (pytest.approx(6.1), pytest.approx(8.0)),
    )
    assert found.spans("multicast", 10) == ((pytest.approx(2.1), pytest.approx(3.1)),)
    assert found.spans("multicast", 11) == ()
