"""BPDUs: beside Scapy's own dissector on the public captures, and one for each VLAN."""

from pathlib import Path

import dpkt
import pytest
from scapy.layers.l2 import STP, Dot3

from preflight import wire
from preflight.wire.stp import BridgeId
from tests.wire import samples
from tests.wire.samples import picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize(
    ("file", "version"),
    [("802.1D_spanning_tree.pcap", 0), ("802.1w_rapid_STP.pcap", 2), ("MSTP_Intra-Region_BPDUs.pcap", 3)],
)
def test_as_scapy_reads_them(file, version):
    with (PUBLIC / file).open("rb") as capture:
        frames = [data for _, data in dpkt.pcap.Reader(capture)]
    compared = 0
    for data in frames:
        fact, other = wire.read("stp", picked(data)), Dot3(data).getlayer(STP)
        if other is None or other.bpdutype == 0x80:
            continue
        compared += 1
        assert fact.version == version == other.version
        assert fact.root == BridgeId(other.rootid, other.rootmac)
        assert fact.bridge == BridgeId(other.bridgeid, other.bridgemac)
        assert (fact.cost, fact.port) == (other.pathcost, other.portid)
        times = (fact.max_age_s, fact.hello_s, fact.forward_delay_s)
        assert times == (other.maxage, other.hellotime, other.fwddelay)
        assert fact.topology_change == bool(other.bpduflags & 1)
    assert compared >= 10


def test_a_tree_for_each_vlan():
    fact = wire.read("stp", picked(samples.bpdu(vlan=50)))
    assert (fact.vlan, fact.root, fact.version) == (50, BridgeId(0x8000, "00:00:5e:00:53:f1"), 2)


def test_a_request_for_a_topology_change():
    fact = wire.read("stp", picked(samples.topology_change_notice()))
    assert (fact.kind, fact.root, fact.seen.src) == ("topology change", None, "00:00:5e:00:53:f2")


def test_another_protocol_in_the_same_frames():
    assert wire.read("stp", picked(samples.llc("4242030001000000"))) is None
    assert wire.read("stp", picked(samples.llc("aaaa0300000c2000" + "00" * 40))) is None


@pytest.mark.parametrize(
    ("flags", "version", "held"),
    [
        (0x0E, 2, True),  # designated, and proposes
        (0x1C, 3, True),  # designated and learning
        (0x3C, 2, False),  # forwards
        (0x7C, 2, False),
        (0x44, 2, False),  # another role: the switch above decides
        (0x00, 2, False),  # tells no role
        (0x0C, 0, False),  # the old standard tells nothing of it
    ],
)
def test_a_port_that_is_held_back(flags, version, held):
    assert wire.read("stp", picked(samples.bpdu(flags=flags, version=version))).held_back == held
