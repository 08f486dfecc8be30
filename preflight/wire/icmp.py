"""What routers say of themselves by ICMP: router advertisements and redirects (RFC 4861; RFC 792, RFC 1256),
who looks for a router, and who says that it has which IPv6 address.

Fixed fields at fixed places, so they are read here without a dissector.
"""

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from typing import Literal

from preflight.wire.datagram import ICMP4, ICMP6, IPV4, IPV6, Packet, packet
from preflight.wire.picked import Picked, Seen, seen, vlan

REDIRECT_4, ADVERTISEMENT_4, SOLICITATION_4 = 5, 9, 10  # RFC 792, RFC 1256
SOLICITATION_6, ADVERTISEMENT_6, REDIRECT_6 = 133, 134, 137  # RFC 4861
NEIGHBOUR_SOLICITATION, NEIGHBOUR_ADVERTISEMENT = 135, 136
# RFC 4861 section 4.4: an answer; and one that is not set where several may answer (anycast), nor by a proxy
SOLICITED, OVERRIDE = 0x40, 0x20
PREFIX, DNS = 3, 25  # options: RFC 4861 section 4.6.2, RFC 8106 section 5.1
MOST_OPTIONS = 32
FIRST_HOP = 255  # RFC 4861 section 6.1: hosts drop these messages unless no router has passed them on


@dataclass(frozen=True)
class RouterMessage:
    """`lifetime_s` is how long the sender is a default router, 0: not; `prefixes` are those it announces,
    `dns` name servers; `gateway` and `target` belong to a redirect: "send what goes to `target` by
    `gateway`"."""

    seen: Seen
    source: str
    version: Literal[4, 6]
    kind: Literal["advertisement", "redirect", "solicitation"]
    lifetime_s: int = 0
    prefixes: tuple[str, ...] = ()
    dns: tuple[str, ...] = ()
    gateway: str = ""
    target: str = ""


@dataclass(frozen=True)
class NeighbourMessage:
    """The sender of the frame has `address` as its own; `announced` where it says so unasked. `vlan` is that
    of the frame's tag."""

    seen: Seen
    address: str
    announced: bool
    vlan: int | None = None


def read(picked: Picked) -> RouterMessage | NeighbourMessage | None:
    found = packet(picked)
    if found is None or len(found.data) < 8:
        return None
    if picked.etype == IPV4 and found.protocol == ICMP4:
        return _version4(found.data, seen(picked), found.source)
    # A fragmented one is dropped by receivers: RFC 6980 section 5.
    if picked.etype == IPV6 and found.protocol == ICMP6 and found.hops == FIRST_HOP and not found.fragment:
        return _neighbour(picked, found) or _version6(found.data, seen(picked), found.source)
    return None


def _neighbour(picked: Picked, found: Packet) -> NeighbourMessage | None:
    """Who asks for a neighbour sends from an address of its own, but where it tries whether that is free (RFC
    4862 section 5.4.2)."""
    kind, address, announced = found.data[0], found.source, False
    if kind == NEIGHBOUR_ADVERTISEMENT and len(found.data) >= 24 and found.data[4] & OVERRIDE:
        address, announced = str(IPv6Address(found.data[8:24])), not found.data[4] & SOLICITED
    elif kind != NEIGHBOUR_SOLICITATION or address == "::":
        return None
    return NeighbourMessage(seen(picked), address, announced, vlan(picked))


def _version4(data: bytes, where: Seen, source: str) -> RouterMessage | None:
    kind = data[0]
    if kind == SOLICITATION_4:
        return RouterMessage(where, source, 4, "solicitation")
    if kind == ADVERTISEMENT_4:
        count, size = data[4], max(4 * data[5], 4)
        found = [data[at : at + 4] for at in range(8, 8 + count * size, size)]
        routers = tuple(str(IPv4Address(each)) for each in found if len(each) == 4)[:4]
        lifetime = int.from_bytes(data[6:8])
        return RouterMessage(where, source, 4, "advertisement", lifetime, gateway=", ".join(routers))
    if kind == REDIRECT_4:
        # The packet that went the wrong way follows: its addressee is what the redirect is about.
        target = str(IPv4Address(data[24:28])) if len(data) >= 28 else ""
        return RouterMessage(where, source, 4, "redirect", gateway=str(IPv4Address(data[4:8])), target=target)
    return None


def _version6(data: bytes, where: Seen, source: str) -> RouterMessage | None:
    kind = data[0]
    if kind == SOLICITATION_6:
        return RouterMessage(where, source, 6, "solicitation")
    if kind == REDIRECT_6 and len(data) >= 40:
        gateway, target = (str(IPv6Address(data[at : at + 16])) for at in (8, 24))
        return RouterMessage(where, source, 6, "redirect", gateway=gateway, target=target)
    if kind == ADVERTISEMENT_6 and len(data) >= 16:
        prefixes, dns = _options(data)
        return RouterMessage(where, source, 6, "advertisement", int.from_bytes(data[6:8]), prefixes, dns)
    return None


def _options(data: bytes) -> tuple[tuple[str, ...], tuple[str, ...]]:
    prefixes: list[str] = []
    dns: list[str] = []
    at = 16
    for _ in range(MOST_OPTIONS):
        if len(data) < at + 8 or data[at + 1] == 0:
            break
        option = data[at : at + 8 * data[at + 1]]
        if option[0] == PREFIX and len(option) >= 32 and option[2] <= 128:
            prefixes.append(f"{IPv6Address(option[16:32])}/{option[2]}")
        elif option[0] == DNS:
            dns += [str(IPv6Address(option[i : i + 16])) for i in range(8, len(option) - 15, 16)]
        at += len(option)
    return tuple(prefixes[:4]), tuple(dns[:4])
