"""ARP over Ethernet (RFC 826): which hardware address says it has which IPv4 address."""

from dataclasses import dataclass
from ipaddress import IPv4Address

from preflight.wire.picked import Picked, Seen, seen

ETHERNET_IPV4 = bytes.fromhex("000108000604")
LENGTH = 28
TAGS = (b"\x81\x00", b"\x88\xa8")  # IEEE 802.1Q


@dataclass(frozen=True)
class ArpMessage:
    """`op` 1 asks, 2 answers. `sender_address` is "" in a probe (RFC 5227), which claims nothing yet. `vlan` is that of
    the frame's tag."""

    seen: Seen
    op: int
    sender_hardware: str
    sender_address: str
    target_address: str
    vlan: int | None = None


def read(picked: Picked) -> ArpMessage | None:
    data = picked.data[picked.l3 : picked.l3 + LENGTH]
    if len(data) < LENGTH or data[:6] != ETHERNET_IPV4:
        return None
    sender = IPv4Address(data[14:18])
    tagged = picked.data[12:14] in TAGS and picked.l3 >= 18
    return ArpMessage(
        seen=seen(picked),
        op=int.from_bytes(data[6:8]),
        sender_hardware=data[8:14].hex(":"),
        sender_address=str(sender) if int(sender) else "",
        target_address=str(IPv4Address(data[24:28])),
        vlan=int.from_bytes(picked.data[14:16]) & 0xFFF if tagged else None,
    )
