"""Captures are read whole, refused in one line, and agree with an independent reader (dpkt)."""

import gzip
import struct
from pathlib import Path

import dpkt
import numpy as np
import pytest

from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from preflight.frames.links import PKTAP
from preflight.frames.stream import BOMB_FLOOR
from preflight.study import study

ROOT = Path(__file__).parents[2]
BUNDLED = sorted(p for p in (ROOT / "captures").iterdir() if ".pcap" in p.name)
PUBLIC = ROOT.parent / "shared" / "public-captures"
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)


def record(second: int, data: bytes, claimed: int | None = None) -> bytes:
    return struct.pack("<IIII", second, 0, claimed or len(data), claimed or len(data)) + data


def test_every_public_capture_is_read_or_refused_and_counts_as_dpkt_counts() -> None:
    if not PUBLIC.is_dir():
        pytest.skip("../shared/public-captures is not here")
    compared = 0
    for path in sorted(p for p in PUBLIC.iterdir() if p.suffix in (".pcap", ".pcapng")):
        try:
            source = study(str(path)).source
        except CaptureError as error:
            assert "\n" not in str(error)
            continue
        assert source is not None
        try:
            with path.open("rb") as file:
                reader = dpkt.pcap.UniversalReader(file)
                frames = list(reader)
        except (ValueError, dpkt.Error, struct.error):
            continue
        if source.ended_early or source.malformed:
            continue
        assert source.frames == len(frames), path.name
        wrapped = 108 if reader.datalink() == PKTAP else 0  # its header is taken off
        assert source.captured_bytes == sum(len(data) - wrapped for _, data in frames), path.name
        if frames and source.first_ns is not None and source.last_ns is not None:
            # dpkt gives binary floating point seconds: good to a microsecond
            assert source.first_ns / 1e9 == pytest.approx(float(frames[0][0]), abs=2e-6), path.name
            assert source.last_ns / 1e9 == pytest.approx(float(frames[-1][0]), abs=2e-6), path.name
        compared += 1
    assert compared > 300


@pytest.mark.parametrize("path", BUNDLED, ids=lambda p: p.name)
def test_plain_and_compiled_kernels_agree(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = engines.compiled()
    columns = []
    for engine in (engines.plain(), compiled):
        monkeypatch.setattr("preflight.frames.batch.Bench._compiled", lambda _, engine=engine: engine)
        rows = []
        for batch in CaptureFile(str(path)).batches():
            assert batch.engine is engine
            rows.append(batch.columns[: k.SLOT, : batch.rows].copy())
            if batch.first + batch.rows > 2000:
                break
        columns.append(np.concatenate(rows, axis=1)[:, :2000])
    for column in range(k.SLOT):
        if column != k.OFF:
            assert np.array_equal(columns[0][column], columns[1][column]), column
    assert columns[0][k.TIME].min() > 0


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"this is a text file, not a capture\n", "not a pcap"),
        (HEADER[:10], "cut short"),
        (HEADER + record(1, b"x" * 60)[:30], "cut short"),
        (HEADER + record(1, b"x" * 60, claimed=3_000_000_000), "claims more"),
        (HEADER[:20] + struct.pack("<I", 147), "link type 147"),
    ],
    ids=["empty", "text", "cut header", "cut record", "absurd", "link type"],
)
def test_bad_input_is_one_line(tmp_path: Path, content: bytes, words: str) -> None:
    _is_refused(tmp_path, content, words)


def test_a_bomb_is_one_line(tmp_path: Path) -> None:
    _is_refused(tmp_path, gzip.compress(HEADER + bytes(BOMB_FLOOR + (1 << 20))), "unpacks to more than")


def _is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "bad.pcap"
    path.write_bytes(content)
    with pytest.raises(CaptureError) as error:
        study(str(path))
    assert words in str(error.value)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_cut_end_is_judged_on_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "cut.pcap"
    path.write_bytes(HEADER + record(1, b"\xff" * 60) + record(2, b"\xff" * 60)[:40])
    source = study(str(path)).source
    assert source is not None
    assert source.frames == 1
    assert "cut short" in source.ended_early


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="is a folder"):
        study(str(tmp_path))
