"""Addresses of this computer and of others: who holds them, what shares a subnet, what no device can have."""

from dataclasses import replace
from ipaddress import ip_address, ip_interface, ip_network

import pytest

from preflight.checks.see.addresses import (
    address_holder,
    block,
    ipv4,
    made_for_programs,
    one_subnet,
    own_hardware,
    usable4,
    usable6,
)
from preflight.facts import Facts
from preflight.host.facts import HostFacts
from preflight.study import study
from tests.checks.computers import AUDIO, CONTROL, desk
from tests.tally.captures import arp, mac, write_with_direction


def test_the_bridge_holds_the_addresses_of_what_is_in_it():
    bridge = replace(CONTROL, name="br0", kind="bridge")
    host = HostFacts("Linux", (AUDIO, bridge))
    assert address_holder(AUDIO, host) is AUDIO
    inside = replace(AUDIO, master="br0")
    assert address_holder(inside, host) is inside, "it has an IPv4 address of its own"
    bare = replace(inside, addresses=AUDIO.addresses[1:])
    assert address_holder(bare, host) is bridge
    assert address_holder(replace(bare, master="br1"), host) is None
    assert [each.text for each in ipv4(AUDIO)] == ["192.0.2.10"]


@pytest.mark.parametrize(
    ("one", "other", "shared"),
    [
        ("192.0.2.1/24", "192.0.2.2/24", True),
        ("192.0.2.1/24", "198.51.100.2/24", False),
        ("192.0.2.1/24", "192.0.2.200/25", False),  # the wider one is outside of the narrower
        ("192.0.2.201/24", "192.0.2.200/25", True),
        ("2001:db8::1/64", "2001:db8::2/64", True),
        ("192.0.2.1/24", "2001:db8::1/64", False),
    ],
)
def test_two_addresses_share_a_subnet_whichever_is_asked_first(one, other, shared):
    pair = ip_interface(one), ip_interface(other)
    assert one_subnet(*pair) is one_subnet(*reversed(pair)) is shared


def test_what_software_made_without_a_cable_or_a_radio():
    def made(kind: str, *inside: str) -> bool:
        it = replace(CONTROL, name="it", kind=kind)
        ports = [replace(AUDIO, name=f"p{n}", kind=each, master="it") for n, each in enumerate(inside)]
        return made_for_programs(it, HostFacts("Linux", (AUDIO, it, *ports)))

    assert made("virtual") and made("bridge") and made("bridge", "virtual", "vpn")
    assert not made("bridge", "virtual", "ethernet") and not made("bridge", "wifi")
    assert not made("ethernet") and not made("wifi", "virtual")


def test_this_computers_own_hardware(tmp_path):
    path = write_with_direction(tmp_path / "x.pcapng", [(0.0, arp(5, 6), True), (0.1, arp(6, 5), False)])
    heard = study(str(path))
    assert own_hardware(heard) == {mac(5)}
    host = desk(hardware_address=mac(0xAB).upper()).host
    assert own_hardware(replace(heard, host=host)) == {mac(5), mac(0xAB)}
    assert own_hardware(Facts()) == set()


@pytest.mark.parametrize(
    ("text", "usable"),
    [
        ("192.0.2.1", True), ("1.0.0.1", True), ("0.0.0.0", False), ("0.1.2.3", False), ("223.255.255.254", True), ("224.0.0.1", False),
        ("239.255.255.255", False), ("240.0.0.1", True), ("254.1.1.1", True), ("255.0.0.1", False), ("255.255.255.255", False),
        ("127.0.0.1", False), ("2001:db8::1", False), ("", False), ("192.0.2", False),
    ],
)  # fmt: skip
def test_addresses_that_a_device_can_have(text, usable):
    assert usable4(text) == (ip_address(text) if usable else None)


@pytest.mark.parametrize(
    ("text", "usable"),
    [
        ("2001:db8::1", True),
        ("fe80::1", True),
        ("::", False),
        ("::1", False),
        ("ff02::1", False),
        ("::ffff:192.0.2.1", False),
        ("192.0.2.1", False),
        ("", False),
    ],
)
def test_ipv6_addresses_that_a_device_can_have(text, usable):
    assert usable6(text) == (ip_address(text) if usable else None)


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("10.200.3.4", "10.0.0.0/8"),
        ("172.16.0.1", "172.16.0.0/12"),
        ("172.31.9.9", "172.16.0.0/12"),
        ("172.32.0.1", "172.32.0.0/16"),
        ("192.168.77.1", "192.168.0.0/16"),
        ("192.0.2.1", "192.0.0.0/16"),
    ],
)
def test_the_widest_network_that_an_address_is_likely_to_be_in(address, network):
    assert block(ip_address(address)) == ip_network(network)
