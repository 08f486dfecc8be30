"""Tables of zeros: what is not used of them costs nothing, and what an earlier one held is not in the
next."""

import sys
from pathlib import Path

import numpy as np
import pytest

from preflight.frames.tables import zeros

SIZE = 1 << 26


@pytest.mark.parametrize(("shape", "kind"), [((8192, 67), np.int64), (1000, np.uint8), ((1, 1), np.int64)])
def test_all_of_it_is_zero_and_can_be_written(shape: int | tuple[int, ...], kind: type) -> None:
    for _ in range(3):
        table = zeros(shape, kind)
        assert table.dtype == kind and table.shape == np.zeros(shape, kind).shape
        assert table.flags.c_contiguous and not table.any()
        table[...] = 7


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_it_takes_memory_as_it_is_used_and_gives_it_back() -> None:
    def resident() -> int:
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4096

    zeros(SIZE, np.uint8)[...] = 1
    before = resident()
    table = zeros(SIZE, np.uint8)
    assert resident() - before < SIZE // 16
    table[: SIZE // 2] = 1
    assert resident() - before > SIZE // 4
    del table
    assert resident() - before < SIZE // 16
