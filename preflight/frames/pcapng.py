"""Writing captures: pcapng that any capture tool reads.

A spell of listening is kept whole batches at a time: one section, one Ethernet interface, nanoseconds, a
direction for each frame, and at the end the statistics that tell what the system lost. The frames are laid
out by a kernel, so that a full link is no harder to keep than to count. `Excerpt` writes a few frames, each
with a comment. Format: IETF draft-ietf-opsawg-pcapng.
"""

import struct
from pathlib import Path
from typing import BinaryIO

import numpy as np

from preflight import __version__
from preflight.frames import kernels as k
from preflight.frames.batch import Batch, Frame

SECTION, INTERFACE, OBSOLETE, STATISTICS, PACKET = 0x0A0D0D0A, 1, 2, 5, 6
OUTBOUND = struct.pack("<I", 2)  # of the flags of a packet
FRAME_MORE = 52  # most bytes that a frame takes beyond its own: header, flags, padding, and a tag put back


def _block(kind: int, body: bytes) -> bytes:
    return struct.pack("<II", kind, len(body) + 12) + body + struct.pack("<I", len(body) + 12)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


_END = _option(0, b"")


def _section() -> bytes:
    wrote = _option(4, f"preflight {__version__}".encode())
    return _block(SECTION, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + wrote + _END)


def _interface(link: int, name: bytes = b"", link_mbps: int | None = None) -> bytes:
    """An interface whose times are nanoseconds."""
    speed = _option(8, struct.pack("<Q", link_mbps * 1_000_000)) if link_mbps else b""
    about = (_option(2, name) if name else b"") + speed + _option(9, b"\x09")
    return _block(INTERFACE, struct.pack("<HHI", link, 0, k.MAX_CAPTURED) + about + _END)


def head(adapter: str, link_mbps: int | None = None) -> bytes:
    """What a file begins with; frames of `adapter` follow, whose link has this rate where it is known."""
    return _section() + _interface(k.ETHERNET, adapter.encode(), link_mbps)


def head_of(link: int, link_mbps: int | None = None) -> bytes:
    """What a section begins with whose frames are of one link type, and of an adapter without a name."""
    return _section() + _interface(link, b"", link_mbps)


def damage(records: int, ended_early: bool) -> bytes:
    """Records that cannot be read, as many as could not be read elsewhere; and an end in the middle of
    one."""
    return records * _block(OBSOLETE, b"") + (struct.pack("<II", PACKET, 64) if ended_early else b"")


def tail(last_ns: int, frames: int, dropped: int) -> bytes:
    """The statistics at the end: `frames` came, the system lost `dropped`."""
    counts = _option(4, struct.pack("<Q", frames)) + _option(5, struct.pack("<Q", dropped))
    return _block(STATISTICS, struct.pack("<III", 0, last_ns >> 32, last_ns & 0xFFFFFFFF) + counts + _END)


class Layout:
    """Lays batches out as pcapng blocks, in a buffer that is used again."""

    def __init__(self) -> None:
        self._buffer = np.zeros(1 << 20, np.uint8)

    def blocks(self, batch: Batch) -> memoryview:
        """The frames of one batch. What is returned is good until the next call."""
        most = int(batch.columns[k.CAP, : batch.rows].sum()) + FRAME_MORE * batch.rows
        if most > len(self._buffer):
            self._buffer = np.zeros(2 * most, np.uint8)
        out = batch.engine.bytes_of(self._buffer)
        size = batch.engine.to_pcapng(batch.view, batch.columns, batch.rows, out)
        return self._buffer[:size].data


class Saver:
    """Writes what is heard on `adapter` to `path`, at most `limit` bytes of it, with the rate of its link.
    Where it has to stop, `ended` says why, and the rest is left out. Raises OSError where it cannot be
    opened."""

    def __init__(self, path: str, adapter: str, limit: int, link_mbps: int | None = None) -> None:
        self._file: BinaryIO = Path(path).open("wb")  # noqa: SIM115
        self._layout = Layout()
        self._limit = limit
        self._last_ns = 0
        self.size = self._file.write(head(adapter, link_mbps))
        self.frames = 0
        self.ended = ""

    def add(self, batch: Batch) -> None:
        if self.ended:
            return
        blocks = self._layout.blocks(batch)
        if self.size + len(blocks) > self._limit:
            self.ended = "it has reached its limit"
            return
        try:
            self.size += self._file.write(blocks)
        except OSError as error:  # a full disk must not end the listening
            self.ended = error.strerror or str(error)
            return
        self.frames += batch.rows
        if batch.rows:
            self._last_ns = int(batch.columns[k.TIME, batch.rows - 1])

    def close(self, dropped: int) -> None:
        """End the file; `dropped` frames were lost by the system."""
        try:
            with self._file:
                self._file.write(tail(self._last_ns, self.frames, dropped))
        except OSError as error:
            self.ended = self.ended or error.strerror or str(error)


class Excerpt:
    """Writes single frames to `file` from its first byte on, each with a comment; an interface for each link
    type."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._links: list[int] = []
        file.write(_section())

    def add(self, frame: Frame, comment: str = "") -> None:
        if frame.link not in self._links:
            self._links.append(frame.link)
            self._file.write(_interface(frame.link))
        time_ns = max(frame.time_ns, 0)
        which = self._links.index(frame.link)
        body = (
            struct.pack("<5I", which, time_ns >> 32, time_ns & 0xFFFFFFFF, len(frame.data), frame.wire)
            + frame.data
        )
        body += bytes(-len(body) % 4)
        if comment:
            body += _option(1, comment.encode("utf-8", "replace")[:0xFFFF])
        if frame.outgoing:
            body += _option(2, OUTBOUND)
        self._file.write(_block(PACKET, body + _END))
