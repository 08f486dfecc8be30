"""Whether an item was soaked for as long as planned."""

from dataclasses import replace

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.rig.sheet import Sheet
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


def test_the_last_second_counts():
    almost = judge(Facts(soak=soak(replace(GOOD, watched_ns=4 * HOUR - 1))))
    assert almost.outcome is Outcome.CAUTION and almost.measured["planned_s"] == 4 * 3600
    less = Sheet("x", limits={"soak-time": {"share": 0.5}})
    for watched, outcome in ((2 * HOUR, Outcome.PASS), (2 * HOUR - 1, Outcome.CAUTION)):
        assert judge(Facts(soak=soak(replace(GOOD, watched_ns=watched)), sheet=less)).outcome is outcome


def test_less_than_a_minute_was_no_sleep():
    for lost_s, told in ((59, 0), (60, 1)):
        run = Run(BEGUN, BEGUN + 4 * HOUR + lost_s * NS, GOOD)
        assert len(judge(Facts(soak=soak(runs=(run,)))).evidence) == told


def test_times_are_told_to_a_tenth_of_a_second():
    finding = judge(
        Facts(soak=soak(replace(GOOD, watched_ns=90 * NS + NS // 4), planned_ns=90 * NS + NS // 2))
    )
    assert finding.measured == {"watched_s": 90.2, "planned_s": 90.5, "runs": 1}
    assert finding.headline == "Soaked for 1 min 30 s of 1 min 30 s only."
    one = judge(Facts(soak=soak()))
    assert "runs" not in one.headline and one.headline.startswith("Soaked for 4 h, as planned")
