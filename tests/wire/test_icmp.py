"""Routers by ICMP: against what Scapy built, and against Scapy on public captures."""

from pathlib import Path

import dpkt
import pytest
from scapy.layers.inet6 import ICMPv6ND_RA
from scapy.layers.l2 import Ether

from preflight import wire
from preflight.wire.icmp import RouterMessage
from tests.lab.frames import tagged
from tests.wire import routers
from tests.wire.samples import picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"


def test_an_ipv6_advertisement():
    fact = wire.read("icmp6", picked(routers.advertisement()))
    assert (fact.kind, fact.version, fact.lifetime_s) == ("advertisement", 6, 1800)
    assert (fact.source, fact.prefixes, fact.dns) == (
        "fe80::42",
        ("2001:db8:7::/64",),
        ("2001:db8:7::53",),
    )


def test_what_passed_a_router_is_dropped_as_receivers_do():
    """RFC 4861 section 6.1.2."""
    assert wire.read("icmp6", picked(routers.advertisement(hop_limit=254))) is None


def test_an_option_of_no_length_ends_the_options():
    frame = routers.advertisement()
    at = frame.index(bytes.fromhex("0304"))  # the prefix option, 4 x 8 bytes long
    assert wire.read("icmp6", picked(frame[: at + 1] + b"\0" + frame[at + 2 :])).prefixes == ()


def test_redirects():
    six = wire.read("icmp6", picked(routers.redirect6()))
    assert (six.kind, six.gateway, six.target) == ("redirect", "fe80::99", "2001:db8:9::1")
    four = wire.read("icmp4", picked(routers.redirect4()))
    assert (four.kind, four.gateway, four.target) == ("redirect", "192.0.2.1", "198.51.100.9")


def test_an_ipv4_advertisement():
    fact = wire.read("icmp4", picked(routers.advertisement4(600)))
    assert (fact.kind, fact.version, fact.lifetime_s, fact.gateway) == ("advertisement", 4, 600, "192.0.2.1")


def test_solicitations_and_what_is_no_router():
    assert wire.read("icmp6", picked(routers.solicitation6())).kind == "solicitation"
    assert not isinstance(wire.read("icmp6", picked(routers.neighbour())), RouterMessage)
    assert wire.read("icmp4", picked(routers.ping())) is None


def test_who_asks_for_a_neighbour_tells_its_own_address():
    fact = wire.read("icmp6", picked(routers.neighbour()))
    assert (fact.address, fact.announced, fact.vlan, fact.seen.src) == (
        "fe80::42",
        False,
        None,
        routers.ROUTER,
    )
    assert wire.read("icmp6", picked(tagged(routers.neighbour(), 20))).vlan == 20
    assert wire.read("icmp6", picked(routers.neighbour(src="::"))) is None  # it tries whether it is free


@pytest.mark.parametrize(("solicited", "announced"), [(1, False), (0, True)])
def test_a_neighbour_that_answers_or_announces_itself(solicited, announced):
    fact = wire.read("icmp6", picked(routers.is_at("2001:db8::7", S=solicited)))
    assert (fact.address, fact.announced) == ("2001:db8::7", announced)


def test_what_several_may_answer_for_is_nobodys_own():
    """RFC 4861 section 4.4: anycast and proxies do not set the override flag."""
    assert wire.read("icmp6", picked(routers.is_at("2001:db8::7", O=0))) is None


def test_a_cut_advertisement_of_a_neighbour():
    whole = routers.is_at("2001:db8::7")
    assert wire.read("icmp6", picked(whole[:78])).address == "2001:db8::7"
    assert wire.read("icmp6", picked(whole[:77])) is None


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize("name", ["icmpv6.pcap", "icmpv6-ra-pref64.pcap"])
def test_public_captures_as_scapy_sees_them(name):
    compared = 0
    with (PUBLIC / name).open("rb") as file:
        for _, data in dpkt.pcap.Reader(file):
            theirs, ours = Ether(data), wire.read("icmp6", picked(data))
            assert (ours is not None and ours.kind == "advertisement") == (ICMPv6ND_RA in theirs)
            if ICMPv6ND_RA in theirs:
                compared += 1
                assert ours.lifetime_s == theirs[ICMPv6ND_RA].routerlifetime
                assert all(prefix.split("/")[0] in theirs.show(dump=True) for prefix in ours.prefixes)
    assert compared
