"""How far apart the two ways are, as far as the clocks tell."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.between.cases import CLOCKS, PAIR, PATH, TOLD, facts
from tests.tally.captures import told

find = asked("pair-skew")


def apart(least_s: float, most_s: float, one: bool = True, **more) -> Facts:
    path = replace(PATH, least_s=least_s, most_s=most_s)
    return facts(path, told=PAIR, clocks=replace(CLOCKS, one=one), **more)


@pytest.mark.parametrize(
    ("least_s", "most_s", "outcome"),
    [(0.001, 0.010, "pass"), (0.001, 0.0101, "fail"), (-0.0101, 0.001, "fail"), (-0.010, 0.010, "pass")],
)
def test_against_the_buffer(least_s, most_s, outcome):
    assert find(apart(least_s, most_s)).outcome == outcome


def test_the_buffer_that_is_given_counts():
    assert find(apart(0.0, 0.004, late_s=0.003)).outcome == "fail"
    assert "more than 3 ms" in told(find(apart(0.0, 0.004, late_s=0.003)))
    assert find(apart(0.0, 0.011, late_s=0.0)).outcome == "fail"


def test_how_far_apart_is_said():
    assert "at most 2.000 ms apart" in find(apart(-0.002, 0.0)).headline
    assert "at most 2.000 ms apart" in find(apart(0.0, 0.002)).headline


def test_two_clocks_tell_only_the_change():
    finding = find(apart(-0.001, 0.003, one=False))
    assert (
        finding.outcome == "unproven"
        and "changes by 4.000 ms" in finding.headline
        and "--one-clock" in finding.fixes[0]
    )
    assert "changes by 3.000 ms" in find(apart(-0.003, 0.0, one=False)).headline
    assert find(apart(-0.006, 0.006, one=False)).outcome == "fail"


@pytest.mark.parametrize(
    ("bend_s", "word"), [(0.0005, "up to 12.00 ms apart"), (0.0006, "do not run evenly")]
)
def test_clocks_that_bend(bend_s, word):
    path = replace(PATH, least_s=-0.006, most_s=0.006)
    assert word in told(find(facts(path, told=PAIR, clocks=replace(CLOCKS, bend_s=bend_s))))


def test_not_asked():
    assert find(Facts(between=TOLD)) is None and find(Facts(between=replace(PAIR, clocks=None))) is None


def test_a_way_whose_time_is_not_known_counts_nothing():
    unknown = replace(PATH, least_s=None, most_s=None)
    for one in (True, False):
        finding = find(facts(unknown, told=PAIR, clocks=replace(CLOCKS, one=one)))
        assert finding.measured["most_ms"] == 0 and "+0.000 to +0.000 ms" in told(finding)


def test_the_figures_to_a_nanosecond():
    assert find(apart(0.0, 0.0012345678)).measured == {"one_clock": True, "most_ms": 1.234568, "limit_ms": 10}
