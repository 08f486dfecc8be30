"""What several checks ask of the addresses of this computer and its adapters."""

from __future__ import annotations

from ipaddress import AddressValueError, IPv4Address, IPv4Interface, IPv4Network, IPv6Address, IPv6Interface
from typing import TYPE_CHECKING

from preflight.facts import Facts

if TYPE_CHECKING:
    from preflight.host.facts import Adapter, Address, HostFacts

# Of private use (RFC 1918); 192.168.0.0/16 is as long as any other block here.
BLOCKS = tuple(map(IPv4Network, ("10.0.0.0/8", "172.16.0.0/12")))


def address_holder(adapter: Adapter, host: HostFacts) -> Adapter | None:
    """Who has the adapter's addresses: itself, or the bridge or bond that it is part of. None where that is
    not known."""
    if adapter.master is None or ipv4(adapter):
        return adapter
    return host.adapter(adapter.master)


def ipv4(adapter: Adapter) -> list[Address]:
    return [address for address in adapter.addresses if address.version == 4]


def one_subnet(one: IPv4Interface | IPv6Interface, other: IPv4Interface | IPv6Interface) -> bool:
    """Whether two addresses of one computer have the same neighbours: in one subnet, or the wider one's
    address within the narrower subnet, by which all packets to it go (the longest prefix wins: RFC 1812
    section 5.2.4.3)."""
    wide, narrow = sorted((one, other), key=lambda each: each.network.prefixlen)
    return wide.version == narrow.version and wide.ip in narrow.network


def made_for_programs(adapter: Adapter, host: HostFacts) -> bool:
    """Whether programs for containers and virtual machines made it: by software, and without a cable or a
    radio in it."""
    inside = (each for each in host.adapters if each.master == adapter.name)
    return adapter.kind == "virtual" or (
        adapter.kind == "bridge" and all(each.kind in ("virtual", "vpn") for each in inside)
    )


def own_hardware(facts: Facts) -> set[str]:
    """The hardware addresses of this computer: of its adapters, and of whom the capture marks as its
    senders."""
    adapters = facts.host.adapters if facts.host is not None else ()
    talkers = facts.tally.talkers if facts.tally is not None else ()
    told = {adapter.hardware_address.lower() for adapter in adapters if adapter.hardware_address}
    return told | {talker.hardware for talker in talkers if talker.own}


def usable4(text: str) -> IPv4Address | None:
    """The IPv4 address that a text is, where a device can have it: no group, no broadcast, not this host or
    network; else None."""
    try:
        address = IPv4Address(text)
    except AddressValueError:
        return None
    nobodys = address.is_multicast or address.is_loopback or address.is_unspecified
    return None if nobodys or int(address) >> 24 in (0, 255) else address


def usable6(text: str) -> IPv6Address | None:
    """The IPv6 address that a text is, where a device can have it: no group, not this host, not an IPv4 one
    in other words; else None."""
    try:
        address = IPv6Address(text)
    except AddressValueError:
        return None
    nobodys = address.is_multicast or address.is_loopback or address.is_unspecified or address.ipv4_mapped
    return None if nobodys else address


def block(address: IPv4Address) -> IPv4Network:
    """The widest network that it is likely to be in: a block for private use, else by its first 16 bits."""
    known = next((each for each in BLOCKS if address in each), None)
    return known or IPv4Network((int(address) & 0xFFFF0000, 16))
