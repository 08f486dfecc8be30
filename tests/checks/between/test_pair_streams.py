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
