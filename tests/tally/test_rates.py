"""A link that is full by the published tables is full by the tally too."""

from pathlib import Path

import pytest

from preflight.study import study
from tests.tally.captures import ethernet, every, mac, write

# Frames a second that fill an Ethernet of so many Mb/s, by frame size with FCS. RFC 2544 appendix B, which has 10 Mb/s
# (from memory):
RFC_2544_B = {64: 14_880, 128: 8_445, 256: 4_528, 512: 2_349, 768: 1_586, 1024: 1_197, 1280: 961, 1518: 812}
# RFC 5180 appendix A.1, for 10, 100, 1 000 and 10 000 Mb/s. Three of its cells do not follow its own formula, rate /
# (8 * (size + 20)) rounded down; here they do: 4096 bytes (30,396 and 303,691 are printed) and 9216 (13,534).
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
    """Frames at the table's rate fill the link to within one: the tables round down. A full second at 10 Mb/s; of
    the faster links a stretch of some hundred frames, short enough to lie in one bin."""
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
    """Worked by hand: ten frames of 1 238 bytes with overhead (1 214 captured) at once. The last waits for nine before it,
    11 142 bytes; a frame 40 us later finds 12 380 - 5 000 bytes still there, since 1 Gb/s sends 125 bytes a microsecond."""
    frame = ethernet("01:00:5e:90:10:07", mac(7), 0x88B5, bytes(1200))
    path = write(tmp_path / "burst.pcap", [(at, frame) for at in [1e-6] * 10 + [41e-6]])
    tally = study(str(path)).tally
    assert tally is not None
    assert tally.rates.queue_bytes == 9 * 1238
