"""ARP over Ethernet (RFC 826): which hardware address says it has which IPv4 address."""

from dataclasses import dataclass
from ipaddress import IPv4Address

from preflight.wire.picked import Picked, Seen, seen

ETHERNET_IPV4 = bytes.fromhex("000108000604")
LENGTH = 28


@dataclass(frozen=True)
class ArpMessage:
    """`op` 1 asks, 2 answers. `sender_address` is "" in a probe (RFC 5227), which claims nothing yet."""

    seen: Seen
    op: int
    sender_hardware: str
    sender_address: str
    target_address: str


def read(picked: Picked) -> ArpMessage | None:
    data = picked.data[picked.l3 : picked.l3 + LENGTH]
    if len(data) < LENGTH or data[:6] != ETHERNET_IPV4:
        return None
    sender = IPv4Address(data[14:18])
    return ArpMessage(
        seen=seen(picked),
        op=int.from_bytes(data[6:8]),
        sender_hardware=":".join(f"{byte:02x}" for byte in data[8:14]),
        sender_address=str(sender) if int(sender) else "",
        target_address=str(IPv4Address(data[24:28])),
    )
