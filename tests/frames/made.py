"""Captures written byte by byte, as the drafts draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng lay them
out."""

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.capture import CaptureFile
from preflight.frames.facts import SourceFacts

BOX, DESK, GROUP = "00005e005301", "00005e005302", "01005e901001"


def frame(destination: str = "ffffffffffff", source: str = BOX, tags: str = "", size: int = 60) -> bytes:
    """UDP from 192.0.2.1 port 5004 to 233.252.0.1 port 5006, padded to `size`. `tags` is VLAN tags in hex."""
    ip = "4500001c00010000" + "40110000" + "c0000201" + "e9fc0001"
    udp = "138c138e" + "00080000"
    data = bytes.fromhex(destination + source + tags + "0800" + ip + udp)
    return data + bytes(max(0, size - len(data)))


FRAME = frame()


@dataclass(frozen=True)
class Pcap:
    """A pcap file's header and records in one byte order."""

    order: str = "<"
    nano: bool = False
    link: int = 1

    def header(self) -> bytes:
        magic = 0xA1B23C4D if self.nano else 0xA1B2C3D4
        return struct.pack(self.order + "IHHiIII", magic, 2, 4, 0, 0, 65535, self.link)

    def record(self, second: int, fraction: int, data: bytes, wire: int | None = None) -> bytes:
        sizes = (len(data), len(data) if wire is None else wire)
        return struct.pack(self.order + "IIII", second, fraction, *sizes) + data


@dataclass(frozen=True)
class Pcapng:
    """Blocks of a pcapng section in one byte order."""

    order: str = "<"

    def block(self, kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        size = struct.pack(self.order + "I", len(body) + 12)
        return struct.pack(self.order + "I", kind) + size + body + size

    def option(self, code: int, value: bytes) -> bytes:
        return struct.pack(self.order + "HH", code, len(value)) + value + bytes(-len(value) % 4)

    def section(self) -> bytes:
        return self.block(0x0A0D0D0A, struct.pack(self.order + "IHHq", 0x1A2B3C4D, 1, 0, -1))

    def interface(
        self, link: int = 1, snap: int = 0, resolution: int | None = None, offset: int | None = None
    ) -> bytes:
        options = b""
        if resolution is not None:
            options += self.option(9, bytes([resolution]))
        if offset is not None:
            options += self.option(14, struct.pack(self.order + "q", offset))
        return self.block(1, struct.pack(self.order + "HHI", link, 0, snap) + options)

    def packet(
        self, interface: int, ticks: int, data: bytes, wire: int | None = None, options: bytes = b""
    ) -> bytes:
        sizes = (len(data), len(data) if wire is None else wire)
        head = struct.pack(self.order + "IIIII", interface, ticks >> 32, ticks & 0xFFFFFFFF, *sizes)
        return self.block(6, head + data + bytes(-len(data) % 4) + options)

    def simple(self, data: bytes, wire: int | None = None) -> bytes:
        return self.block(3, struct.pack(self.order + "I", len(data) if wire is None else wire) + data)

    def statistics(
        self, interface: int, dropped: int | None = None, dropped_by_os: int | None = None
    ) -> bytes:
        options = b""
        for code, count in ((5, dropped), (7, dropped_by_os)):
            if count is not None:
                options += self.option(code, struct.pack(self.order + "Q", count))
        return self.block(5, struct.pack(self.order + "III", interface, 0, 0) + options)


@dataclass(frozen=True)
class Read:
    """What was read: the columns of all frames, their number in the file, their bytes, and the facts."""

    columns: np.ndarray
    numbers: list[int]
    data: list[bytes]
    source: SourceFacts

    def __getitem__(self, column: int) -> list[int]:
        return self.columns[column].tolist()


def read(path: Path | str) -> Read:
    capture = CaptureFile(str(path))
    columns, numbers, data = [np.zeros((k.COLUMNS, 0), np.int64)], [], []
    for batch in capture.batches():
        columns.append(batch.columns[:, : batch.rows].copy())
        numbers += range(batch.first, batch.first + batch.rows)
        data += [batch.data(row) for row in range(batch.rows)]
    return Read(np.concatenate(columns, axis=1), numbers, data, capture.facts())


def read_bytes(folder: Path, content: bytes) -> Read:
    path = folder / "made.pcap"
    path.write_bytes(content)
    return read(path)
