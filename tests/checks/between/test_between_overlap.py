"""Captures that do not belong together are unproven, and so is the verdict."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from preflight.verdict import judged
from tests.checks.asked import asked
from tests.checks.between.cases import CLOCKS, END, PAIR, TOLD, facts
from tests.tally.captures import told

find = asked("between-overlap")


def test_clocks_are_told():
    words = told(find(facts()))
    assert "3.000000 s ahead of A's (±1.0 µs), and runs 50.00 ppm faster" in words and "1 000 frames" in words
    behind = replace(CLOCKS, offset_s=-0.5, drift_ppm=-2.0)
    assert "0.500000 s behind A's" in told(find(facts(clocks=behind))) and "slower" in told(
        find(facts(clocks=behind))
    )
    assert "one clock" in told(find(Facts(between=PAIR)))


@pytest.mark.parametrize(
    ("common_s", "matched", "outcome"), [(1.0, 32, "pass"), (0.99, 32, "unproven"), (1.0, 31, "unproven")]
)
def test_enough_in_common(common_s, matched, outcome):
    assert find(facts(common_s=common_s, matched=matched)).outcome == outcome


def test_nothing_in_common_is_no_verdict():
    result = judged(Facts(between=replace(TOLD, clocks=None, paths=())))
    assert result.verdict.verdict == "unproven" and result.verdict.exit_status() == 3
    (finding,) = (each.finding for each in result.verdict.findings if each.finding.outcome == "unproven")
    assert finding.check == "between-overlap" and "Capture at both places" in finding.fixes[0]


def test_a_clock_that_was_set():
    finding = find(Facts(between=replace(TOLD, clocks=None, paths=(), jump_s=5.0)))
    assert finding.outcome == "unproven" and "was set while it captured, by 5.0 s" in finding.headline


def test_nobody_asked():
    assert find(Facts()) is None


def test_the_figures_of_the_clocks():
    clocks = replace(CLOCKS, offset_s=1.0000000004, uncertainty_s=2.0000000004e-6, drift_ppm=1.0004)
    told = replace(TOLD, a=replace(END, no_room=2), b=replace(END, no_room=3, first_s=0.26, last_s=9.94))
    finding = find(facts(told=told, clocks=clocks, common_s=9.0004, patience_s=0.9996))
    assert finding.measured == {
        "matched": 1000, "common_s": 9.0, "one_clock": False, "offset_s": 1.0, "uncertainty_s": 2e-6, "drift_ppm": 1.0,
        "patience_s": 1.0, "no_room": 5,
    }  # fmt: skip
    assert finding.evidence[0].text == "A runs from 0.0 s to 10.0 s, B from 0.3 s to 9.9 s, on A's clock"
    level = find(facts(clocks=replace(CLOCKS, offset_s=0.0, drift_ppm=0.0))).headline
    assert "0.000000 s ahead of" in level and "0.00 ppm faster" in level
