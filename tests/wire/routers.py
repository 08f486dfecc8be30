"""What routers say by ICMP, built by Scapy."""

from scapy.layers.inet import ICMP, IP, UDP
from scapy.layers.inet6 import (
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    ICMPv6ND_Redirect,
    ICMPv6ND_RS,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptRDNSS,
    IPv6,
)
from scapy.layers.l2 import Ether
from scapy.packet import Packet, Raw

ROUTER, BOX = "00:00:5e:00:53:42", "00:00:5e:00:53:1f"


def _ipv6(message: Packet, src: str = ROUTER, hop_limit: int = 255, ip: str = "fe80::42") -> bytes:
    packet = IPv6(src=ip, dst="ff02::1", hlim=hop_limit) / message
    return bytes(Ether(src=src, dst="33:33:00:00:00:01") / packet)


def advertisement(lifetime: int = 1800, hop_limit: int = 255, bare: bool = False, src: str = ROUTER) -> bytes:
    message = ICMPv6ND_RA(routerlifetime=lifetime)
    if not bare:
        message /= ICMPv6NDOptPrefixInfo(prefix="2001:db8:7::", prefixlen=64)
        message /= ICMPv6NDOptRDNSS(dns=["2001:db8:7::53"], lifetime=600)
    return _ipv6(message, src, hop_limit)


def solicitation6(src: str = BOX) -> bytes:
    return _ipv6(ICMPv6ND_RS(), src)


def solicitation4(src: str = BOX) -> bytes:
    return _ipv4(ICMP(type=10), src)


def neighbour(src: str = "fe80::42") -> bytes:
    return _ipv6(ICMPv6ND_NS(tgt="fe80::7"), ip=src)


def is_at(address: str, src: str = ROUTER, ip: str = "", **flags: int) -> bytes:
    """RFC 4861 section 4.4, by default in answer to a question and sent from that address."""
    flags = {"R": 0, "S": 1, "O": 1, **flags}
    return _ipv6(ICMPv6ND_NA(tgt=address, **flags) / ICMPv6NDOptDstLLAddr(lladdr=src), src, ip=ip or address)


def redirect6() -> bytes:
    return _ipv6(ICMPv6ND_Redirect(tgt="fe80::99", dst="2001:db8:9::1"))


def _ipv4(message: Packet, src: str = ROUTER, dst: str = BOX) -> bytes:
    return bytes(Ether(src=src, dst=dst) / IP(src="192.0.2.66", dst="192.0.2.31") / message)


def redirect4(src: str = ROUTER, dst: str = BOX) -> bytes:
    wrong = IP(src="192.0.2.31", dst="198.51.100.9") / UDP()
    return _ipv4(ICMP(type=5, code=1, gw="192.0.2.1") / wrong, src, dst)


def advertisement4(lifetime: int = 1800) -> bytes:
    """RFC 1256 section 3: one router of preference 0."""
    head = bytes([1, 2]) + lifetime.to_bytes(2) + bytes([192, 0, 2, 1]) + bytes(4)
    return _ipv4(Raw(bytes([9, 0, 0, 0]) + head), ROUTER).replace(b"\x40\x00", b"\x40\x01", 1)


def ping() -> bytes:
    return _ipv4(ICMP(type=8))
