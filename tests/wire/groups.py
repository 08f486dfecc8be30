"""IGMP frames byte for byte, as RFC 2236 section 2 and RFC 3376 section 4 lay them out."""

import struct
from collections.abc import Sequence

from tests.tally.captures import ethernet, group_mac, mac

ALL_SYSTEMS, ALL_QUERIED = "224.0.0.1", "224.0.0.22"
IS_EXCLUDE, TO_INCLUDE, TO_EXCLUDE = 2, 3, 4


def query(
    sender: int,
    version: int = 3,
    *,
    group: str = "0.0.0.0",
    response: int = 100,
    robustness: int = 2,
    interval: int = 125,
    source: str | None = None,
) -> bytes:
    """`response` and `interval` are the codes as they stand in the message."""
    data = struct.pack(">BBH", 0x11, 0 if version == 1 else response, 0) + _ip(group)
    if version == 3:
        data += struct.pack(">BBH", robustness, interval, 0)
    return message(sender, ALL_SYSTEMS if group == "0.0.0.0" else group, data, source)


def report(sender: int, *groups: str, version: int = 3, kind: int = IS_EXCLUDE) -> bytes:
    """A report of one group in versions 1 and 2."""
    if version < 3:
        return message(
            sender, groups[0], struct.pack(">BBH", 0x12 if version == 1 else 0x16, 0, 0) + _ip(groups[0])
        )
    records = b"".join(record(kind, group) for group in groups)
    return message(sender, ALL_QUERIED, struct.pack(">BBHHH", 0x22, 0, 0, 0, len(groups)) + records)


def record(kind: int, group: str, sources: Sequence[str] = ()) -> bytes:
    return struct.pack(">BBH", kind, 0, len(sources)) + _ip(group) + b"".join(map(_ip, sources))


def leave(sender: int, group: str) -> bytes:
    return message(sender, "224.0.0.2", struct.pack(">BBH", 0x17, 0, 0) + _ip(group))


def message(sender: int, to: str, data: bytes, source: str | None = None) -> bytes:
    """The message in a packet with the router alert option (RFC 2113), its checksum filled in."""
    data = data[:2] + struct.pack(">H", checksum(data)) + data[4:]
    head = struct.pack(">BBHHHBBH", 0x46, 0xC0, 24 + len(data), 0, 0, 1, 2, 0)
    head += _ip(source or f"192.0.2.{sender}") + _ip(to) + bytes.fromhex("94040000")
    return ethernet(group_mac(to), mac(sender), 0x0800, head + data)


def checksum(data: bytes) -> int:
    """RFC 1071."""
    total = sum(struct.unpack(f">{len(data) // 2}H", data))
    total = (total & 0xFFFF) + (total >> 16)
    return ~((total & 0xFFFF) + (total >> 16)) & 0xFFFF


def _ip(text: str) -> bytes:
    return bytes(map(int, text.split(".")))
