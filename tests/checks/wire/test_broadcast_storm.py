"""The broadcast check: each limit, who sends, what a mirror shows."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.tally.captures import arp, broadcast, every, mirrored, rtp, studied, told, udp

judge = asked("broadcast-storm")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN


def storm(per_s: int, sender: int = 1, start: float = 0.0, end: float = 1.0):
    return every(1 / per_s, lambda n: broadcast(sender, n), start, end)


STREAM = every(0.005, lambda n: rtp(20, "233.252.0.20", n, bytes(48)), 0, 1.5)


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(
    ("count", "outcome"), [(99, PASS), (100, CAUTION), (999, CAUTION), (1000, FAIL), (3000, FAIL)]
)
def test_limits(tmp_path, count, outcome, see):
    """A mirror of both directions shows every frame twice; it was sent once."""
    facts = studied(tmp_path, see([*storm(count), *STREAM]))
    finding = judge(facts)
    assert finding.outcome == outcome
    assert finding.measured["most_in_1s"] == count
    assert facts.vantage == ("mirror" if see is mirrored else "unknown")


def test_a_burst_within_a_tenth_of_a_second_is_seen_with_its_time(tmp_path):
    finding = judge(studied(tmp_path, STREAM, storm(5000, start=1.0, end=1.02)))
    assert (finding.outcome, finding.measured["most_in_100ms"]) == (CAUTION, 100)
    assert finding.evidence[0].time_s == 1.0
    ((start, end),) = finding.spans
    assert start <= 1.0 < 1.02 <= end


def test_a_mirror_stretches_no_storm(tmp_path):
    """Sixty a second all the time are 120 at a mirror, and no storm for that."""
    finding = judge(studied(tmp_path, mirrored([*storm(60, 2, 0, 6), *storm(1000, 1, 3, 4)])))
    ((start, end),) = finding.spans
    assert 2.0 <= start <= 3.0 and 4.0 <= end <= 5.0


def test_the_sender_is_named_with_maker_kind_and_first_frame(tmp_path):
    rest = [(0.0, arp(2, 3)), (1.1, arp(2, 4))]
    finding = judge(studied(tmp_path, rest, storm(1000)))
    assert finding.outcome == FAIL
    assert finding.culprits == ("00:00:5e:00:53:01",)
    assert finding.headline.startswith(
        "Broadcast storm: 1 001 frames in one second, from ICANN 53:01 (00:00:5e:00:53:01)."
    )
    assert "ICANN 53:01 sent 1 000 in all, mostly local experimental" in told(finding)
    assert (finding.evidence[1].frame, finding.evidence[1].time_s) == (2, 0.0)
    assert finding.fixes and finding.cautions


def test_many_senders_are_counted_and_the_loudest_named(tmp_path):
    crowd = [f for n in range(1, 21) for f in every(0.1, udp(n, "255.255.255.255", 138, b"here", "ff:ff:ff:ff:ff:ff"), n / 1000, 1.0)]  # fmt: skip
    finding = judge(studied(tmp_path, crowd))
    assert finding.outcome == CAUTION
    assert finding.headline.startswith("Much broadcast: 200 frames") and "from 20 devices" in finding.headline
    assert "NetBIOS datagrams to 255.255.255.255" in told(finding) and len(finding.culprits) == 3


def test_less_than_a_second_proves_no_silence_but_shows_a_storm(tmp_path):
    assert judge(studied(tmp_path, storm(50, end=0.2))).outcome == UNPROVEN
    assert judge(studied(tmp_path, storm(1000, end=0.2))).outcome == CAUTION


def test_no_frame(tmp_path):
    assert judge(studied(tmp_path)).outcome == UNPROVEN


def test_only_those_who_matter_are_counted(tmp_path):
    quiet = [(n / 100, arp(n, 1)) for n in range(10, 20)]
    finding = judge(studied(tmp_path, quiet, storm(600, 1), storm(600, 2)))
    assert "from 2 devices" in finding.headline
