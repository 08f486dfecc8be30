"""Where the bytes come from: packed or not, file, pipe or standard input; and what must end in one line."""

import bz2
import gzip
import json
import lzma
import os
import random
import struct
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import zstandard

from preflight.frames import kernels as k
from preflight.frames.errors import CaptureError
from preflight.frames.stream import BOMB_FLOOR, PIECE, XZ_MEMORY, ZSTD_WINDOW, ByteStream
from tests.frames.made import FRAME, Pcap, read, read_bytes
from tests.pipes import PATIENCE_S

FILE = Pcap()
T = 1_795_600_000
STUDY = [sys.executable, "-m", "preflight", "study"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "NO_COLOR": "1"}


def records(count: int) -> bytes:
    """Frames that do not pack to nothing."""
    noise = random.Random(count)
    return b"".join(FILE.record(T, n, FRAME + noise.randbytes(40)) for n in range(count))


def run(*words: str, **options) -> subprocess.CompletedProcess:
    done = subprocess.run(
        [*STUDY, *words], capture_output=True, timeout=PATIENCE_S, check=False, env=ENVIRONMENT, **options
    )
    assert b"Traceback" not in done.stderr
    assert b"fault of preflight" not in done.stderr
    return done


def zstd_frames(*parts: bytes) -> bytes:
    packer = zstandard.ZstdCompressor(write_checksum=True)
    return b"".join(packer.compress(part) for part in parts)


def gzip_members(*parts: bytes) -> bytes:
    return b"".join(gzip.compress(part) for part in parts)


def xz_streams(*parts: bytes) -> bytes:
    return b"".join(map(lzma.compress, parts))


def bzip2_streams(*parts: bytes) -> bytes:
    return b"".join(map(bz2.compress, parts))


PACKERS = [gzip_members, zstd_frames, xz_streams, bzip2_streams]


@pytest.mark.parametrize("pack", PACKERS)
def test_packed_in_several_parts(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    whole = FILE.header() + records(50)
    got = read_bytes(tmp_path, pack(whole[:7], b"", whole[7:1000], whole[1000:]))
    assert got[k.TIME] == [T * 10**9 + n * 1000 for n in range(50)]
    assert got.source.ended_early == ""


def test_zstd_that_opens_with_a_skippable_frame(tmp_path: Path) -> None:
    skippable = struct.pack("<II", 0x184D2A5C, 4) + b"size"  # RFC 8878, section 3.1.2
    assert read_bytes(tmp_path, skippable + zstd_frames(FILE.header() + records(3))).source.frames == 3


def test_gzip_that_is_filled_up_with_zeros(tmp_path: Path) -> None:
    source = read_bytes(tmp_path, gzip.compress(FILE.header() + records(3)) + bytes(40_000)).source
    assert (source.frames, source.ended_early) == (3, "")


def test_what_follows_gzip_and_is_none_is_told(tmp_path: Path) -> None:
    source = read_bytes(tmp_path, gzip.compress(FILE.header() + records(3)) + b"and more").source
    assert source.frames == 3
    assert "gzip" in source.ended_early
    assert "cut short" not in source.ended_early


@pytest.mark.parametrize("pack", [gzip_members, zstd_frames])
def test_what_comes_before_damage_is_judged(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    count = 6000
    size = 16 + 100
    packed = pack(FILE.header() + records(count))
    assert len(packed) < len(FILE.header()) + count * size

    half = read_bytes(tmp_path, packed[: len(packed) // 2]).source
    assert "cut short" in half.ended_early
    # zstd packs by blocks of 128 KiB, of which a cut one is lost whole (RFC 8878, section 3.1.1.2)
    assert half.frames > count // 2 - (150_000 if pack is zstd_frames else PIECE) // size - 200

    damaged = bytearray(packed)
    damaged[len(packed) // 2 : len(packed) // 2 + 64] = b"\xff" * 64
    source = read_bytes(tmp_path, bytes(damaged)).source
    assert source.frames > count // 4
    assert source.ended_early


def test_gzip_cut_behind_its_last_record_is_told(tmp_path: Path) -> None:
    source = read_bytes(tmp_path, gzip.compress(FILE.header() + records(3))[:-4]).source
    assert (source.frames, source.ended_early) == (3, f"offset {24 + 3 * 116}: gzip: the end is missing")


@pytest.mark.parametrize("pack", PACKERS)
def test_packing_cut_at_its_head_is_refused(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    packed = pack(FILE.header())
    for end in range(4, 12):
        with pytest.raises(CaptureError, match=r"offset 0: (?!.*empty)"):
            read_bytes(tmp_path, packed[:end])


def zstd_bomb(nbytes: int) -> bytes:
    """A frame of equal bytes, 128 KiB in four (RFC 8878: RLE blocks)."""
    body = FILE.header() + struct.pack("<IIII", T, 0, 200_000, 200_000)
    raw = struct.pack("<I", len(body) << 3)[:3] + body
    equal = struct.pack("<I", (131072 << 3) | 0b010)[:3] + b"\0"
    last = struct.pack("<I", 1)[:3]
    return b"\x28\xb5\x2f\xfd" + b"\0\x38" + raw + equal * (nbytes // 131072) + last  # window 128 KiB


@pytest.mark.parametrize(
    "pack",
    [
        gzip.compress,
        zstandard.compress,
        lambda _: zstd_bomb(BOMB_FLOOR * 64),
        lambda content: lzma.compress(content, preset=0),
        bz2.compress,
    ],
    ids=["gzip", "zstd", "zstd of equal blocks", "xz", "bzip2"],
)
def test_a_bomb_ends_in_one_line(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    bomb = pack(FILE.header() + bytes(BOMB_FLOOR + (1 << 20)))
    assert len(bomb) < 200_000
    path = tmp_path / "bomb"
    path.write_bytes(bomb)
    stream = ByteStream(str(path))
    into = memoryview(bytearray(1 << 20))
    with pytest.raises(CaptureError, match="unpacks to more than"):
        while stream.fill(into):
            pass
    stream.close()
    assert BOMB_FLOOR < stream.unpacked <= BOMB_FLOOR + PIECE


def test_a_zstd_window_beyond_the_limit_is_refused_before_it_is_allocated(tmp_path: Path) -> None:
    exponent = (4 * ZSTD_WINDOW).bit_length() - 1 - 10
    window = b"\x28\xb5\x2f\xfd" + bytes([0, exponent << 3]) + b"\1\0\0"
    sized = (
        b"\x28\xb5\x2f\xfd" + b"\xe0" + struct.pack("<Q", 1 << 40) + b"\1\0\0"
    )  # one segment of a tebibyte
    for content in (window, sized):
        with pytest.raises(CaptureError, match="too much memory"):
            read_bytes(tmp_path, content)


def test_xz_that_asks_for_more_memory_than_any_capture_needs_is_refused(tmp_path: Path) -> None:
    filters = [{"id": lzma.FILTER_LZMA2, "dict_size": 2 * XZ_MEMORY}]
    content = lzma.compress(FILE.header() + records(3), filters=filters)
    with pytest.raises(CaptureError, match="xz: Memory usage limit"):
        read_bytes(tmp_path, content)


@pytest.mark.parametrize("pack", [xz_streams, bzip2_streams])
def test_what_comes_before_the_cut_is_judged(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    """bzip2 packs by blocks of 900 kB, of which a cut one is lost whole; xz loses no more than a piece."""
    whole = FILE.header() + records(12_000)
    packed = pack(whole)
    source = read_bytes(tmp_path, packed[: len(packed) * 3 // 4]).source
    assert source.frames > 6000
    assert "the end is missing" in source.ended_early


def test_standard_input_is_read_from_a_pipe() -> None:
    content = FILE.header() + records(20)
    for data in (content, gzip.compress(content), zstandard.compress(content), lzma.compress(content)):
        done = run("--json", "-", input=data)
        assert b'"frames": 20' in done.stdout
        assert b'"standard input"' in done.stdout
    assert run("-", input=b"").returncode == 2
    assert b"cut short" in run("--json", "-", input=content[:-1]).stdout


def test_closed_standard_input_is_one_line() -> None:
    done = run("-", preexec_fn=lambda: os.close(0))
    assert done.returncode == 2
    assert done.stderr.decode().splitlines() == ["preflight study: standard input: is closed; name a file"]


def test_a_named_pipe_that_closes_in_a_record(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.pcap"
    os.mkfifo(pipe)
    content = FILE.header() + records(5)

    def write() -> None:
        with pipe.open("wb", buffering=0) as file:
            for at in range(0, len(content) - 30, 50):
                file.write(content[at : min(at + 50, len(content) - 30)])

    writer = threading.Thread(target=write)
    writer.start()
    source = read(pipe).source
    writer.join()
    assert source.frames == 4
    assert "the last record is cut short" in source.ended_early


def test_no_permission_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "secret.pcap"
    path.write_bytes(FILE.header() + records(1))
    path.chmod(0)
    code = (
        "import os, sys\n"
        "from preflight.frames.errors import CaptureError\n"
        "from preflight.study import study\n"
        "if os.geteuid() == 0: os.seteuid(65534)\n"
        "try: study(sys.argv[1])\n"
        "except CaptureError as error: print(error)\n"
    )
    for folder in (tmp_path, tmp_path.parent, tmp_path.parent.parent):
        folder.chmod(0o755)
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, env=ENVIRONMENT
    )
    assert done.stdout.splitlines() == [f"{path}: no permission to read it; ask its owner for a copy"]


@pytest.mark.parametrize(
    ("name", "words"),
    [("missing.pcap", "no such file"), ("a\0b", "cannot be opened"), ("x" * 300, "cannot be opened")],
)
def test_names_that_open_nothing(tmp_path: Path, name: str, words: str) -> None:
    with pytest.raises(CaptureError, match=words):
        read(str(tmp_path / name))


def test_a_name_cannot_write_on_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[2J\nb.pcap"
    path.write_bytes(b"nothing")
    with pytest.raises(CaptureError) as error:
        read(path)
    assert str(error.value).isprintable()


def test_one_bad_file_does_not_lose_the_others(tmp_path: Path) -> None:
    good, bad, gone = tmp_path / "good.pcap", tmp_path / "bad.pcap", tmp_path / "gone.pcap"
    good.write_bytes(FILE.header() + records(20))
    bad.write_bytes(b"nothing like it")
    (tmp_path / "empty").mkdir()
    done = run("--json", str(good), str(bad), str(tmp_path / "empty"), str(gone), str(good))
    assert done.returncode == 2
    read = [json.loads(line)["source"]["frames"] for line in done.stdout.splitlines()]
    assert read == [20, 0, 0, 0, 20]  # the refused have a line each, too
    errors = done.stderr.decode().splitlines()
    assert [line.split(": ")[1] for line in errors] == [str(bad), str(tmp_path / "empty"), str(gone)]


def test_memory_does_not_grow_with_the_capture(tmp_path: Path) -> None:
    """300 MB through a pipe; the peak of the process itself is at most 300 MiB."""
    pipe = tmp_path / "long.pcap"
    os.mkfifo(pipe)
    rows = 1000
    kind = np.dtype([("head", "<u4", 4), ("data", "u1", 1206)])
    block = np.zeros(rows, kind)
    block["data"][:, : len(FRAME)] = np.frombuffer(FRAME, np.uint8)
    blocks = 300_000_000 // block.nbytes

    def write() -> None:
        with pipe.open("wb", buffering=0) as file:
            file.write(FILE.header())
            for n in range(blocks):
                number = np.arange(rows) + n * rows
                block["head"] = np.stack(
                    [T + number // 8000, number % 8000 * 125, np.full(rows, 1206), np.full(rows, 1206)],
                    axis=1,
                )
                block["data"][:, 60:64] = number.astype("<u4").view(np.uint8).reshape(rows, 4)
                file.write(memoryview(block).cast("B"))

    code = (
        "import sys\n"
        "from preflight.verdict import judged\n"
        "from preflight.study import study\n"
        "facts = study(sys.argv[1])\n"
        "judged(facts)\n"
        "peak = [line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')]\n"
        "print(facts.source.frames, *peak)\n"
    )
    writer = threading.Thread(target=write)
    writer.start()
    done = subprocess.run(
        [sys.executable, "-c", code, str(pipe)], capture_output=True, text=True, check=True, env=ENVIRONMENT
    )
    writer.join()
    frames, peak_kib = map(int, done.stdout.split())
    assert frames == blocks * rows
    assert peak_kib <= 300 * 1024


def test_without_zlib_ng_pythons_own_unpacks_the_same(tmp_path, monkeypatch):
    data = FILE.header() + records(3000)
    packed = gzip_members(data[:100_000], data[100_000:])
    for name, content in (("whole.gz", packed), ("damaged.gz", packed[:-9] + bytes(9))):
        (tmp_path / name).write_bytes(content)
    there = [read(str(tmp_path / name)) for name in ("whole.gz", "damaged.gz")]
    monkeypatch.setitem(sys.modules, "zlib_ng", None)
    for path, before in zip(("whole.gz", "damaged.gz"), there, strict=True):
        again = read(str(tmp_path / path))
        assert again.data == before.data and len(again.numbers) == 3000
        assert bool(again.source.ended_early) == bool(before.source.ended_early) == path.startswith("damaged")
