"""Words that several checks share."""

from dataclasses import replace
from datetime import datetime

import pytest

from preflight.checks.say import count_text, counted, heard_only, listed, span_text, what, when, who
from tests.checks.flows import FLOW


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ((), ""),
        (("box 1", "box 2"), "box 1, box 2"),
        (("box 1", "box 2", "box 3", "desk"), "box 1–3, desk"),
        (("desk", "“in 9”", "“in 10”", "“in 11”"), "desk, “in 9–11”"),
        (("engine 1 spare", "engine 2 spare", "engine 3 spare"), "engine 1–3 spare"),
        (("box 1", "box 3", "box 5"), "box 1, box 3, box 5"),
        (("a1b2", "a1b3", "a1b4"), "a1b2–4"),
    ],
)
def test_names_that_count_up_are_told_as_one(names, told):
    assert listed(names) == told


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (59.9, "59 s"),
        (60, "1 min"),
        (599, "9 min 59 s"),
        (601, "10 min"),
        (3599, "59 min"),
        (3600, "1 h"),
        (48 * 3600 - 60, "47 h 59 min"),
        (48 * 3600, "2 d"),
        (52 * 3600 + 1, "2 d 4 h"),
    ],
)
def test_a_time_as_people_say_it(seconds, told):
    assert span_text(seconds) == told


def test_a_moment_by_the_clock_of_this_computer():
    then = datetime(2026, 11, 27, 20, 15, 7)
    assert when(int(then.timestamp()) * 10**9 + 999) == "2026-11-27 20:15:07"
    assert when(2**62 * 10**9) == "an unknown time"


@pytest.mark.parametrize(
    ("flow", "told"),
    [
        ({"ethertype": 0x0806}, "ARP"),
        ({"ethertype": 0x22F0}, "AVTP (IEEE 1722)"),
        ({"ethertype": 0x8808}, "pause frames"),
        ({"ethertype": 0x88CC}, "LLDP"),
        ({"ethertype": 0x88F7}, "PTP over Ethernet"),
        ({"ethertype": 1536}, "EtherType 0x0600"),
        ({"ethertype": 1535}, "802.3 frames"),
        ({"protocol": 17, "destination_port": 319}, "PTP event to 192.0.2.9"),
        ({"protocol": 17, "destination_port": 320}, "PTP general to 192.0.2.9"),
        ({"protocol": 17, "destination_port": 67}, "DHCP to 192.0.2.9"),
        ({"protocol": 17, "destination_port": 5353}, "mDNS to 192.0.2.9"),
        ({"protocol": 17, "destination_port": 6000}, "UDP port 6000 to 192.0.2.9"),
        ({"protocol": 6, "destination_port": 53}, "DNS to 192.0.2.9"),
        ({"protocol": 6, "destination_port": 0}, "TCP to 192.0.2.9"),
        ({"protocol": 2, "destination_port": 53}, "IGMP to 192.0.2.9"),
        ({"protocol": 99}, "IP protocol 99 to 192.0.2.9"),
    ],
)
def test_what_a_flow_is(flow, told):
    assert what(replace(FLOW, **flow, destination_ip="192.0.2.9")) == told


def test_numbers_and_whom_they_are_of():
    assert (count_text(1234567.4), count_text(999.6)) == ("1 234 567", "1 000")
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]
    assert heard_only(2.96, 10) == "Heard for 3.0 s only; this needs at least 10 s."
    assert who("") == "a sender without hardware address" and who("", "192.0.2.1") == "192.0.2.1"


@pytest.mark.parametrize(
    ("names", "numbers"),
    [
        ("DNS", (53,)), ("DHCP", (67, 68)), ("NTP", (123,)), ("NetBIOS names", (137,)), ("NetBIOS "
                                                                                         "datagrams", (138,)),
        ("PTP event", (319,)), ("PTP general", (320,)), ("SLP", (427,)), ("DHCPv6", (546, 547)), ("SSDP", (1900,)),
        ("WS-Discovery", (3702,)), ("mDNS", (5353,)), ("LLMNR", (5355,)), ("SAP", (9875,)),
    ],
)  # fmt: skip
def test_ports_by_their_registered_names_and_those_beside_them_by_their_numbers(names, numbers):
    """IANA's registry of service names and port numbers."""
    for port in range(numbers[0] - 1, numbers[-1] + 2):
        told = what(replace(FLOW, protocol=17, destination_port=port, destination_ip="192.0.2.9"))
        if port in numbers:
            assert told == f"{names} to 192.0.2.9"
        else:
            assert names != told.removesuffix(" to 192.0.2.9")


@pytest.mark.parametrize(
    ("protocol", "name"), [(1, "ICMP"), (2, "IGMP"), (6, "TCP"), (17, "UDP"), (58, "ICMPv6"), (103, "PIM"), (112, "VRRP")]
)  # fmt: skip
def test_protocols_by_their_registered_names(protocol, name):
    assert what(replace(FLOW, protocol=protocol, destination_ip="192.0.2.9")) == f"{name} to 192.0.2.9"


@pytest.mark.parametrize(
    ("kind", "name"),
    [(0x22EA, "stream reservation (IEEE 802.1Q)"), (0x88B5, "local experimental EtherType 0x88b5"), (0x88B6, "local experimental EtherType 0x88b6")],
)  # fmt: skip
def test_ethertypes_by_their_registered_names(kind, name):
    assert what(replace(FLOW, ethertype=kind)) == name


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(0, "0 s"), (61, "1 min 1 s"), (600, "10 min"), (3600 + 59 * 60, "1 h 59 min"), (7200, "2 h"), (49 * 3600, "2 d 1 h"), (72 * 3600 + 30 * 60, "3 d")],
)  # fmt: skip
def test_more_times_as_people_say_them(seconds, told):
    assert span_text(seconds) == told


def test_names_that_count_up_to_nine_digits():
    assert listed(("a 998", "a 999", "a 1000")) == "a 998–1000"
    assert listed(("b 1", "c 2", "b 3")) == "b 1, c 2, b 3"
    assert listed(("box 1", "box 2", "box 3", "box 4 b", "box 5 b")) == "box 1–3, box 4 b, box 5 b"
