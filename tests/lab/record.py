"""Recording from a namespace, and capture files: read, trim, merge, write.

tcpdump listens; it is given one second more than needed, since a capture stopped by a signal can lose its
last one, and what was recorded is trimmed to the time asked for. The writers make the formats that a support
desk is sent: classic pcap, pcapng, and either compressed.
"""

import gzip
import re
import struct
import subprocess
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.lab.rig import Rig, stop

FULL = 262_144


@dataclass(frozen=True)
class Frame:
    ns: int
    data: bytes
    wire_len: int


@dataclass(frozen=True)
class Capture:
    """Frames of one place, `snap` bytes of each at most; `dropped` is what the system lost meanwhile."""

    frames: list[Frame]
    snap: int = FULL
    dropped: int = 0

    def first(self, count: int) -> "Capture":
        return Capture(self.frames[:count], self.snap, self.dropped)


def listen(
    rig: Rig,
    places: Sequence[tuple[str, str]],
    seconds: float,
    *,
    during: Callable[[], object] | None = None,
    snap: int = FULL,
    count: int | None = None,
) -> list[Capture]:
    """Record at each (node, adapter) at the same time for `seconds`, or `count` frames if they come first;
    `during` runs beside it as soon as all of them listen."""
    paths = [rig.scratch / f"{node}-{dev}.pcap" for node, dev in places]
    limit = ["-c", str(count)] if count else []
    recorders = [
        rig.start(
            node, "tcpdump", "-i", dev, "-nn", "-Z", "root", "-B", "131072", "-s", str(snap), "-w", str(path),
            "--time-stamp-precision=nano", *limit, stderr=subprocess.PIPE, text=True,
        )
        for (node, dev), path in zip(places, paths, strict=True)
    ]  # fmt: skip
    for recorder in recorders:
        said = recorder.stderr
        assert said is not None
        line = said.readline()
        while line and "listening on" not in line:
            line = said.readline()
        if not line:
            raise RuntimeError("tcpdump did not begin to listen")
    start_ns = time.time_ns()
    deadline = time.monotonic() + seconds + 1
    with ThreadPoolExecutor(1) as pool:
        beside = pool.submit(during) if during else None
        while time.monotonic() < deadline and any(recorder.poll() is None for recorder in recorders):
            time.sleep(0.02)
        if beside:
            beside.result()
    captures = []
    for recorder, path in zip(recorders, paths, strict=True):
        stop(recorder)
        match = re.search(
            r"(\d+) packets? dropped by kernel", recorder.stderr.read() if recorder.stderr else ""
        )
        dropped = int(match[1]) if match else 0
        frames = read(path).frames
        path.unlink()
        end_ns = start_ns + int(seconds * 1e9)
        captures.append(Capture([f for f in frames if start_ns <= f.ns < end_ns], snap, dropped))
    return captures


def merge(captures: Sequence[Capture]) -> Capture:
    """Several places in one file by time: what a mirror port that copies several ports would hand over."""
    together = sorted((f for capture in captures for f in capture.frames), key=lambda f: f.ns)
    return Capture(together, captures[0].snap, sum(capture.dropped for capture in captures))


def read(path: Path) -> Capture:
    """A classic pcap file with nanoseconds, as tcpdump writes it here."""
    raw = path.read_bytes()
    magic, _, _, _, _, snap, link = struct.unpack_from("<IHHiIII", raw)
    if (magic, link) != (0xA1B23C4D, 1):
        raise ValueError(f"{path}: not Ethernet in a pcap file with nanoseconds")
    frames, at = [], 24
    while at + 16 <= len(raw):
        sec, nsec, kept, wire = struct.unpack_from("<IIII", raw, at)
        if at + 16 + kept > len(raw):
            break  # tcpdump was stopped in the middle of a record
        frames.append(Frame(sec * 1_000_000_000 + nsec, raw[at + 16 : at + 16 + kept], wire))
        at += 16 + kept
    return Capture(frames, snap)


def write(
    path: Path, capture: Capture, *, nano: bool = False, device: str = "eth0", lose_end: int = 0
) -> None:
    """Write in the format that the name's endings tell. `lose_end` leaves off that many of the last bytes."""
    endings = path.suffixes
    raw = _pcapng(capture, device) if ".pcapng" in endings else _pcap(capture, nano)
    raw = raw[: len(raw) - lose_end]
    if endings[-1] == ".gz":
        raw = gzip.compress(raw, 9, mtime=0)
    elif endings[-1] == ".zst":
        import zstandard

        raw = zstandard.ZstdCompressor(level=19).compress(raw)
    path.write_bytes(raw)


def _pcap(capture: Capture, nano: bool) -> bytes:
    unit, magic = (1, 0xA1B23C4D) if nano else (1000, 0xA1B2C3D4)
    parts = [struct.pack("<IHHiIII", magic, 2, 4, 0, 0, capture.snap, 1)]
    for frame in capture.frames:
        sec, rest = divmod(frame.ns, 1_000_000_000)
        parts += (struct.pack("<IIII", sec, rest // unit, len(frame.data), frame.wire_len), frame.data)
    return b"".join(parts)


def _pcapng(capture: Capture, device: str) -> bytes:
    """Section, interface (named, nanoseconds), packets, and the statistics that tell what was lost."""

    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        length = struct.pack("<I", len(body) + 12)
        return struct.pack("<I", kind) + length + body + length

    def option(code: int, value: bytes) -> bytes:
        return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)

    def stamp(ns: int) -> bytes:
        return struct.pack("<II", ns >> 32, ns & 0xFFFFFFFF)

    end = option(0, b"")
    parts = [
        block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1)),
        block(
            1, struct.pack("<HHI", 1, 0, capture.snap) + option(2, device.encode()) + option(9, b"\x09") + end
        ),
    ]
    for frame in capture.frames:
        head = struct.pack("<I", 0) + stamp(frame.ns) + struct.pack("<II", len(frame.data), frame.wire_len)
        parts.append(block(6, head + frame.data))
    last = stamp(capture.frames[-1].ns if capture.frames else 0)
    counts = option(4, struct.pack("<Q", len(capture.frames))) + option(5, struct.pack("<Q", capture.dropped))
    parts.append(block(5, struct.pack("<I", 0) + last + counts + end))
    return b"".join(parts)
