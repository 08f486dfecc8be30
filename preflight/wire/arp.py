"""ARP over Ethernet (RFC 826): which hardware address says it has which IPv4 address."""

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from preflight.wire.picked import Picked, Seen, seen, vlan

ETHERNET_IPV4 = bytes.fromhex("000108000604")
MESSAGE = struct.Struct(
    "!6x H 6s 4s 6x 4s"
)  # operation, the sender's two addresses, the target's IPv4 address


@dataclass(frozen=True)
class ArpMessage:
    """`op` 1 asks, 2 answers. `sender_address` is "" in a probe (RFC 5227), which claims nothing yet. `vlan`
    is that of the frame's tag."""

    seen: Seen
    op: int
    sender_hardware: str
    sender_address: str
    target_address: str
    vlan: int | None = None


def read(picked: Picked) -> ArpMessage | None:
    data = picked.data[picked.l3 :]
    if len(data) < MESSAGE.size or not data.startswith(ETHERNET_IPV4):
        return None
    op, hardware, address, target = MESSAGE.unpack_from(data)
    return ArpMessage(
        seen=seen(picked),
        op=op,
        sender_hardware=hardware.hex(":"),
        sender_address=str(IPv4Address(address)) if any(address) else "",
        target_address=str(IPv4Address(target)),
        vlan=vlan(picked),
    )
