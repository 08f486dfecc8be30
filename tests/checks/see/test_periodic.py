"""Which beats are the rig's: each bound from both sides, on a beat as the tally tells it; and what has checks
of its own."""

from dataclasses import replace

import pytest

from preflight.checks.rule import values
from preflight.checks.see.periodic import FOLLOWED, followed, missing_frames
from preflight.tally.facts import PeriodicFlow
from preflight.tally.tally import Tally
from tests.checks.flows import FLOW
from tests.rig import shows
from tests.tally.captures import arp, ethernet, every, mac, rtp, studied, udp

LIMITS = values(FOLLOWED, {})
GROUP = replace(FLOW, destination="01:00:5e:90:10:05", cast="multicast")
DATAGRAM = replace(GROUP, ethertype=0x0800, protocol=17, source_port=6000, destination_port=6000)
BEAT = PeriodicFlow(0, 0.01, 1, 1000, 0, 0, 0.01, 0.0, None, 0, 0.0, ())


def is_followed(tmp_path, beat=BEAT, flow=GROUP, limits=LIMITS) -> bool:
    facts = studied(tmp_path, [(0.0, arp(5, 6))])
    return bool(
        followed(replace(facts, tally=replace(Tally().facts(), flows=(flow,), periodic=(beat,))), limits)
    )


@pytest.mark.parametrize(
    ("change", "belongs"),
    [
        ({}, True),
        ({"period_s": 18.1e-6}, True),  # 20 µs, and a tenth less
        ({"period_s": 17.9e-6}, False),
        ({"period_s": 2.19}, True),  # 2 s, and a tenth more
        ({"period_s": 2.21}, False),
        ({"beats": 20}, True),
        ({"beats": 19}, False),
        ({"beats": 199, "missing": 19}, True),  # a tenth of 199 beats
        ({"beats": 199, "missing": 20}, False),
        ({"beats": 200, "missing": 59}, True),  # three tenths of 200
        ({"beats": 200, "missing": 60}, False),
        ({"beats": 200, "per_beat": 2, "missing": 119}, True),
        ({"beats": 200, "per_beat": 2, "missing": 120}, False),
    ],
)
def test_each_bound(tmp_path, change, belongs):
    assert is_followed(tmp_path, replace(BEAT, **change)) is belongs


def test_the_sheets_own_bounds(tmp_path):
    own = values(FOLLOWED, {"least_beats": 50, "longest_s": 0.005, "shortest_us": 9000})
    assert not is_followed(tmp_path, limits=own)
    assert is_followed(tmp_path, replace(BEAT, beats=50), limits={**own, "longest_s": 1})
    assert not is_followed(tmp_path, replace(BEAT, beats=49), limits={**own, "longest_s": 1})
    assert not is_followed(tmp_path, replace(BEAT, period_s=0.008), limits={**own, "longest_s": 1})


@pytest.mark.parametrize(("beats", "belongs"), [(199, False), (200, True)])
def test_one_device_to_another_has_to_keep_its_pace_longer(tmp_path, beats, belongs):
    assert is_followed(tmp_path, replace(BEAT, beats=beats), replace(GROUP, cast="unicast")) is belongs
    assert is_followed(tmp_path, replace(BEAT, beats=beats), replace(GROUP, cast="broadcast"))


@pytest.mark.parametrize(
    ("flow", "belongs"),
    [
        (DATAGRAM, True),
        (replace(DATAGRAM, protocol=6), False),
        (replace(DATAGRAM, destination_port=5353), False),
        (replace(DATAGRAM, source_port=123), False),
        (replace(DATAGRAM, destination_port=319), False),
        (replace(GROUP, discovery=True), False),
        (replace(GROUP, ethertype=1536), True),
        (replace(GROUP, ethertype=1535), False),
        *((replace(GROUP, ethertype=each), False) for each in (0x0806, 0x88CC, 0x8808, 0x22EA, 0x88F7)),
    ],
)
def test_what_answers_when_asked_or_has_a_check_of_its_own(tmp_path, flow, belongs):
    assert is_followed(tmp_path, flow=flow) is belongs


def test_a_stream_is_no_beat(tmp_path):
    """The stream counts its frames. The other two are the same but for the kind of address."""
    stream = every(0.001, lambda n: rtp(6, "233.252.0.9", n), 0, 2)
    plain = every(0.01, lambda n: ethernet("01:00:5e:90:10:05", mac(5), 0x88B5, bytes([n])), 0, 2)
    small = every(0.01, lambda n: udp(7, "233.252.0.1", 6000, bytes([n])), 0, 2)
    facts = studied(tmp_path, stream, plain, small)
    assert {flow.source for _, flow in followed(facts, LIMITS)} == {mac(5), mac(7)}


def test_missing_frames_are_counted_by_the_sheets_own_bounds(tmp_path):
    gone = {60, 61, 100}
    frames = every(0.01, lambda n: ethernet("01:00:5e:90:10:05", mac(5), 0x88B5, bytes([n])), 0, 2)
    facts = studied(tmp_path, [frame for n, frame in enumerate(frames) if n not in gone])
    assert missing_frames(facts) == 3
    sheet = shows.sheet(also="[limits.beat-health]\nleast_beats = 900\n")
    assert missing_frames(replace(facts, sheet=shows.sheet())) == 3
    assert missing_frames(replace(facts, sheet=sheet)) == 0
