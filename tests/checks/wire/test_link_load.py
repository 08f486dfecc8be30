"""The link load: each limit to the frame, both directions, what a mirror can tell."""

import re
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import (
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

judge = asked("link-load")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
# 1 226 bytes captured take 1 250 on the cable (RFC 2544 appendix B): 1 000 a second fill 10 Mb/s.
FULL = bytes(1226 - 42)


def load(frames: int, start: float = 0.0, end: float = 1.0):
    return every((end - start) / frames, lambda n: udp(1, "233.252.0.1", 6000, n.to_bytes(4, "big") + FULL[4:]), start, end)  # fmt: skip


def at_10_mbps(facts):
    return replace(facts, link_mbps=10, link_assumed=False)


LATER = [(1.25, rtp(2, "233.252.0.2", 1, bytes(8)))]


@pytest.mark.parametrize(("frames", "outcome"), [(690, PASS), (699, CAUTION), (700, FAIL), (1000, FAIL)])
def test_seventy_percent_of_a_second(tmp_path, frames, outcome):
    """699 in a second are 70 in some of its tenths."""
    finding = judge(at_10_mbps(studied(tmp_path, load(frames), LATER)))
    assert finding.outcome == outcome
    assert finding.measured["share_1s"] == frames / 1000


@pytest.mark.parametrize(("frames", "outcome"), [(69, PASS), (70, CAUTION)])
def test_seventy_percent_of_a_tenth_of_a_second(tmp_path, frames, outcome):
    finding = judge(at_10_mbps(studied(tmp_path, load(frames, 0.5, 0.59), load(2, 0, 0.01), LATER)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert "70% full for 100 ms" in finding.headline
        assert finding.spans == ((0.5, 0.6),) and finding.measured["share_100ms"] == 0.7


def test_the_senders_of_most_are_named_first(tmp_path):
    finding = judge(at_10_mbps(studied(tmp_path, load(800), LATER)))
    assert finding.culprits == (mac(1),)
    assert (
        f"ICANN 53:01 ({mac(1)}, 192.0.2.1) sent 1.0 MB in all, in 1 flow; "
        "the largest: UDP port 6000 to 233.252.0.1" in told(finding)
    )
    assert "10 Mb/s in the busiest second" in told(finding) and "assumed" not in told(finding)
    # In at 12.3 Mb/s while a port sends at 10: what is left after 800 frames, and how long that takes.
    held = re.search(r"hold back ([\d ]+) bytes, ([\d.]+) ms of the link", told(finding))
    assert float(held[2]) == pytest.approx(int(held[1].replace(" ", "")) * 8 / 10_000, abs=0.005)
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
    assert (finding.outcome, finding.measured["share_1s"]) == (PASS, 0.4)


def test_what_this_computer_sends_counts_too(tmp_path):
    path = write_with_direction(
        tmp_path / "own.pcapng", [*((t, d, True) for t, d in load(800)), (1.25, LATER[0][1], False)]
    )
    assert judge(at_10_mbps(study(str(path)))).outcome == FAIL


def test_a_mirror_does_not_tell_how_full_a_cable_is(tmp_path):
    facts = replace(at_10_mbps(studied(tmp_path, load(800), LATER)), vantage="mirror")
    finding = judge(facts)
    assert "The mirror shows 80% of 10 Mb/s" in finding.headline
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
    bunch = [(0.5, data) for _, data in load(80, 0.5, 0.59)]
    finding = judge(at_10_mbps(studied(tmp_path, bunch, load(2, 0, 0.01), LATER)))
    assert finding.outcome == CAUTION and "the busiest millisecond is full" in told(finding)


def test_a_mirror_of_both_ways_shows_every_frame_twice(tmp_path):
    for frames, outcome in ((600, PASS), (800, UNPROVEN)):
        facts = at_10_mbps(studied(tmp_path, mirrored([*load(frames), *LATER])))
        finding = judge(facts)
        assert facts.vantage == "mirror" and finding.outcome == outcome
        assert finding.measured["share_1s"] == frames / 1000
        assert finding.measured["share_100ms"] == pytest.approx(frames / 1000, abs=0.02)


def test_the_busiest_millisecond(tmp_path):
    """Twelve frames of 84 bytes on the cable in every millisecond of a tenth of a second, of the 1 250 bytes
    that it holds."""
    small = [
        (0.5 + ms / 1000 + n * 0.00002, broadcast(1, 12 * ms + n)) for ms in range(100) for n in range(12)
    ]
    finding = judge(at_10_mbps(studied(tmp_path, [(0.0, broadcast(2, 0))], small, LATER)))
    assert finding.outcome == CAUTION and "81% in the busiest millisecond" in told(finding)
    assert finding.measured["share_1ms"] == 0.8064


def test_only_full_seconds_count_in_its_time(tmp_path):
    frames = load(750), load(640, 5, 6)
    finding = judge(at_10_mbps(studied(tmp_path, *frames)))
    ((start, end),) = finding.spans
    assert start == 0 and 1 <= end < 2.5


def test_three_senders_are_named(tmp_path):
    def one(sender: int, count: int):
        return every(1 / count, lambda n: udp(sender, "233.252.0.1", 6000, n.to_bytes(4, "big") + FULL[4:]), sender / 1e4, 1)  # fmt: skip

    finding = judge(at_10_mbps(studied(tmp_path, one(1, 240), one(2, 230), one(3, 220), one(4, 210), LATER)))
    assert finding.culprits == (mac(1), mac(2), mac(3))
    assert "192.0.2.3) sent 0.3 MB in all, in 1 flow" in told(finding)


def test_the_figures_to_four_places_and_what_is_shown_when(tmp_path):
    finding = judge(at_10_mbps(studied(tmp_path, load(777, 0.3, 1.2), load(2, 0, 0.01), LATER)))
    assert finding.measured["link_mbps"] == 10 and finding.measured["share_1s"] == 0.7771
    assert finding.measured["share_100ms"] == pytest.approx(0.87, abs=0.01)
    assert round(finding.measured["share_100ms"], 4) == finding.measured["share_100ms"]
    assert finding.headline == "The link is 78% full for a second; from 70% on there is no room for bursts."
    assert finding.evidence[0].text == "78% of 10 Mb/s in the busiest second"
    assert finding.evidence[0].time_s == pytest.approx(0.3, abs=0.11)
    assert all(each.time_s is not None for each in finding.evidence[:3])


def test_who_sends_less_than_a_tenth_of_the_most_is_not_named(tmp_path):
    def one(sender: int, count: int):
        return every(1 / count, lambda n: udp(sender, "233.252.0.1", 6000, n.to_bytes(4, "big") + FULL[4:]), sender / 1e4, 1)  # fmt: skip

    much = judge(at_10_mbps(studied(tmp_path, one(1, 700), one(2, 71), LATER)))
    little = judge(at_10_mbps(studied(tmp_path, one(1, 720), one(2, 69), LATER)))
    assert much.culprits == (mac(1), mac(2)) and little.culprits == (mac(1),)


def test_the_largest_of_a_senders_flows_is_told(tmp_path):
    small = every(0.1, lambda n: udp(1, "233.252.0.9", 7000, bytes([n])), 0, 1)
    finding = judge(at_10_mbps(studied(tmp_path, small, load(800), LATER)))
    assert "in 2 flows; the largest: UDP port 6000 to 233.252.0.1" in told(finding)


def test_a_mirror_whose_frames_come_once_shows_the_whole(tmp_path):
    """Four in ten of the contents have to come twice, for half of what it shows to be the cable's."""
    facts = replace(at_10_mbps(studied(tmp_path, load(600), LATER)), vantage="mirror")
    distinct = facts.tally.copies.distinct
    for share, part in ((0.41, 0.3), (0.39, 0.6)):
        copies = replace(facts.tally.copies, pairs=round(share * distinct))
        finding = judge(replace(facts, tally=replace(facts.tally, copies=copies)))
        assert finding.measured["share_1s"] == part
