"""A redundant pair: every stream in both, each whole, each covering the other."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.between.cases import END, HERE, LONE, PAIR, PATH, TOLD, Ending, facts, gone
from tests.tally.captures import told

find = asked("pair-streams")


def pair(*paths, **more) -> Facts:
    return facts(*paths, told=PAIR, **more)


def test_whole_in_both():
    assert find(pair()).outcome == "pass" and find(Facts(between=TOLD)) is None


@pytest.mark.parametrize(("frames", "outcome"), [(31, "pass"), (32, "fail")])
def test_in_one_network_only(frames, outcome):
    lone = replace(LONE, frames=frames)
    for side in ("a", "b"):
        finding = find(pair(**{side: replace(END, lone=(lone,))}))
        assert finding.outcome == outcome
        assert (
            outcome == "pass"
            or f"from ICANN 53:06 (00:00:5e:00:53:06, 192.0.2.6) only in {side.upper()}" in told(finding)
        )
    assert find(pair(a=replace(END, lone=(replace(LONE, rtp=False),)))).outcome == "pass"


def test_lost_in_one_and_covered_by_the_other():
    finding = find(pair(replace(PATH, b=gone(12))))
    assert (
        finding.outcome == "caution"
        and "Network A lost 12 packets of the stream to 233.252.0.1 port 5004; B has them all"
        in finding.headline
    )
    assert "frame 201 of B and 11 after it: missing between frames 190 and 191 of A" in told(finding)
    assert "Network B lost 3" in find(pair(replace(PATH, a=gone(3)))).headline
    assert find(pair(replace(PATH, b=gone(12)))).measured["covered"] == 12


def test_lost_in_both():
    finding = find(pair(replace(PATH, never=1, jump_frame=5, jump_s=0.1)))
    assert (
        finding.outcome == "fail"
        and "1 packet of the stream to 233.252.0.1 port 5004 missing in both" in finding.headline
    )


@pytest.mark.parametrize(("at_s", "outcome"), [(5.0, "fail"), (9.0, "fail"), (9.1, "pass")])
def test_stopped_in_one(at_s, outcome):
    ended = replace(HERE, ending=Ending(500, 501, at_s), last_s=10.0)
    finding = find(pair(replace(PATH, b=ended)))
    assert finding.outcome == outcome and (outcome == "pass" or "stopped in network A" in finding.headline)


def test_no_stream_in_both():
    finding = find(Facts(between=replace(PAIR, paths=(), a=replace(END, lone=(LONE,)))))
    assert finding.outcome == "unproven" and "only in A" in told(finding)


def test_the_figures_of_both_networks():
    lone = replace(END, lone=(LONE, LONE, replace(LONE, frames=31))), replace(END, lone=(LONE,))
    paths = (
        replace(PATH, a=gone(3), b=gone(5)),
        replace(PATH, source_ip="192.0.2.9", never=7, jump_frame=5, jump_s=0.1),
    )
    finding = find(pair(*paths, a=lone[0], b=lone[1]))
    assert finding.measured == {
        "streams": 2, "only_in_a": 2, "only_in_b": 1, "lost_in_a": 5, "lost_in_b": 3, "covered": 8, "uncovered": 7,
    }  # fmt: skip
    assert (
        finding.headline
        == "3 streams (busiest: the stream to 233.252.0.2 port 5004) in one network only: nothing takes over."
    )
    assert finding.evidence[0].text.endswith(" only in A: 100 packets from frame 3 on")
    assert finding.evidence[0].time_s == 0.1


def test_the_most_uncovered_come_first_and_five_are_shown():
    paths = [
        replace(PATH, source_ip=f"192.0.2.{n}", never=n, jump_frame=30 + n, jump_s=n / 10)
        for n in range(1, 8)
    ]
    finding = find(pair(*paths))
    assert (
        finding.headline
        == "28 packets of 7 streams (worst: the stream to 233.252.0.1 port 5004) missing in both networks: "
        "not covered."
    )
    assert len(finding.evidence) == 5 and finding.evidence[0].time_s == 0.7
    assert finding.evidence[0].text.endswith(": 7 numbers; first missing before frame 37 of A")
    [line] = find(pair(replace(PATH, never=2, jump_frame=None))).evidence
    assert line.text.endswith(": 2 numbers") and line.time_s is None


def test_five_are_shown_of_what_was_lost_stopped_or_is_alone():
    ended = replace(HERE, ending=Ending(500, 501, 5.0), last_s=10.0)
    lost = find(pair(*(replace(PATH, source_ip=f"192.0.2.{n}", b=gone(2)) for n in range(7))))
    assert sum("2 of 1002 frames" in each.text for each in lost.evidence) == 5
    assert lost.spans[0] == (2.0, pytest.approx(2.02))
    stopped = find(pair(*(replace(PATH, source_ip=f"192.0.2.{n}", a=ended) for n in range(7))))
    assert (
        stopped.headline
        == "7 streams (first: the stream to 233.252.0.1 port 5004) stopped in network B and went on in A."
        and len(stopped.evidence) == 5
    )
    assert stopped.evidence[0].text.endswith(": from frame 501 of A on only there")
    assert stopped.evidence[0].time_s == 5.0 and stopped.spans[0] == (5.0, 10.0)
    alone = find(pair(a=replace(END, lone=(LONE,) * 7)))
    assert len(alone.evidence) == 5
