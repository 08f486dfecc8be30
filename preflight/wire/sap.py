"""Session announcements (SAP, RFC 2974): who says that a stream is there, and who takes that back."""

import zlib
from dataclasses import dataclass
from ipaddress import ip_address

from preflight.wire import sdp
from preflight.wire.datagram import datagram
from preflight.wire.fields import IP4, IP6, KEPT, Hand, parts
from preflight.wire.picked import Picked, Seen, seen

# RFC 2974 section 3, after three bits of version.
IPV6, DELETION, ENCRYPTED, COMPRESSED = 0x10, 0x04, 0x02, 0x01
HEAD = 4  # flags, length of the authentication in words, message identifier hash
SDP_TYPE = b"application/sdp"
MOST_UNPACKED = 1 << 16


@dataclass(frozen=True)
class SapMessage:
    """`origin` is the announcer by its own word, `number` the message identifier hash: together they name the
    announcement. `session` is None where it cannot be read: encrypted, or of another kind than SDP. A
    deletion holds no streams."""

    seen: Seen
    source: str
    origin: str
    number: int
    deletion: bool
    session: sdp.Session | None


def read(picked: Picked) -> SapMessage | None:
    found = datagram(picked)
    if found is None or len(found.data) < 8 or found.data[0] >> 5 != 1:
        return None
    data, flags = found.data, found.data[0]
    size, start = _lengths(data)
    if len(data) < start:
        return None
    return SapMessage(
        seen=seen(picked),
        source=found.source,
        origin=str(ip_address(data[HEAD : HEAD + size])),
        number=int.from_bytes(data[2:4]),
        deletion=bool(flags & DELETION),
        session=None if flags & ENCRYPTED else _session(data[start:], bool(flags & COMPRESSED)),
    )


def _lengths(data: bytes) -> tuple[int, int]:
    """The length of the origin's address, and where the payload starts, after the authentication."""
    size = 16 if data[0] & IPV6 else 4
    return size, HEAD + size + 4 * data[1]


def _session(payload: bytes, compressed: bool) -> sdp.Session | None:
    if compressed:
        try:
            payload = zlib.decompressobj().decompress(payload, MOST_UNPACKED)
        except zlib.error:
            return None
    start = _description(payload)
    return None if start is None else sdp.parse(payload[start:])


def _description(payload: bytes) -> int | None:
    """Where the description starts: the type may be left out where it is SDP. A deletion holds the o= line
    alone."""
    if payload.startswith((b"v=0", b"o=")):
        return 0
    kind, end, _ = payload.partition(b"\0")
    return len(kind) + 1 if end and kind.strip().lower() == SDP_TYPE else None


def covered(data: bytes, hand: Hand) -> bytes:
    """What is packed or encrypted is scrambled."""
    size, start = _lengths(data) if len(data) > 1 else (0, HEAD)
    if len(data) < start:
        return hand.scramble(data)
    head = parts((HEAD, KEPT), (size, IP6 if size == 16 else IP4)).cover(data[:start], hand)
    payload = data[start:]
    found = None if data[0] & (ENCRYPTED | COMPRESSED) else _description(payload)
    if found is None:
        return head + hand.scramble(payload)
    return head + payload[:found] + sdp.covered(payload[found:], hand)
