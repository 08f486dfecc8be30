"""DHCP over IPv4 and IPv6, against what the frames were built from and what dpkt reads in public captures."""

from pathlib import Path

import dpkt
import numpy as np
import pytest

from preflight import wire
from preflight.anonymise.cover import Cover
from preflight.wire import dhcp6
from preflight.wire.dhcp4 import TYPES, Dhcp4Message
from preflight.wire.dhcp6 import Dhcp6Message
from tests.wire import samples
from tests.wire.samples import CLIENT, SERVER, SERVER_IP, picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"


def test_an_offer_tells_all_it_hands_out():
    fact = wire.read("dhcp4", picked(samples.offer(giaddr="198.51.100.1"), 58, 0.5))
    assert isinstance(fact, Dhcp4Message) and fact.from_server
    assert (fact.seen.frame, fact.seen.src, fact.source) == (58, SERVER, SERVER_IP)
    assert (fact.message_type, fact.client_hardware, fact.offered_address) == ("OFFER", CLIENT, "192.0.2.111")
    assert (fact.server_id, fact.subnet_mask, fact.router) == (SERVER_IP, "255.255.255.0", "192.0.2.1")
    assert (fact.dns, fact.lease_s) == (("192.0.2.2", "192.0.2.3"), 3600)
    assert (fact.relay, fact.client_address) == ("198.51.100.1", "")


def test_a_question_with_the_broadcast_flag_and_hostile_text():
    frame = samples.dhcp4("discover", flags=0x8000, hostname=b"box\x1b[2J\0", vendor_class_id=b"invented-1")
    fact = wire.read("dhcp4", picked(frame))
    assert fact.message_type == "DISCOVER" and fact.broadcast_flag and not fact.from_server
    assert (fact.hostname, fact.vendor_class) == ("box\ufffd[2J", "invented-1")


def test_vlan_tags_stand_before_the_message():
    frame = bytes(samples.offer())
    fact = wire.read("dhcp4", picked(frame[:12] + bytes.fromhex("81000005") + frame[12:]))
    assert fact.offered_address == "192.0.2.111"


def test_a_reply_cut_before_its_options_is_a_server_all_the_same():
    fact = wire.read("dhcp4", picked(bytes(samples.offer())[:256], cut=True))
    assert fact.message_type == "" and fact.from_server and fact.offered_address == "192.0.2.111"
    asked = wire.read("dhcp4", picked(bytes(samples.dhcp4("discover"))[:256], cut=True))
    assert asked.message_type == "" and not asked.from_server


def test_a_plain_bootp_reply_is_a_server():
    """RFC 951: 300 bytes, no options."""
    head = samples.BOOTP(op=2, chaddr=b"\0\0\x5e\0\x53\x0b", yiaddr="192.0.2.111")
    frame = (
        samples.Ether(src=SERVER, dst=CLIENT)
        / samples.IP(src=SERVER_IP)
        / samples.UDP(sport=67, dport=68)
        / head
    )
    fact = wire.read("dhcp4", picked(frame / bytes(64)))
    assert (fact.message_type, fact.offered_address) == ("", "192.0.2.111") and fact.from_server


def test_other_traffic_to_the_ports_is_no_dhcp():
    frame = (
        samples.Ether(src=SERVER, dst=CLIENT) / samples.IP() / samples.UDP(dport=68) / (b"\x02\x01\x06" * 30)
    )
    assert wire.read("dhcp4", picked(frame)) is None


def test_ipv6_servers_and_clients():
    fact = wire.read("dhcp6", picked(samples.advertise()))
    assert isinstance(fact, Dhcp6Message) and fact.from_server
    assert (fact.message_type, fact.source) == ("ADVERTISE", "fe80::2")
    assert (fact.server_hardware, fact.offered_addresses, fact.dns) == (
        SERVER,
        ("2001:db8::111",),
        ("2001:db8::53",),
    )
    asked = wire.read("dhcp6", picked(samples.solicit()))
    assert asked.message_type == "SOLICIT" and not asked.from_server and not asked.server_id
    assert asked.client_id == fact.client_id and len(fact.client_id) == 20
    assert wire.read("dhcp6", picked(samples.request6())).server_id == fact.server_id


def test_an_ipv6_server_without_identity_is_a_server_all_the_same():
    """Found by fuzzing: a server identifier of no length."""
    frame = samples.dhcp6(samples.DHCP6_Advertise(trid=5) / samples.Raw(b"\0\2\0\0"), SERVER, CLIENT)
    fact = wire.read("dhcp6", picked(frame))
    assert fact.from_server and fact.server_id == ""


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize("path", sorted(PUBLIC.glob("dhcp-*.pcap")), ids=lambda path: path.name)
def test_public_captures_as_dpkt_reads_them(path):
    compared = 0
    with path.open("rb") as file:
        for _, data in dpkt.pcap.Reader(file):
            ethernet = dpkt.ethernet.Ethernet(data)
            datagram = getattr(ethernet.data, "data", None)
            if not isinstance(datagram, dpkt.udp.UDP) or datagram.dport not in (67, 68):
                continue
            ours = wire.read("dhcp4", picked(data))
            if datagram.data[236:240] != b"\x63\x82\x53\x63":  # some are shifted by a byte
                assert ours is None
                continue
            theirs = dpkt.dhcp.DHCP(datagram.data)
            options = dict(reversed(theirs.opts))
            assert ours.op == theirs.op
            assert ours.client_hardware == theirs.chaddr[:6].hex(":")
            assert ours.message_type == TYPES[options[53][0]]
            assert ours.broadcast_flag == bool(theirs.flags & 0x8000)
            assert ours.offered_address == _dotted(theirs.yiaddr.to_bytes(4))
            assert ours.server_id == _dotted(options.get(54, b""))
            assert ours.router == _dotted(options.get(3, b"")[:4])
            assert ours.lease_s == (int.from_bytes(options[51]) if 51 in options else None)
            compared += 1
    assert compared


def _dotted(address: bytes) -> str:
    return ".".join(map(str, address)) if any(address) else ""


def test_relays_in_relays_end_somewhere():
    """One nested deeper than any real one is read, and covered, without running out of stack."""
    message = b"\x01\0\0\x05"
    for _ in range(1500):
        message = b"\x0c\0" + bytes(32) + b"\0\x09" + len(message).to_bytes(2) + message
    hand = Cover(np.array([1, 2], np.int64))
    assert len(dhcp6.covered(message, hand)) == len(message)
    packet = samples.IPv6(src="fe80::1", dst="fe80::2") / samples.UDP(dport=547) / samples.Raw(message)
    frame = bytes(samples.Ether(src=samples.SERVER, dst=samples.CLIENT) / packet)
    assert wire.read("dhcp6", picked(frame)).message_type == "RELAY-FORW"


def test_an_option_that_is_cut_is_not_told():
    """What of its value was captured could be another name."""
    frame = samples.VALID["dhcp4"][0]
    end = frame.index(b"\x0c\x05spare") + 7
    assert wire.read("dhcp4", picked(frame[:end], cut=True)).hostname == "spare"
    assert wire.read("dhcp4", picked(frame[: end - 1], cut=True)).hostname == ""
