"""Captures that we write: each frame comes back as it was, from our reader and from another one."""

from pathlib import Path

import dpkt
import numpy as np
import pytest

from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.batch import Batch
from preflight.frames.capture import CaptureFile
from preflight.frames.pcapng import Saver
from tests.frames.made import frame

NS = 1_764_028_800_123_456_789
SIZES = (60, 61, 62, 63, 1514)


def batch(engine: engines.Engine, stripped: int = 0) -> Batch:
    """A frame of each size, every second one sent by this computer; `stripped` is the tag that was taken
    off."""
    frames = [frame(size=size) for size in SIZES]
    block = np.frombuffer(b"".join(frames) + bytes(64), np.uint8)
    columns = np.zeros((k.COLUMNS, 16), np.int64)
    for row, data in enumerate(frames):
        columns[k.TIME, row] = NS + row
        columns[k.CAP, row] = len(data)
        columns[k.WIRE, row] = (
            len(data) + (4 if stripped else 0) + (100 if row == 4 else 0)
        )  # the last was cut
        columns[k.OFF, row] = sum(SIZES[:row])
        columns[k.LINK, row] = k.ETHERNET
        columns[k.OUT, row] = row % 2
        columns[k.STRIPPED, row] = stripped
    return Batch(block, columns, len(frames), 1, engine, engine.bytes_of(block))


@pytest.mark.parametrize("stripped", [0, 0xA005 + 1], ids=["untagged", "tag put back"])
@pytest.mark.parametrize("engine", ["plain", "compiled"])
def test_what_is_saved_is_read_again(tmp_path: Path, engine: str, stripped: int) -> None:
    made = batch(getattr(engines, engine)(), stripped)
    path = tmp_path / "kept.pcapng"
    saver = Saver(str(path), "eth0", 1 << 20)
    saver.add(made)
    saver.close(dropped=7)
    assert path.stat().st_size > saver.size
    tag = bytes.fromhex("8100a005") if stripped else b""
    expected = [(data := made.data(row))[:12] + tag + data[12:] for row in range(len(SIZES))]
    with path.open("rb") as file:
        assert [data for _, data in dpkt.pcapng.Reader(file)] == expected
    capture = CaptureFile(str(path))
    [again] = capture.batches()
    assert [again.data(row) for row in range(again.rows)] == expected
    for column in (k.TIME, k.WIRE, k.OUT):
        assert again.columns[column, : again.rows].tolist() == made.columns[column, : made.rows].tolist()
    assert capture.facts().dropped == 7 and capture.facts().cut == 1


def test_a_saver_that_is_full_keeps_whole_frames(tmp_path: Path) -> None:
    made = batch(engines.plain())
    path = tmp_path / "kept.pcapng"
    saver = Saver(str(path), "eth0", 5000)
    for _ in range(9):
        saver.add(made)
    saver.close(dropped=0)
    assert saver.ended and 0 < saver.frames < 9 * len(SIZES)
    capture = CaptureFile(str(path))
    assert sum(each.rows for each in capture.batches()) == saver.frames
    assert not capture.facts().ended_early
