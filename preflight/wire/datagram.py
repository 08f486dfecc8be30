"""The UDP datagram in a frame. Lengths are checked before any access; a cut or padded frame gives what is
there."""

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from preflight.wire.picked import Picked

UDP = 17
# IPv6 headers that can stand before UDP (RFC 8200 section 4.1): hop-by-hop, routing, fragment, destination.
HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION = 0, 43, 44, 60
MOST_EXTENSIONS = 6


@dataclass(frozen=True)
class Datagram:
    source: str
    destination: str
    source_port: int
    destination_port: int
    data: bytes


def datagram(picked: Picked) -> Datagram | None:
    """The datagram, or None where the frame holds no UDP header (a later fragment, another protocol, cut)."""
    packet = picked.data[picked.l3 :]
    if picked.etype == 0x0800:
        return _over_ipv4(packet)
    if picked.etype == 0x86DD:
        return _over_ipv6(packet)
    return None


def _over_ipv4(packet: bytes) -> Datagram | None:
    if len(packet) < 20:
        return None
    head = (packet[0] & 15) * 4
    later_fragment = int.from_bytes(packet[6:8]) & 0x1FFF
    if packet[0] >> 4 != 4 or head < 20 or packet[9] != UDP or later_fragment:
        return None
    return _udp(str(IPv4Address(packet[12:16])), str(IPv4Address(packet[16:20])), packet[head:])


def _over_ipv6(packet: bytes) -> Datagram | None:
    if len(packet) < 40 or packet[0] >> 4 != 6:
        return None
    following, at = packet[6], 40
    for _ in range(MOST_EXTENSIONS):
        if following not in (HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION) or len(packet) < at + 8:
            break
        if following == FRAGMENT and int.from_bytes(packet[at + 2 : at + 4]) & 0xFFF8:
            return None
        size = 8 if following == FRAGMENT else 8 + 8 * packet[at + 1]
        following, at = packet[at], at + size
    if following != UDP:
        return None
    return _udp(str(IPv6Address(packet[8:24])), str(IPv6Address(packet[24:40])), packet[at:])


def _udp(source: str, destination: str, segment: bytes) -> Datagram | None:
    if len(segment) < 8:
        return None
    ports = int.from_bytes(segment[0:2]), int.from_bytes(segment[2:4])
    return Datagram(source, destination, *ports, segment[8 : max(int.from_bytes(segment[4:6]), 8)])
