"""Writes pcapng, as in the IETF draft draft-ietf-opsawg-pcapng: one section, an interface for each link type, times in
nanoseconds, a comment beside each frame that has one."""

import struct
from dataclasses import dataclass
from typing import BinaryIO

from preflight import __version__

SECTION, INTERFACE, STATISTICS, PACKET = 0x0A0D0D0A, 1, 5, 6
COMMENT, APPLICATION, RESOLUTION, FLAGS, DROPPED = 1, 4, 9, 2, 5
NANOSECONDS = b"\x09"
OUTBOUND = struct.pack("<I", 2)


@dataclass(frozen=True)
class Frame:
    """One frame as captured: `number` from 1, `time_ns` since 1970, `wire` its length before the snap length cut it."""

    number: int
    time_ns: int
    link: int
    wire: int
    outgoing: bool
    data: bytes


class PcapngWriter:
    """Writes to `file` from its first byte on."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._links: list[int] = []
        options = _option(APPLICATION, f"preflight {__version__}".encode())
        self._block(SECTION, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1), options)

    def frame(self, frame: Frame, comment: str = "") -> None:
        if frame.link not in self._links:
            self._links.append(frame.link)
            self._block(INTERFACE, struct.pack("<HHI", frame.link, 0, 0), _option(RESOLUTION, NANOSECONDS))
        options = _option(COMMENT, comment.encode("utf-8", "replace")) if comment else b""
        if frame.outgoing:
            options += _option(FLAGS, OUTBOUND)
        time_ns = max(frame.time_ns, 0)
        head = struct.pack(
            "<IIIII",
            self._links.index(frame.link),
            time_ns >> 32,
            time_ns & 0xFFFFFFFF,
            len(frame.data),
            frame.wire,
        )
        self._block(PACKET, head + _padded(frame.data), options)

    def dropped(self, count: int) -> None:
        """Say how many frames the capturing system lost. After a first frame only: it is said of its interface."""
        self._block(STATISTICS, struct.pack("<III", 0, 0, 0), _option(DROPPED, struct.pack("<Q", count)))

    def _block(self, kind: int, body: bytes, options: bytes) -> None:
        if options:
            options += struct.pack("<HH", 0, 0)
        size = 12 + len(body) + len(options)
        self._file.write(struct.pack("<II", kind, size) + body + options + struct.pack("<I", size))


def _option(code: int, value: bytes) -> bytes:
    value = value[:0xFFFF]
    return struct.pack("<HH", code, len(value)) + _padded(value)


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
