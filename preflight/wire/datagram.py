"""What an IP packet in a frame carries. Lengths are checked before any access; a cut or padded frame gives
what is there."""

from dataclasses import dataclass
from ipaddress import ip_address

from preflight.wire.picked import Picked

IPV4, IPV6 = 0x0800, 0x86DD
ICMP4, IGMP, UDP, GRE, ESP, ICMP6 = 1, 2, 17, 47, 50, 58
VXLAN, GENEVE = 4789, 6081  # ports of UDP: RFC 7348, RFC 8926
IPV4_HEAD, IPV6_HEAD, UDP_HEAD = 20, 40, 8
# IPv6 headers that can stand before the payload (RFC 8200 section 4.1): hop-by-hop, routing, fragment,
# destination.
HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION = 0, 43, 44, 60
MOST_EXTENSIONS = 6


@dataclass(frozen=True)
class Packet:
    """`padded` is all that follows the headers, `told` how much of it belongs to the packet by an IPv4
    header, `data` just that. `fragment`: it has an IPv6 fragment header."""

    source: str
    protocol: int
    hops: int
    padded: bytes
    told: int
    fragment: bool = False

    @property
    def data(self) -> bytes:
        return self.padded[: max(self.told, 0)]


def packet(picked: Picked) -> Packet | None:
    """The packet, or None where there is none, or a later fragment."""
    raw = picked.data[picked.l3 :]
    if picked.etype == IPV4 and len(raw) >= IPV4_HEAD and raw[0] >> 4 == 4:
        head = (raw[0] & 15) * 4
        if head < IPV4_HEAD or int.from_bytes(raw[6:8]) & 0x1FFF:
            return None
        told = int.from_bytes(raw[2:4]) - head
        return Packet(str(ip_address(raw[12:16])), raw[9], raw[8], raw[head:], told)
    if picked.etype == IPV6 and len(raw) >= IPV6_HEAD and raw[0] >> 4 == 6:
        return _over_ipv6(raw)
    return None


def _over_ipv6(raw: bytes) -> Packet | None:
    following, at, fragment = raw[6], IPV6_HEAD, False
    for _ in range(MOST_EXTENSIONS):
        if following not in (HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION) or len(raw) < at + 8:
            break
        if following == FRAGMENT:
            fragment, size = True, 8
            if int.from_bytes(raw[at + 2 : at + 4]) & 0xFFF8:
                return None
        else:
            size = 8 + 8 * raw[at + 1]
        following, at = raw[at], at + size
    return Packet(str(ip_address(raw[8:24])), following, raw[7], raw[at:], len(raw), fragment)


@dataclass(frozen=True)
class Datagram:
    source: str
    data: bytes


def datagram(picked: Picked) -> Datagram | None:
    """The UDP datagram, or None where the frame holds no UDP header (a later fragment, another protocol,
    cut)."""
    found = packet(picked)
    if found is None or found.protocol != UDP or len(found.padded) < UDP_HEAD:
        return None
    end = max(int.from_bytes(found.padded[4:6]), UDP_HEAD)
    return Datagram(found.source, found.padded[UDP_HEAD:end])
