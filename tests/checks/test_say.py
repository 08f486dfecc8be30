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
