"""Whether an item was soaked for as long as planned."""

from dataclasses import replace

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.soak.facts import NS, Run
from tests.checks.asked import asked
from tests.soak.soaks import BEGUN, GOOD, HOUR, soak

judge = asked("soak-time")


def test_as_long_as_planned_passes_in_how_many_runs_ever():
    assert judge(Facts(soak=soak())).outcome is Outcome.PASS
    half = replace(GOOD, watched_ns=2 * HOUR)
    runs = tuple(Run(BEGUN + at * HOUR, BEGUN + (at + 2) * HOUR, half) for at in (0, 5))
    finding = judge(Facts(soak=soak(runs=runs)))
    assert finding.outcome is Outcome.PASS and "in 2 runs" in finding.headline
    assert finding.evidence[0].text.startswith("not watched from ")
    assert judge(Facts()) is None


def test_time_that_was_not_watched_is_missing():
    finding = judge(Facts(soak=soak(replace(GOOD, watched_ns=HOUR))))
    assert finding.outcome is Outcome.CAUTION and "1 h of 4 h only" in finding.headline
    assert "soak resume 3" in finding.fixes[0]


def test_a_computer_that_slept_is_told():
    slept = Run(BEGUN, BEGUN + 5 * HOUR + 30 * NS, GOOD)
    assert "not watched for 1 h" in judge(Facts(soak=soak(runs=(slept,)))).evidence[0].text
