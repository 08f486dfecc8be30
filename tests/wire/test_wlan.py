"""Frames that only Wi-Fi causes, told from their ordinary likes; and ARP."""

import pytest

from preflight import wire
from tests.wire import samples
from tests.wire.samples import BROADCAST, CLIENT, SERVER, SERVER_IP, STATION, ethernet, llc, picked


@pytest.mark.parametrize("payload", [samples.LAYER2_UPDATE, "00 00 bf 81 01 00", "00 01 af 81 01 02"])
def test_a_layer2_update_names_the_station(payload):
    fact = wire.read("xid", picked(llc(payload)))
    assert (fact.sign, fact.seen.src) == ("layer-2 update", STATION)


@pytest.mark.parametrize(
    "frame",
    [
        llc(samples.LAYER2_UPDATE, dst=CLIENT),  # to one station
        llc("f0 f1 af 81 01 00"),  # between service access points
        llc("00 01 af 81 03 00"),  # Type 2 service too
        llc("00 01 af 81 01 fe"),  # a receive window
        llc("00 01 af 81 01 00 00"),  # longer
        llc("00 01 e3 81 01 00"),  # TEST, not XID
        llc(samples.LAYER2_UPDATE)[:18],  # cut
        llc(samples.LAYER2_UPDATE, src="03:00:5e:00:53:77"),  # no station sends from a group address
    ],
)
def test_an_ordinary_xid_is_no_sign(frame):
    assert wire.read("xid", picked(frame)) is None


def test_what_looks_for_a_direct_link_is_a_station():
    """TDLS: payload type 2 (IEEE 802.11, from memory)."""
    assert wire.read("fast-transition", picked(ethernet(0x890D, b"\x02\x0c\x0a"))).sign == "direct link"


def test_roaming():
    assert wire.read("preauth", picked(samples.VALID["preauth"][0])).sign == "pre-authentication"
    assert wire.read("fast-transition", picked(samples.VALID["fast-transition"][0])).sign == "fast transition"


@pytest.mark.parametrize(
    ("kind", "etype", "payload"),
    [
        ("preauth", 0x88C7, b"\x00\x00\x00\x00"),
        ("preauth", 0x88C7, b"\x01\x63\x00\x00"),
        ("preauth", 0x88C7, b""),
        ("fast-transition", 0x890D, b"\x00\x00"),
    ],
)
def test_their_ethertypes_with_other_content_are_no_sign(kind, etype, payload):
    assert wire.read(kind, picked(ethernet(etype, payload))) is None


def test_arp():
    fact = wire.read("arp", picked(samples.VALID["arp"][0]))
    assert (fact.op, fact.sender_hardware, fact.sender_address) == (1, SERVER, SERVER_IP)
    probe = samples.Ether(src=SERVER, dst=BROADCAST) / samples.ARP(
        hwsrc=SERVER, psrc="0.0.0.0", pdst=SERVER_IP
    )
    fact = wire.read("arp", picked(probe))
    assert (fact.sender_address, fact.target_address) == ("", SERVER_IP)
    assert wire.read("arp", picked(samples.VALID["arp"][0][:41])) is None
