"""Rates against published tables, and whatever the batches, the same tallies."""

import struct
from pathlib import Path

import pytest

from preflight.study import study

HEADER = struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 1)

# Frames a second that fill 1 Gb/s, by frame size with FCS: RFC 5180 A.1 (Ethernet), as in RFC 2544 B for 10 Mb/s.
RFC_5180_GIGABIT = {
    64: 1_488_095,
    128: 844_594,
    256: 452_898,
    512: 234_962,
    1024: 119_731,
    1280: 96_153,
    1518: 81_274,
}


@pytest.mark.parametrize(("size", "per_second"), RFC_5180_GIGABIT.items())
def test_a_full_link_is_full(tmp_path: Path, size: int, per_second: int) -> None:
    """A tenth of a second at the table's rate fills the link to within one frame."""
    frames = per_second // 10
    path = tmp_path / "full.pcap"
    frame = bytes.fromhex("ffffffffffff00005e00530188b5") + bytes(size - 4 - 14)
    with path.open("wb") as file:
        file.write(HEADER)
        for i in range(frames):
            file.write(struct.pack("<IIII", 1, i * 1_000_000_000 // per_second, size - 4, size - 4) + frame)
    tally = study(str(path)).tally
    assert tally is not None
    bits = tally.rates.peaks["bytes"].in_100ms * 8
    assert bits == pytest.approx(100_000_000, abs=(size + 20) * 8 * 1.1)
