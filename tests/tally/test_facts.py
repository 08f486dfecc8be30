"""What facts of the tally say of themselves: each bound from both sides, on facts as the engine gives
them."""

from dataclasses import replace

import pytest

from preflight.tally.facts import (
    ClockPort,
    Copies,
    CountedStream,
    Stream,
    counts,
)
from preflight.tally.tally import Tally
from tests.checks.flows import FLOW
from tests.tally.captures import mac

# A hundred frames a second of 1 230 bytes on the cable, for ten seconds, each with another content.
STEADY = replace(
    FLOW, cast="multicast", frames=1000, bytes=1_230_000, last_s=10.0, bins=99, bin_mean=10.0, bin_deviation=0.0,
    most_in_1s=100, changes=1000, distinct=1000, shortest=1206, longest=1206,
)  # fmt: skip


def rows(*most: int):
    """A time line of a tenth of a second a row."""
    rates = Tally().facts().rates
    return replace(rates, width_s=0.1, most_in_1s={**rates.most_in_1s, "broadcast": most})


@pytest.mark.parametrize(
    ("most", "spans"),
    [
        ([0] * 20, []),
        ([0] * 19 + [5], [(1.0, 2.0)]),
        ([0] * 19 + [4], []),
        ([5] + [0] * 9, [(0.0, 0.1)]),  # no time before the first frame
        ([0] * 12 + [5] * 3 + [0] * 9, [(0.3, 1.5)]),
        ([0] * 10 + [5] + [0] * 9 + [5], [(0.1, 2.1)]),  # a second that ends as the next begins
        ([0] * 10 + [5] + [0] * 10 + [5], [(0.1, 1.1), (1.2, 2.2)]),
    ],
)
def test_when_a_second_held_so_much(most, spans):
    assert rows(*most).spans("broadcast", 5) == tuple(pytest.approx(span) for span in spans)


@pytest.mark.parametrize(
    ("change", "steady"),
    [
        ({}, True),
        ({"bins": 3, "last_s": 0.9}, True),
        ({"bins": 2, "last_s": 0.5}, False),
        ({"bin_deviation": 2.0}, True),
        ({"bin_deviation": 2.1}, False),
        ({"bin_mean": 2.0, "bin_deviation": 0.8, "most_in_1s": 20}, True),  # 40 % of few
        ({"bin_mean": 2.0, "bin_deviation": 0.81, "most_in_1s": 20}, False),
        ({"bin_mean": 100.0, "bin_deviation": 15.0, "most_in_1s": 1000}, True),  # 15 % of many
        ({"bin_mean": 100.0, "bin_deviation": 15.1, "most_in_1s": 1000}, False),
        ({"bins": 48}, True),  # half of its hundred bins, and two to spare
        ({"bins": 47}, False),
        ({"first_s": 2.0, "bins": 38}, True),
        ({"first_s": 2.0, "bins": 37}, False),
        ({"most_in_1s": 140}, True),  # 13 bins and ten
        ({"most_in_1s": 141}, False),
    ],
)
def test_a_steady_pace(change, steady):
    assert replace(STEADY, **change).steady is steady


@pytest.mark.parametrize(
    ("change", "sane"),
    [
        ({}, True),
        ({"broken": True}, False),
        ({"destination": mac(5)}, False),
        ({"source": ""}, True),
        ({"source": "", "destination": ""}, False),
        *(({"source": f"0{digit}:00:5e:00:53:05"}, digit in "02468ace") for digit in "0123456789abcdef"),
        ({"source": "10:00:5e:00:53:05"}, True),
    ],
)
def test_addresses_that_can_be_believed(change, sane):
    assert replace(STEADY, **change).sane is sane


@pytest.mark.parametrize(
    ("hops", "passed_on"),
    [(None, False), (0, True), (1, False), (2, True), (63, True), (64, False), (65, True), (127, True), (128, False), (129, True), (254, True), (255, False)],
)  # fmt: skip
def test_what_a_router_may_have_sent_on(hops, passed_on):
    assert replace(STEADY, hops_left=hops).passed_on is passed_on


@pytest.mark.parametrize(
    ("change", "per_s"),
    [
        ({}, 100),
        ({"bins": 3}, 100),
        ({"bins": 2}, 99.9),
        ({"bins": 2, "frames": 11, "first_s": 1.0, "last_s": 3.0}, 5),
        ({"bins": 2, "frames": 3, "last_s": 0.001}, 2000),
        ({"bins": 2, "frames": 3, "last_s": 0.0}, 2000),
    ],
)
def test_its_pace(change, per_s):
    assert replace(STEADY, **change).per_s == pytest.approx(per_s)


@pytest.mark.parametrize(
    ("change", "room"),
    [
        ({}, True),
        ({"bin_mean": 4.0}, False),  # 40 a second, but too little in them: 393 600 bit/s
        ({"bin_mean": 4.0, "bytes": 2_187_500}, True),  # 700 000 bit/s
        ({"bin_mean": 4.0, "bytes": 2_187_400}, False),
        ({"bin_mean": 3.99, "bytes": 9_000_000}, False),
        ({"longest": 60}, False),
        ({"longest": 61}, True),
        ({"ethertype": 0x88F7}, False),
        ({"frames": 0, "bytes": 0}, False),
    ],
)
def test_room_for_audio(change, room):
    assert replace(STEADY, **change).has_room is room


@pytest.mark.parametrize(
    ("change", "clock"),
    [
        ({}, False),
        ({"ethertype": 0x88F7}, True),
        ({"ethertype": 0x88F6}, False),
        ({"ethertype": 0x88F8}, False),
        *(({"protocol": 17, "destination_port": port}, port in (319, 320)) for port in range(318, 322)),
        ({"protocol": 16, "destination_port": 319}, False),
        ({"protocol": 18, "destination_port": 320}, False),
        ({"destination_port": 319}, False),
    ],
)
def test_what_is_ptp(change, clock):
    assert replace(STEADY, **change).clock is clock


PLAIN = {"cast": "unicast"}


@pytest.mark.parametrize(
    ("change", "stream"),
    [
        ({}, True),
        ({"discovery": True}, False),
        ({"ethertype": 0x88F7}, False),
        ({"protocol": 17}, True),
        ({"protocol": 6}, False),
        ({"protocol": 18}, False),
        ({"changes": 400}, False),  # two fifths of its frames
        ({"changes": 401}, True),
        ({"bin_deviation": 9.0}, False),  # it neither counts nor keeps a pace
        ({"bin_deviation": 9.0, "sequence_steps": 400}, False),
        ({"bin_deviation": 9.0, "sequence_steps": 401}, True),
        ({"bin_deviation": 9.0, "numbered": True}, True),
        ({"bin_deviation": 9.0, "numbered": True, "longest": 60}, False),
        ({"bin_mean": 4.0, "most_in_1s": 40}, True),
        ({"bin_mean": 3.9, "most_in_1s": 39}, False),
        (PLAIN, True),
        ({**PLAIN, "protocol": 17}, False),
        ({**PLAIN, "ethertype": 1536}, True),
        ({**PLAIN, "ethertype": 1535}, False),
        ({**PLAIN, "shortest": 1205}, False),
        ({**PLAIN, "shortest": 60, "longest": 60}, False),
        *(({**PLAIN, "ethertype": kind}, kind in (0x0805, 0x0807)) for kind in (0x0805, 0x0806, 0x0807, 0x8808, 0x88CC)),
        ({"cast": "broadcast"}, True),
        ({"cast": "broadcast", "protocol": 17}, False),
        ({"cast": "broadcast", "protocol": 17, "sequence_steps": 401}, True),
    ],
)  # fmt: skip
def test_what_behaves_as_a_stream(change, stream):
    assert replace(STEADY, **change).stream is stream


def test_copies_are_those_that_are_not_distinct():
    assert replace(STEADY, distinct=990).copies == 10


@pytest.mark.parametrize(
    ("distinct", "pairs", "returned", "mirrored"),
    [(20, 8, 0, True), (19, 19, 0, False), (20, 7, 0, False), (20, 9, 1, True), (20, 8, 1, False)],
)
def test_frames_that_come_twice_as_at_a_mirror(distinct, pairs, returned, mirrored):
    assert Copies(distinct, pairs, pairs, returned, None, None, 0).mirrored is mirrored


COUNTED = CountedStream(
    flow=0, packets=1000, first_frame=1, first_s=0.0, last_s=1.0, expected=1000, received=1000, duplicates=0, late=0, restarts=0,
    losses=0, first_losses=(), last_loss_s=None, longest_loss=0, longest_loss_frame=None, longest_loss_s=None, longest_wait_s=0.001,
    longest_wait_frame=None, longest_wait_at_s=0.0, offset=3, bits=16, odd=0, alike=0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "real"),
    [
        ({}, True),
        ({"alike": 1, "losses": 1}, True),
        ({"alike": 2, "losses": 4}, False),  # half of its jumps are between the same numbers
        ({"alike": 2, "losses": 5}, True),
        ({"alike": 2, "losses": 4, "restarts": 1, "received": 500}, True),
        ({"restarts": 2}, True),  # one in five hundred
        ({"restarts": 2, "received": 999}, False),
        ({"odd": 100}, True),  # a tenth
        ({"odd": 101}, False),
        ({"duplicates": 500}, True),  # a half
        ({"duplicates": 501}, False),
    ],
)
def test_what_is_a_counter(change, real):
    assert replace(COUNTED, **change).real is real


@pytest.mark.parametrize(("expected", "received", "lost"), [(10, 7, 3), (10, 10, 0), (10, 12, 0)])
def test_packets_that_never_came(expected, received, lost):
    assert replace(COUNTED, expected=expected, received=received).lost == lost


@pytest.mark.parametrize(
    ("clock_hz", "stamps", "packet_time_s"),
    [(48_000, 48, 0.001), (48_000, 1, 1 / 48_000), (48_000, 0, None), (48_000, -48, None), (48_000, None, None), (None, 48, None)],
)  # fmt: skip
def test_the_time_of_a_packet(clock_hz, stamps, packet_time_s):
    stream: Stream = replace(COUNTED, clock_hz=clock_hz, packet_stamps=stamps)
    assert stream.packet_time_s == packet_time_s


@pytest.mark.parametrize(
    ("version", "kind", "announces"),
    [
        (2, "Announce", True),
        (2, "Sync", False),
        (1, "Sync", True),
        (1, "Announce", False),
        (1, "any master", False),
    ],
)
def test_which_messages_say_who_leads(version, kind, announces):
    port = ClockPort("Ethernet", version, 0, 0, kind, "0a", 1, "", 4, 1, 0.0, 3.0, 1.0, 0.0, 0, False)
    assert port.announces is announces


def test_counts_are_read_as_they_were_packed():
    assert counts((3).to_bytes(8, "little") + (-1).to_bytes(8, "little", signed=True)) == [3, -1]
