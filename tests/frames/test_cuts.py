"""Every bundled capture cut at every byte of its first kilobyte and at 200 later places, packed and unpacked:
the frames before the cut are read, no other, and a reading that ends early says so in one line."""

import os
import random
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from preflight.frames import capture as captures
from preflight.frames import compile as engines
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from tests.frames.test_dpkt import BUNDLED, packets, unpacked

FIRST, LATER = 1024, 200
ENOUGH = (
    1 << 22
)  # unpacked bytes within which the later places lie, so that a long capture does not take minutes


def read_cut(path: Path, content: bytes, places: list[int]) -> Iterator[tuple[int, int, str]]:
    """For each place the frames read, and what ended the reading. `places` fall."""
    path.write_bytes(content[: places[0]])
    for place in places:
        os.truncate(path, place)
        try:
            capture = CaptureFile(str(path))
            for _ in capture.batches():
                pass
        except CaptureError as error:
            assert "\n" not in str(error)
            assert f"{path}: offset " in str(error)
            yield place, 0, str(error)
        else:
            source = capture.facts()
            assert source.malformed == 0
            yield place, source.frames, source.ended_early


@cache
def ends_of(path: Path) -> list[int]:
    """Where the packets of a capture end, unpacked: for both tests."""
    return [end for _, end, _ in packets(unpacked(path))]


def unpacked_sizes(packed: bytes, places: list[int]) -> dict[int, int]:
    """How many bytes there are before each cut of a gzip file, by an unpacker that is not preflight's: it
    goes through the file once."""
    unpacker, sizes, size, before = zlib.decompressobj(31), {}, 0, 0
    for place in sorted(places):
        size += len(unpacker.decompress(packed[before:place]))
        sizes[place] = size
        before = place
    return sizes


def later(size: int, upto: int) -> list[int]:
    return sorted(random.Random(size).sample(range(FIRST, upto), LATER), reverse=True)


def read_all(
    path: Path, content: bytes, upto: int, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[int, int, str]]:
    with monkeypatch.context() as patch:
        patch.setattr(engines, "ready", lambda: False)  # plain Python, whose accesses are checked
        yield from read_cut(path, content, list(range(FIRST - 1, -1, -1)))
        patch.setattr(captures, "PLAIN_BYTES", 0)  # compiled, for these are longer
        yield from read_cut(path, content, later(len(content), upto))


@pytest.mark.parametrize("path", BUNDLED, ids=lambda p: p.name)
def test_cut(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = unpacked(path)[:ENOUGH]
    ends = ends_of(path)
    for place, frames, said in read_all(tmp_path / "cut", content, len(content), monkeypatch):
        assert frames == bisect_right(ends, place), place
        # Blocks of pcapng that hold no frame end in between.
        whole = frames == 0 or place == ends[frames - 1]
        assert whole or ".pcapng" in path.name or "cut short" in said, place


@pytest.mark.parametrize("path", [p for p in BUNDLED if p.suffix in (".gz", ".zst")], ids=lambda p: p.name)
def test_cut_in_its_packed_form(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packed, size, ends = path.read_bytes(), len(unpacked(path)), ends_of(path)
    upto = len(packed) * min(ENOUGH, size) // size
    read = list(read_all(tmp_path / "cut", packed, upto, monkeypatch))
    there = unpacked_sizes(packed, [place for place, _, _ in read]) if path.suffix == ".gz" else {}
    for place, frames, said in read:
        if there:
            assert frames == bisect_right(ends, there[place]), place
            assert said
        else:
            assert frames <= len(ends)
