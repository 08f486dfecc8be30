"""DHCP over IPv4 (RFC 2131, options RFC 2132): who asks, who answers, what is handed out.

Addresses and names in it are covered; the client's and the server's numbers stay, names of files do not.
"""

import re
import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from preflight.wire import fields as f
from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen

# RFC 2132 section 9.6; from 9 on RFC 3203 and RFC 4388.
TYPES = ("", "DISCOVER", "OFFER", "REQUEST", "DECLINE", "ACK", "NAK", "RELEASE", "INFORM", "FORCERENEW", "LEASEQUERY",
         "LEASEUNASSIGNED", "LEASEUNKNOWN", "LEASEACTIVE")  # fmt: skip
REQUEST, REPLY = 1, 2
# RFC 2131 figure 1: op, htype, hlen, hops; xid; secs, flags; ciaddr, yiaddr, siaddr, giaddr; chaddr.
HEAD = struct.Struct("!4B 6x H 4s 4s 4s 4s 16s")
# The lengths of what stands before the options.
NUMBERS, ADDRESSES, CLIENT, SERVER_NAME, FILE = 12, 16, 16, 64, 128
FIXED = NUMBERS + ADDRESSES + CLIENT + SERVER_NAME + FILE
ETHERNET = (1, 6)
SHORTEST_BOOTP = 300  # RFC 951: a message without DHCP options is 300 bytes long
MAGIC = b"\x63\x82\x53\x63"
BROADCAST_FLAG = 0x8000
# How a hand-held system begins its DHCP vendor class (option 60): from memory.
HANDHELD_CLASSES = ("android-dhcp",)
_HANDHELD = re.compile("|".join(f"^{word}" for word in HANDHELD_CLASSES).encode(), re.IGNORECASE)
MASK, ROUTER, DNS, HOSTNAME, REQUESTED, LEASE, TYPE, SERVER, CLASS, END = 1, 3, 6, 12, 50, 51, 53, 54, 60, 255  # fmt: skip
_ADDRESS_LISTS = (3, 4, 5, 6, 7, 8, 9, 10, 11, 16, 28, 32, 41, 42, 44, 45, 48, 49, 50, 54, 65, *range(68, 77), 118)  # fmt: skip
_NUMBERS = (2, 13, 19, 20, *range(22, 25), 26, 27, *range(29, 32), *range(35, 39), 46, *range(51, 54), *range(57, 60), 80, 116)  # fmt: skip
_NAMES = (12, 14, 15, 17, 18, 40, 47, 56, 62, 64, 66, 67, 77, 86, 87, 100, 101)
_MASK = f.Form(f.NUMBER.cover, f.IP4.read)


def _head(head: bytes) -> tuple[int, int, int] | None:
    if head[:1] == b"\0":  # padding
        return 0, 1, 0
    return (head[0], 2, head[1]) if len(head) > 1 and head[0] != END else None


def _rest(raw: bytes) -> tuple[int, f.Form]:
    """After the end; or, where an option is cut, with padding in place of its code."""
    return (1, f.SCRAMBLED) if raw[:1] == bytes([END]) else (0, f.parts((1, f.ZEROED)))


OPTIONS = f.Fields(
    _head,
    dict.fromkeys(_ADDRESS_LISTS, f.IP4)
    | dict.fromkeys(_NUMBERS, f.NUMBER)
    | dict.fromkeys(_NAMES, f.NAME)
    | {
        MASK: _MASK,
        55: f.KEPT,
        CLASS: f.words(_HANDHELD),
        61: f.chosen(lambda raw: (1, f.MAC) if raw[:1] == b"\x01" and len(raw) == 7 else (0, f.SCRAMBLED)),
        81: f.chosen(
            lambda raw: (3, f.LABELS if raw[0] & 4 else f.NAME) if len(raw) > 3 else (0, f.SCRAMBLED)
        ),
    },
    rest=f.chosen(_rest),
)


@dataclass(frozen=True)
class Dhcp4Message:
    """`message_type` is "" where it is not known: plain BOOTP, or a frame cut before its options. Addresses
    are "" where the message has none. `server_id` is option 54, `source` the IPv4 sender, `relay` giaddr."""

    seen: Seen
    source: str
    op: int
    message_type: str
    client_hardware: str
    broadcast_flag: bool
    client_address: str
    offered_address: str
    server_id: str
    relay: str
    requested_address: str
    subnet_mask: str
    router: str
    dns: tuple[str, ...]
    lease_s: int | None
    hostname: str
    vendor_class: str

    @property
    def from_server(self) -> bool:
        """True for what only a server sends. A cut reply counts: clients never send one (RFC 2131 section
        2)."""
        server_types = ("OFFER", "ACK", "NAK", "FORCERENEW", "LEASEUNASSIGNED", "LEASEUNKNOWN", "LEASEACTIVE")
        return self.op == REPLY and (not self.message_type or self.message_type in server_types)


def read(picked: Picked) -> Dhcp4Message | None:
    found = datagram(picked)
    if found is None or len(found.data) < HEAD.size or found.data[0] not in (REQUEST, REPLY):
        return None
    data = found.data
    with_options = data[FIXED:].startswith(MAGIC)
    if not picked.cut and not with_options and len(data) < SHORTEST_BOOTP:
        return None
    op, kind, size, _, flags, client, offered, _, relay, hardware = HEAD.unpack_from(data)
    if size > CLIENT or (not with_options and (kind, size) != ETHERNET):
        return None
    told = OPTIONS.first(data[FIXED + len(MAGIC) :] if with_options else b"")
    number = told.get(TYPE, 0)
    return Dhcp4Message(
        seen=seen(picked),
        source=found.source,
        op=op,
        message_type=TYPES[number] if number < len(TYPES) else "",
        client_hardware=hardware[:size].hex(":"),
        broadcast_flag=bool(flags & BROADCAST_FLAG),
        client_address=_told(client),
        offered_address=_told(offered),
        server_id=_first(told, SERVER),
        relay=_told(relay),
        requested_address=_first(told, REQUESTED),
        subnet_mask=_first(told, MASK),
        router=_first(told, ROUTER),
        dns=tuple(_told(each) for each in told.get(DNS, ())[:4]),
        lease_s=told.get(LEASE),
        hostname=told.get(HOSTNAME, ""),
        vendor_class=told.get(CLASS, ""),
    )


def _told(address: bytes | str) -> str:
    """The address in its usual form, "" for 0.0.0.0, which stands for none."""
    number = IPv4Address(address)
    return str(number) if int(number) else ""


def _first(told: dict, code: int) -> str:
    return "".join(map(_told, told.get(code, ())[:1]))


def covered(data: bytes, hand: f.Hand) -> bytes:
    if len(data) < HEAD.size:
        return hand.scramble(data)
    client = f.parts((6, f.MAC), rest=f.ZEROED) if tuple(data[1:3]) == ETHERNET else f.SCRAMBLED
    head = f.parts(
        (NUMBERS, f.KEPT),
        (ADDRESSES, f.IP4),
        (CLIENT, client),
        (SERVER_NAME, f.SCRAMBLED),
        (FILE, f.SCRAMBLED),
    )
    out, options = head.cover(data[:FIXED], hand), data[FIXED:]
    if not options.startswith(MAGIC):
        return out + hand.scramble(options)
    return out + MAGIC + OPTIONS.cover(options[len(MAGIC) :], hand)
