"""DHCP over IPv4 (RFC 2131, options RFC 2132): who asks, who answers, what is handed out. Scapy dissects."""

from dataclasses import dataclass
from ipaddress import IPv4Address

from preflight.text import clean
from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen

# RFC 2132 section 9.6; from 9 on RFC 3203 and RFC 4388.
TYPES = {
    1: "DISCOVER",
    2: "OFFER",
    3: "REQUEST",
    4: "DECLINE",
    5: "ACK",
    6: "NAK",
    7: "RELEASE",
    8: "INFORM",
    9: "FORCERENEW",
    10: "LEASEQUERY",
    11: "LEASEUNASSIGNED",
    12: "LEASEUNKNOWN",
    13: "LEASEACTIVE",
}
REQUEST, REPLY = 1, 2
FIXED = 236  # bytes before the options, RFC 2131 figure 1
UP_TO_CLIENT = 44  # bytes up to and with the client's hardware address
SHORTEST_BOOTP = 300  # RFC 951: a message without DHCP options is 300 bytes long
MAGIC = b"\x63\x82\x53\x63"
BROADCAST_FLAG = 0x8000
# How a hand-held system begins its DHCP vendor class (option 60): from memory.
HANDHELD_CLASSES = ("android-dhcp",)


@dataclass(frozen=True)
class Dhcp4Message:
    """`message_type` is "" where it is not known: plain BOOTP, or a frame cut before its options. Addresses
    are "" where the message has none. `server_id` is option 54, `source` the IPv4 sender, `relay` giaddr."""

    seen: Seen
    source: str
    destination: str
    op: int
    message_type: str
    xid: int
    client_hardware: str
    broadcast_flag: bool
    client_address: str
    offered_address: str
    server_id: str
    next_server: str
    relay: str
    requested_address: str
    subnet_mask: str
    router: str
    dns: tuple[str, ...]
    domain: str
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
    from scapy.layers.dhcp import BOOTP, DHCP

    found = datagram(picked)
    if found is None or len(found.data) < UP_TO_CLIENT or found.data[0] not in (REQUEST, REPLY):
        return None
    data = found.data
    if not picked.cut and data[FIXED : FIXED + 4] != MAGIC and len(data) < SHORTEST_BOOTP:
        return None
    head = BOOTP(data.ljust(FIXED, b"\0"))
    if head.hlen > 16 or (data[FIXED : FIXED + 4] != MAGIC and (head.htype, head.hlen) != (1, 6)):
        return None
    options: dict[object, tuple] = {}
    if DHCP in head:
        for option in head[DHCP].options:
            if isinstance(option, tuple):
                options.setdefault(option[0], option[1:])
    return Dhcp4Message(
        seen=seen(picked),
        source=found.source,
        destination=found.destination,
        op=head.op,
        message_type=TYPES.get(_number(options, "message-type") or 0, ""),
        xid=head.xid,
        client_hardware=":".join(f"{byte:02x}" for byte in head.chaddr[: head.hlen]),
        broadcast_flag=bool(int(head.flags) & BROADCAST_FLAG),
        client_address=_told(head.ciaddr),
        offered_address=_told(head.yiaddr),
        server_id=_address(options, "server_id"),
        next_server=_told(head.siaddr),
        relay=_told(head.giaddr),
        requested_address=_address(options, "requested_addr"),
        subnet_mask=_address(options, "subnet_mask"),
        router=_address(options, "router"),
        dns=tuple(_told(each) for each in options.get("name_server", ())[:4]),
        domain=_text(options, "domain"),
        lease_s=_number(options, "lease_time"),
        hostname=_text(options, "hostname"),
        vendor_class=_text(options, "vendor_class_id"),
    )


def _told(address: str) -> str:
    """The address in its usual form, "" for 0.0.0.0, which stands for none."""
    number = IPv4Address(address)
    return str(number) if int(number) else ""


def _address(options: dict, name: str) -> str:
    values = options.get(name, ())
    return _told(values[0]) if values else ""


def _number(options: dict, name: str) -> int | None:
    values = options.get(name, ())
    return int(values[0]) if values else None


def _text(options: dict, name: str) -> str:
    values = options.get(name, ())
    return clean(bytes(values[0]).rstrip(b"\0")) if values else ""
