"""What the driver of an adapter says through Linux's ethtool ioctl: flow control, energy-efficient Ethernet,
auto-negotiation, the hardware's own address.

The ioctl needs a socket as a handle, of any kind. It is never bound, joined or written to, and only the
ethtool commands that get are used: nothing is sent and nothing is set. Structures and numbers: Linux,
include/uapi/linux/ethtool.h. What `Ethtool` asks and what its functions make of the bytes are apart, so that
a test can hand them bytes.
"""

import array
import struct
from collections.abc import Callable

from preflight.host.facts import Use

SIOCETHTOOL = 0x8946
GET_PAUSE, GET_ADDRESS, GET_EEE, GET_LINK = 0x12, 0x20, 0x44, 0x4C
PAUSE, ASYM_PAUSE = 1 << 13, 1 << 14  # bits of ETHTOOL_LINK_MODE_*, in the first word of a mask
LINK_BYTES, MOST_WORDS = 48, 64
ADDRESS_BYTES = 32
# One ethtool command: the adapter's name and the command's structure; the structure filled in, None where
# refused.
Ask = Callable[[str, bytes], bytes | None]


def ask(name: str, request: bytes) -> bytes | None:
    import fcntl
    import socket

    buffer = array.array("B", request)
    try:
        # struct ifreq: the name in 16 bytes, then a pointer to the structure, then padding.
        wanted = struct.pack("16sP16x", name.encode(), buffer.buffer_info()[0])
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as handle:
            fcntl.ioctl(handle.fileno(), SIOCETHTOOL, wanted)
    except (OSError, ValueError, struct.error):
        return None
    return buffer.tobytes()


def link(name: str, asked: Ask) -> tuple[bool | None, int, int | None]:
    """Whether speed and duplex are automatic, this end's link modes, and the other end's (None where not
    told)."""
    # The first question only tells how many words a mask has: it comes back negative.
    first = asked(name, struct.pack("I", GET_LINK).ljust(LINK_BYTES, b"\0"))
    words = -struct.unpack_from("b", first, 18)[0] if first is not None and len(first) >= LINK_BYTES else 0
    if first is None or not 0 < words <= MOST_WORDS:
        return None, 0, None
    request = bytearray(LINK_BYTES + 3 * 4 * words)
    struct.pack_into("I", request, 0, GET_LINK)
    struct.pack_into("b", request, 18, words)
    told = asked(name, bytes(request))
    if told is None or len(told) < len(request) or struct.unpack_from("b", told, 18)[0] != words:
        return None, 0, None
    automatic = {0: False, 1: True}.get(told[11])
    _, own, other = (struct.unpack_from("I", told, LINK_BYTES + 4 * words * mask)[0] for mask in range(3))
    # A driver that cannot read the other end's word leaves it all zero. Then nothing is known.
    return automatic, own, other or None


def pause(name: str, asked: Ask, own: int, other: int | None) -> Use | None:
    told = asked(name, struct.pack("4I", GET_PAUSE, 0, 0, 0))
    if told is None or len(told) < 16:
        return None
    _, automatic, receives, sends = struct.unpack_from("4I", told)
    if not receives and not sends:
        return "off"
    if not automatic:
        return "active"  # by hand, whatever the other end wants
    if other is None:
        return "possible"
    return "active" if _agreed(own, other) else "unused"


def _agreed(own: int, other: int) -> bool:
    """IEEE 802.3 table 28B-3: whether two ends' bits come to pause in either direction."""
    if own & other & PAUSE:
        return True
    return bool(own & other & ASYM_PAUSE) and bool((own | other) & PAUSE)


def eee(name: str, asked: Ask, carrier: bool | None) -> Use | None:
    """Drivers that know no such thing refuse, which is no proof that the hardware does not sleep."""
    told = asked(name, struct.pack("10I", GET_EEE, *[0] * 9))
    if told is None or len(told) < 40:
        return None
    active, enabled = struct.unpack_from("2I", told, 16)
    if active:
        return "active"
    if not enabled:
        return "off"
    return "unused" if carrier else "possible"


def permanent_address(name: str, asked: Ask) -> str | None:
    told = asked(name, struct.pack("2I", GET_ADDRESS, ADDRESS_BYTES).ljust(8 + ADDRESS_BYTES, b"\0"))
    if told is None or len(told) < 14 or struct.unpack_from("I", told, 4)[0] != 6:
        return None
    address = told[8:14]
    return address.hex(":") if any(address) else None
