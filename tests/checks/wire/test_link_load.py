"""The link load: each limit to the frame, both directions, what a mirror can tell."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import every, mac, rtp, studied, told, udp, write_with_direction

judge = asked("link-load")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
# 1 514 bytes captured take 1 538 on the cable: 812 a second fill 10 Mb/s (RFC 2544 appendix B), 569 are 70 % of it.
FULL = bytes(1514 - 42)


def load(frames: int, start: float = 0.0, end: float = 1.0):
    return every((end - start) / frames, lambda n: udp(1, "233.252.0.1", 6000, n.to_bytes(4, "big") + FULL[4:]), start, end)  # fmt: skip


def at_10_mbps(facts):
    return replace(facts, link_mbps=10, link_assumed=False)


LATER = [(1.25, rtp(2, "233.252.0.2", 1, bytes(8)))]


@pytest.mark.parametrize(("frames", "outcome"), [(560, PASS), (568, CAUTION), (569, FAIL), (812, FAIL)])
def test_seventy_percent_of_a_second(tmp_path, frames, outcome):
    """568 in a second are 57 in some of its tenths."""
    finding = judge(at_10_mbps(studied(tmp_path, load(frames), LATER)))
    assert finding.outcome == outcome
    assert finding.measured["share_1s"] == pytest.approx(frames * 1538 * 8 / 1e7, rel=1e-3)


@pytest.mark.parametrize(("frames", "outcome"), [(56, PASS), (57, CAUTION)])
def test_seventy_percent_of_a_tenth_of_a_second(tmp_path, frames, outcome):
    finding = judge(at_10_mbps(studied(tmp_path, load(frames, 0.5, 0.59), load(2, 0, 0.01), LATER)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert "70% full for 100 ms" in finding.headline
        assert finding.spans == ((0.5, 0.6),)


def test_the_senders_of_most_are_named_first(tmp_path):
    finding = judge(at_10_mbps(studied(tmp_path, load(600), LATER)))
    assert finding.culprits == (mac(1),)
    assert (
        f"{mac(1)} (ICANN, IANA Department, 192.0.2.1) sent 0.9 MB in all, in 1 flow; "
        "the largest: UDP port 6000 to 233.252.0.1" in told(finding)
    )
    assert "10 Mb/s in the busiest second" in told(finding) and "assumed" not in told(finding)
    assert finding.fixes and finding.cautions


def test_an_assumed_rate_is_said(tmp_path):
    assert "assumed" in judge(studied(tmp_path, load(10), LATER)).headline


def test_each_direction_has_the_whole_rate(tmp_path):
    """400 frames a second in and 400 out: half of each way, not all of one."""
    both = sorted(
        [(t, d, False) for t, d in load(400)] + [(t + 1e-4, d[:-1] + b"x", True) for t, d in load(400)]
    )
    path = write_with_direction(tmp_path / "both.pcapng", [*both, (1.25, LATER[0][1], False)])
    finding = judge(at_10_mbps(study(str(path))))
    assert (finding.outcome, finding.measured["share_1s"]) == (PASS, pytest.approx(0.492, abs=0.001))


def test_what_this_computer_sends_counts_too(tmp_path):
    path = write_with_direction(
        tmp_path / "own.pcapng", [*((t, d, True) for t, d in load(600)), (1.25, LATER[0][1], False)]
    )
    assert judge(at_10_mbps(study(str(path)))).outcome == FAIL


def test_a_mirror_does_not_tell_how_full_a_cable_is(tmp_path):
    facts = replace(at_10_mbps(studied(tmp_path, load(600), LATER)), vantage="mirror")
    finding = judge(facts)
    assert (
        finding.outcome == UNPROVEN
        and "mirror" in finding.headline
        and "at the port itself" in finding.fixes[0]
    )


def test_short_and_empty(tmp_path):
    assert judge(studied(tmp_path, load(20, 0, 0.2))).outcome == UNPROVEN
    assert judge(studied(tmp_path)).outcome == UNPROVEN


def test_a_millisecond_never_holds_more_than_all(tmp_path):
    """Times that bunch, as of a capturing system that takes frames by the dozen."""
    bunch = [(0.5, data) for _, data in load(60, 0.5, 0.59)]
    finding = judge(at_10_mbps(studied(tmp_path, bunch, load(2, 0, 0.01), LATER)))
    assert finding.outcome == CAUTION and "the busiest millisecond is full" in told(finding)
