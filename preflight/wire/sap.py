"""Session announcements (SAP, RFC 2974): who says that a stream is there, and who takes that back."""

import zlib
from dataclasses import dataclass
from ipaddress import ip_address

from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen
from preflight.wire.sdp import Session, parse

IPV6, DELETION, ENCRYPTED, COMPRESSED = (
    0x10,
    0x04,
    0x02,
    0x01,
)  # RFC 2974 section 3, after three bits of version
SDP_TYPE = b"application/sdp"
MOST_UNPACKED = 1 << 16


@dataclass(frozen=True)
class SapMessage:
    """`origin` is the announcer by its own word, `number` the message identifier hash: together they name the announcement.
    `session` is None where it cannot be read: `encrypted`, or of another kind than SDP. A deletion holds no streams."""

    seen: Seen
    source: str
    origin: str
    number: int
    deletion: bool
    encrypted: bool
    session: Session | None


def read(picked: Picked) -> SapMessage | None:
    found = datagram(picked)
    if found is None or len(found.data) < 8 or found.data[0] >> 5 != 1:
        return None
    data, flags = found.data, found.data[0]
    size = 16 if flags & IPV6 else 4
    start = 4 + size + 4 * data[1]  # after the authentication
    if len(data) < start:
        return None
    encrypted = bool(flags & ENCRYPTED)
    return SapMessage(
        seen=seen(picked),
        source=found.source,
        origin=str(ip_address(data[4 : 4 + size])),
        number=int.from_bytes(data[2:4]),
        deletion=bool(flags & DELETION),
        encrypted=encrypted,
        session=None if encrypted else _session(data[start:], bool(flags & COMPRESSED)),
    )


def _session(payload: bytes, compressed: bool) -> Session | None:
    if compressed:
        try:
            payload = zlib.decompressobj().decompress(payload, MOST_UNPACKED)
        except zlib.error:
            return None
    # The type may be left out where it is SDP. A deletion holds the o= line alone.
    if not payload.startswith((b"v=0", b"o=")):
        kind, end, payload = payload.partition(b"\0")
        if not end or kind.strip().lower() != SDP_TYPE:
            return None
    return parse(payload)
