"""What the captures missed themselves is told apart from the network."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from preflight.verdict import judged
from tests.checks.asked import asked
from tests.checks.between.cases import END, PAIR, PATH, TOLD, dropped, facts, gone
from tests.tally.captures import told

find = asked("between-capture")


def test_what_came_out_had_passed():
    finding = find(facts(replace(PATH, b=gone(5))))
    assert finding.outcome == "caution" and "the capture at A lacks them: it missed them." in finding.headline
    assert "frame 201 of B and 4 after it: missing between frames 190 and 191 of A" in told(finding)
    assert "or they were lost on their way to A" in find(facts(replace(PATH, way=None, b=gone(5)))).headline
    assert "capture at B lacks them" in find(facts(replace(PATH, way="B to A", a=gone(5)))).headline
    assert find(facts(replace(PATH, a=gone(5)))).outcome == "pass"  # lost on the way


@pytest.mark.parametrize(("count", "outcome"), [(None, "pass"), (0, "pass"), (1, "caution")])
def test_what_the_system_dropped(count, outcome):
    for side in ("a", "b"):
        finding = find(Facts(between=replace(TOLD, **{side: dropped(END, count)})))
        assert finding.outcome == outcome
        assert outcome == "pass" or f"The capture of {side.upper()} dropped 1 frame" in finding.headline


def test_it_does_not_fail_the_network():
    result = judged(facts(replace(PATH, b=gone(500))))
    assert result.verdict.verdict == "ready with cautions"


def test_two_networks_miss_for_themselves():
    assert find(Facts(between=replace(PAIR, paths=(replace(PATH, b=gone(5)),)))).outcome == "pass"


def test_an_end_in_mid_frame():
    cut = replace(END, source=replace(END.source, ended_early="offset 99: the last record is cut short"))
    assert "ends early" in told(find(Facts(between=replace(TOLD, b=cut))))


def test_the_figures_of_both_captures():
    told = replace(TOLD, a=replace(dropped(END, 3), cut=4), b=replace(dropped(END, 5), cut=6))
    finding = find(facts(replace(PATH, b=gone(7)), replace(PATH, way="B to A", a=gone(2)), told=told))
    assert finding.measured == {"missed": 9, "dropped_a": 3, "dropped_b": 5, "cut_a": 4, "cut_b": 6}
    assert finding.headline.startswith("7 frames came out at B")
    assert finding.spans == ((2.0, pytest.approx(2.02)), (2.0, pytest.approx(2.07)))


def test_the_most_missed_are_shown_first_and_five_at_most():
    paths = [replace(PATH, source_ip=f"192.0.2.{n}", b=gone(n)) for n in range(1, 8)]
    finding = find(facts(*paths))
    shown = [each.text for each in finding.evidence if " frames, " in each.text]
    assert finding.headline.startswith("28 frames came out at B")
    assert len(shown) == 5 and ": 7 of 1007 frames" in shown[0] and ": 3 of 1003 frames" in shown[4]
