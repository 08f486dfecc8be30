"""IGMP: against the layouts of the standards, and against Scapy on public captures."""

import struct
import warnings
from pathlib import Path

import dpkt
import pytest

from preflight import wire
from tests.wire import groups
from tests.wire.samples import picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"
A, B = "233.252.0.1", "233.252.0.2"


def read(frame: bytes, **more):
    return wire.read("igmp", picked(frame, **more))


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"version": 1}, (1, 10.0, None, None)),
        ({"version": 2, "response": 100}, (2, 10.0, None, None)),
        ({"version": 2, "response": 200}, (2, 20.0, None, None)),
        ({"version": 3}, (3, 10.0, 2, 125)),
        # 0x9F: mantissa 15, exponent 1: (15 + 16) << 4; RFC 3376 sections 4.1.1 and 4.1.7
        ({"version": 3, "response": 0x9F, "interval": 0x9F}, (3, 49.6, 2, 496)),
        ({"version": 3, "response": 0xFF, "interval": 0xFF}, (3, 3174.4, 2, 31744)),
        ({"version": 3, "robustness": 0, "interval": 0}, (3, 10.0, None, None)),
    ],
)
def test_queries(options, told):
    fact = read(groups.query(1, **options))
    assert (fact.version, fact.max_response_s, fact.robustness, fact.interval_s) == told
    assert (fact.kind, fact.group, fact.source) == ("query", "", "192.0.2.1")


def test_a_query_for_one_group():
    assert read(groups.query(1, 2, group=A)).group == A


def test_reports_and_leaves():
    for version in (1, 2):
        fact = read(groups.report(2, A, version=version))
        assert (fact.kind, fact.version, fact.joined, fact.left) == ("report", version, (A,), ())
    assert read(groups.leave(2, A)).left == (A,)


@pytest.mark.parametrize(
    ("kind", "sources", "joined", "left"),
    [
        (1, (), (), (A,)),
        (1, ("192.0.2.9",), (A,), ()),
        (2, (), (A,), ()),
        (3, (), (), (A,)),
        (4, (), (A,), ()),
        (5, ("192.0.2.9",), (A,), ()),
        (6, ("192.0.2.9",), (), ()),
    ],
)
def test_what_each_record_says(kind, sources, joined, left):
    """RFC 3376 section 4.2.12; a second record shows that sources are stepped over."""
    records = groups.record(kind, A, sources) + groups.record(4, B)
    fact = read(groups.message(2, groups.ALL_QUERIED, struct.pack(">BBHHH", 0x22, 0, 0, 0, 2) + records))
    assert (fact.joined, fact.left) == ((*joined, B), left)


def test_a_wrong_checksum_is_dropped_as_receivers_do():
    frame = bytearray(groups.query(1))
    frame[14 + 24 + 8] ^= 1
    assert read(bytes(frame)) is None
    assert read(bytes(frame), cut=True) is not None  # what was cut cannot be summed up


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize("name", ["IGMP_V1.pcap", "IGMP_V2.pcap", "igmpv3-queries.pcap"])
def test_public_captures_as_scapy_sees_them(name):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scapy.contrib.igmp import IGMP
        from scapy.contrib.igmpv3 import IGMPv3
    compared = 0
    with (PUBLIC / name).open("rb") as file:
        for _, data in dpkt.pcap.Reader(file):
            packet = dpkt.ethernet.Ethernet(data).data
            if not isinstance(packet, dpkt.ip.IP) or packet.p != 2:
                continue
            ours, raw = read(data), bytes(packet.data)
            theirs = IGMP(raw) if len(raw) == 8 else IGMPv3(raw)
            assert ours is not None and ours.source == ".".join(map(str, packet.src))
            compared += 1
            group = "" if theirs.gaddr == "0.0.0.0" else theirs.gaddr
            if theirs.type == 0x11:
                assert (ours.kind, ours.group) == ("query", group)
                if len(raw) >= 12:
                    assert (ours.version, ours.robustness or 0) == (3, theirs.qrv)
                else:
                    assert ours.version == (2 if raw[1] else 1)
            else:
                assert ours.kind == "report" and (ours.joined or ours.left) == (group,)
    assert compared
