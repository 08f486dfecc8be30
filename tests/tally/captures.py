"""Small captures made in a test: frames of the trade at given times, written as pcap or pcapng."""

import struct
from collections.abc import Callable, Iterable
from functools import cache
from operator import itemgetter
from pathlib import Path

import numpy as np

from preflight.checks.finding import Finding
from preflight.facts import Facts
from preflight.study import study

Timed = tuple[float, bytes]
AT_ONCE = 1024  # so many heads and frames, put together, stay in the processor's cache
BROADCAST = "ff:ff:ff:ff:ff:ff"


@cache
def mac(number: int) -> str:
    """A documentation address (RFC 7042)."""
    return f"00:00:5e:00:53:{number:02x}"


def ethernet(dst: str, src: str, etype: int, payload: bytes, size: int = 60) -> bytes:
    return (_head(dst, src, etype) + payload).ljust(size, b"\0")


@cache
def _head(dst: str, src: str, etype: int) -> bytes:
    return bytes.fromhex((dst + src).replace(":", "")) + struct.pack(">H", etype)


def arp(sender: int, target: int) -> bytes:
    """A request of box `sender` for 192.0.2.`target`; gratuitous where they are the same (RFC 826, RFC 5227)."""
    addresses = bytes.fromhex(mac(sender).replace(":", "")) + bytes([192, 0, 2, sender])
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, 1) + addresses + bytes(6) + bytes([192, 0, 2, target])
    return ethernet(BROADCAST, mac(sender), 0x0806, body)


def broadcast(sender: int, content: int, size: int = 60) -> bytes:
    """A broadcast under an EtherType for experiments (IEEE 802)."""
    return ethernet(BROADCAST, mac(sender), 0x88B5, struct.pack(">I", content), size)


@cache
def group_mac(group: str) -> str:
    """The hardware address of an IPv4 group: its low 23 bits (RFC 1112)."""
    _, b, c, d = map(int, group.split("."))
    return f"01:00:5e:{b & 0x7F:02x}:{c:02x}:{d:02x}"


def udp(sender: int, to: str, port: int, payload: bytes, to_mac: str | None = None, tos: int = 0) -> bytes:
    head = _ip_and_udp(sender, to, port, len(payload), tos)
    return ethernet(to_mac or group_mac(to), mac(sender), 0x0800, head + payload)


@cache
def _ip_and_udp(sender: int, to: str, port: int, size: int, tos: int) -> bytes:
    ip = struct.pack(">BBHHHBBH", 0x45, tos, 28 + size, 0, 0, 1, 17, 0)
    ip += bytes([192, 0, 2, sender]) + bytes(map(int, to.split(".")))
    return ip + struct.pack(">HHHH", port, port, 8 + size, 0)


def rtp(
    sender: int, group: str, number: int, media: bytes = bytes(1152), samples: int = 48, dscp: int = 34
) -> bytes:
    """Packet `number` of a stream (RFC 3550); its media is silence unless given."""
    head = struct.pack(">BBHII", 0x80, 97, number & 0xFFFF, number * samples & 0xFFFFFFFF, sender)
    return udp(sender, group, 5004, head + media, tos=dscp << 2)


def announce(clock: int, number: int, priority1: int = 128, domain: int = 0) -> bytes:
    """An announcement of PTP over Ethernet (IEEE 1588-2008 clause 13.5)."""
    identity = bytes.fromhex("00005efffe0053") + bytes([clock])
    head = struct.pack(">BBHBBHq4x8sHHBb", 0x0B, 2, 64, domain, 0, 0, 0, identity, 1, number, 5, 0)
    body = struct.pack(">10xHBBBBHB8sHB", 37, 0, priority1, 248, 0xFE, 0xFFFF, 128, identity, 0, 0xA0)
    return ethernet("01:1b:19:00:00:00", mac(clock), 0x88F7, head + body)


def sdp(
    name: str, group: str, port: int = 5004, channels: int = 2, rate: str = "L24/48000", ptime: str = "1"
) -> bytes:
    """A description of one stream (RFC 8866), as its sender 192.0.2.5 would announce it."""
    return (
        f"v=0\r\no=- 17 1 IN IP4 192.0.2.5\r\ns={name}\r\nc=IN IP4 {group}/15\r\nt=0 0\r\nm=audio {port} RTP/AVP 97\r\n"
        f"a=rtpmap:97 {rate}/{channels}\r\na=ptime:{ptime}\r\n"
    ).encode()


def sap(
    sender: int,
    description: bytes,
    number: int = 7,
    flags: int = 0,
    typed: bool = True,
    authentication: bytes = b"",
) -> bytes:
    """A session announcement (RFC 2974) of box `sender`."""
    head = struct.pack(">BBH", 0x20 | flags, len(authentication) // 4, number) + bytes([192, 0, 2, sender])
    kind = b"application/sdp\0" if typed else b""
    return udp(sender, "224.2.127.254", 9875, head + authentication + kind + description)


def every(period_s: float, make: bytes | Callable[[int], bytes], start: float, end: float) -> list[Timed]:
    """One frame each `period_s` from `start` to before `end`."""
    count = round((end - start) / period_s)
    return [(start + n * period_s, make if isinstance(make, bytes) else make(n)) for n in range(count)]


def mirrored(frames: Iterable[Timed], later_s: float = 8e-6) -> list[Timed]:
    """What a mirror port of both directions shows: each frame as it comes in and as it goes out."""
    return [(at, data) for time, data in frames for at in (time, time + later_s)]


def write(path: Path, frames: Iterable[Timed], snap: int = 65535) -> Path:
    """A nanosecond pcap of `frames`, in order of time."""
    ordered = sorted(frames, key=itemgetter(0))
    data = [frame for _, frame in ordered]
    times = np.rint(np.array([time for time, _ in ordered]) * 1e9).astype(np.int64)
    sizes = np.fromiter(map(len, data), np.int64, len(data))
    heads = np.stack([1000 + times // 10**9, times % 10**9, np.minimum(sizes, snap), sizes], 1)
    parts = [b""] * (2 * len(data))
    parts[::2] = heads.astype("<u4").view("V16").ravel().tolist()
    parts[1::2] = [frame[:snap] for frame in data]
    with path.open("wb", buffering=0) as file:
        file.write(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, snap, 1))
        for start in range(0, len(parts), AT_ONCE):
            file.write(b"".join(parts[start : start + AT_ONCE]))
    return path


def write_with_direction(path: Path, frames: Iterable[tuple[float, bytes, bool]]) -> Path:
    """A pcapng whose blocks say by epb_flags whether this computer sent the frame."""
    blocks = [_block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))]
    blocks.append(_block(1, struct.pack("<HHI", 1, 0, 0)))
    for time, data, sent in frames:
        at, size = 1_000_000_000 + round(time * 1e6), len(data)
        flags = struct.pack("<HHI", 2, 4, 2 if sent else 1) + bytes(4)
        pad = -size % 4
        total = 32 + size + pad + len(flags)
        head = struct.pack("<IIIIIII", 6, total, 0, at >> 32, at & 0xFFFFFFFF, size, size)
        blocks += head, data, bytes(pad), flags, struct.pack("<I", total)
    path.write_bytes(b"".join(blocks))
    return path


def _block(kind: int, body: bytes) -> bytes:
    size = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + size + body + size


def studied(folder: Path, *frames: Iterable[Timed], snap: int = 65535) -> Facts:
    """The facts of a capture of all `frames`, which goes at once: together they are gigabytes, and would be written to the disk."""
    path = write(folder / "made.pcap", [one for some in frames for one in some], snap)
    try:
        return study(str(path))
    finally:
        path.unlink()


def told(finding: Finding | None) -> str:
    """Everything that the user reads of a finding."""
    assert finding is not None
    return " ".join((finding.headline, *(each.text for each in finding.evidence)))
