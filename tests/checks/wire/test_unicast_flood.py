"""Unicast between others: a flood, natural strays, and ports that see conversations for other reasons."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.host.facts import Adapter, HostFacts
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import (
    arp,
    broadcast,
    every,
    mac,
    mirrored,
    rtp,
    studied,
    told,
    udp,
    write_with_direction,
)

judge = asked("unicast-flood")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
OURS = 0x0A


def to(sender: int, receiver: int, content: int = 0) -> bytes:
    return udp(sender, f"192.0.2.{receiver}", 6000, content.to_bytes(4, "big"), mac(receiver))


def talk(a: int, b: int):
    return every(0.5, lambda n: to(a, b, n), 0, 3) + every(0.5, lambda n: to(b, a, n), 0.1, 3.1)


OWN_TALK = talk(OURS, 1) + talk(OURS, 2)


def flood(frames: int, seconds: float = 2.5):
    return every(seconds / (frames - 1), lambda n: to(7, 9, n), 0.2, 0.2 + seconds * frames / (frames - 1))


@pytest.mark.parametrize(
    ("frames", "seconds", "outcome"),
    [(19, 2.5, PASS), (20, 2.5, CAUTION), (99, 2.5, CAUTION), (100, 2.5, FAIL), (100, 1.9, CAUTION)],
)
def test_how_much_is_a_flood(tmp_path, frames, seconds, outcome):
    finding = judge(studied(tmp_path, OWN_TALK, flood(frames, seconds)))
    assert finding.outcome == outcome and finding.measured["own_station"] == [mac(OURS)]
    if outcome != PASS:
        assert finding.culprits == (mac(7),) and f"{frames} frames from ICANN 53:07 to" in told(finding)
        assert mac(9) in finding.headline and finding.fixes and finding.cautions


def test_the_adapter_tells_whose_port_it_is(tmp_path):
    facts = studied(tmp_path, [(0.0, arp(1, 2))], flood(200))
    assert judge(facts).outcome == UNPROVEN
    for address, outcome in ((mac(OURS), FAIL), (mac(9), PASS), (mac(7), PASS)):
        host = HostFacts("Linux", (Adapter("audio", hardware_address=address),))
        assert judge(replace(facts, host=host, adapter="audio")).outcome == outcome


def test_a_capture_that_tells_what_was_sent(tmp_path):
    frames = [(0.0, arp(OURS, 2), True)] + [(t, d, False) for t, d in flood(200)]
    assert judge(study(str(write_with_direction(tmp_path / "sent.pcapng", frames)))).outcome == FAIL


@pytest.mark.parametrize(
    "frames",
    [
        talk(1, 2) + talk(3, 4) + talk(5, 6) + flood(200),  # several ports
        OWN_TALK + talk(1, 2) + flood(200),
        mirrored(OWN_TALK + flood(200)),
    ],
)
def test_a_mirror_shows_the_talk_of_others(tmp_path, frames):
    assert judge(studied(tmp_path, frames)).outcome == UNPROVEN


def test_nothing_for_others(tmp_path):
    assert judge(studied(tmp_path, OWN_TALK)).headline == "No frame for others comes by."
    few = judge(studied(tmp_path, OWN_TALK, flood(19)))
    assert few.outcome == PASS and few.headline == "A few frames for others came by, as is natural."
    assert judge(studied(tmp_path, [f for f in OWN_TALK if f[0] < 1.5])).outcome == UNPROVEN


@pytest.mark.parametrize(("gap_s", "outcome"), [(0.02, FAIL), (0.0198, CAUTION)])
def test_how_long_is_a_flood(tmp_path, gap_s, outcome):
    """A hundred steps of a fiftieth of a second are two seconds."""
    frames = [(0.2 + n * gap_s, to(7, 9, n)) for n in range(101)]
    finding = judge(studied(tmp_path, OWN_TALK, frames))
    assert finding.outcome == outcome and finding.spans == ((0.2, pytest.approx(0.2 + 100 * gap_s)),)


@pytest.mark.parametrize(("last_s", "outcome"), [(1.9, UNPROVEN), (2.0, PASS)])
def test_two_seconds_of_listening_show_that_there_is_none(tmp_path, last_s, outcome):
    end = [(last_s, arp(1, 2))]
    assert judge(studied(tmp_path, [f for f in OWN_TALK if f[0] < 1.8], end)).outcome == outcome


@pytest.mark.parametrize(("frames", "outcome"), [(3, FAIL), (4, UNPROVEN)])
def test_a_few_frames_and_their_answer_are_no_mirror(tmp_path, frames, outcome):
    talk = [(0.5 * n, to(3, 4, n)) for n in range(frames)] + [(0.6, to(4, 3))]
    host = HostFacts("Linux", (Adapter("audio", hardware_address=mac(OURS)),))
    finding = judge(replace(studied(tmp_path, OWN_TALK, flood(100), talk), host=host, adapter="audio"))
    assert finding.outcome == outcome
    assert finding.measured["one_way_frames"] == 100


def test_one_conversation_tells_of_no_port(tmp_path):
    finding = judge(studied(tmp_path, talk(1, 2), flood(100)))
    assert finding.outcome == UNPROVEN and finding.measured["own_station"] == []


def test_the_largest_flood_is_named_first_and_any_long_one_fails(tmp_path):
    short = [(0.5 + n / 200, to(5, 6, n)) for n in range(150)]
    finding = judge(studied(tmp_path, OWN_TALK, short, flood(100)))
    assert finding.outcome == FAIL and finding.culprits == (mac(5), mac(7))
    assert finding.headline.startswith(f"The switch floods frames that ICANN 53:05 ({mac(5)}")
    assert len(finding.spans) == 2


def test_what_goes_to_a_group_is_no_flood(tmp_path):
    others = every(0.02, lambda n: rtp(7, "233.252.0.7", n), 0, 3) + every(0.02, broadcast(8, 1), 0, 3)
    finding = judge(studied(tmp_path, OWN_TALK, others))
    assert finding.outcome == PASS and finding.measured["one_way_pairs"] == 0


def test_talk_of_others_is_counted_by_pairs(tmp_path):
    finding = judge(studied(tmp_path, OWN_TALK, talk(3, 4), talk(5, OURS)))
    assert finding.measured["both_way_pairs"] == 4, "no station has part in all of them"
    host = HostFacts("Linux", (Adapter("audio", hardware_address=mac(OURS)),))
    finding = judge(replace(studied(tmp_path, OWN_TALK, talk(3, 4)), host=host, adapter="audio"))
    assert finding.measured["both_way_pairs"] == 1
