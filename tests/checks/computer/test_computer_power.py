"""Mains, battery, power plan and sleep."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Power
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("computer-power")


GOOD = Power(True, None, False, "high performance", 0)


def powered(**changes) -> Facts:
    return Facts(host=replace(desk().host, power=replace(GOOD, **changes)), adapter=None)


@pytest.mark.parametrize(
    ("changes", "outcome", "says"),
    [
        ({}, Outcome.PASS, "mains"),
        ({"on_mains": False, "battery_percent": 74.0}, Outcome.CAUTION, "battery, 74 % left"),
        ({"on_mains": False, "battery_percent": 20.0}, Outcome.FAIL, "battery, 20 % left"),
        ({"on_mains": False}, Outcome.CAUTION, "battery."),
        ({"battery_percent": 5.0}, Outcome.PASS, "mains"),
        ({"saving": True}, Outcome.CAUTION, "high performance"),
        ({"sleeps_after_min": 30}, Outcome.CAUTION, "30 minutes"),
        ({"sleeps_after_min": None}, Outcome.UNPROVEN, "goes to sleep"),
        ({"on_mains": None, "sleeps_after_min": 1}, Outcome.CAUTION, "1 minutes"),
    ],
)
def test_power(changes, outcome, says):
    finding = judge(powered(**changes))
    assert (
        finding.outcome is outcome and says in finding.headline and bool(finding.fixes) == (outcome != "pass")
    )


def test_power_fixes_are_those_of_the_trouble():
    fixes = judge(powered(sleeps_after_min=30)).fixes
    assert "sleep" in fixes[0] and not any("power supply" in step for step in fixes)


@pytest.mark.parametrize(
    ("changes", "step"),
    [
        ({"on_mains": False}, "power supply"),
        ({"saving": True}, "power plan"),
        ({"sleeps_after_min": 30}, "sleep to never"),
    ],
)
def test_each_trouble_has_its_step(changes, step):
    fixes = judge(powered(**changes)).fixes
    assert len(fixes) == 2 and step in fixes[0]


@pytest.mark.parametrize(
    ("percent", "outcome"), [(5.0, Outcome.FAIL), (20.0, Outcome.FAIL), (20.5, Outcome.CAUTION)]
)
def test_a_battery_that_is_nearly_empty(percent, outcome):
    assert judge(powered(on_mains=False, battery_percent=percent)).outcome is outcome


def test_what_the_system_told_is_measured_and_all_that_it_does_not_tell_is_named():
    told = judge(powered(on_mains=False, battery_percent=74.4, saving=True))
    assert told.measured == {
        "on_mains": False, "battery_percent": 74.4, "plan": "high performance", "saving": True, "sleeps_after_min": 0,
    }  # fmt: skip
    untold = judge(powered(on_mains=None, saving=None, sleeps_after_min=None))
    assert untold.headline == (
        "The system does not say whether it runs on mains or whether it saves power or when it goes to sleep."
    )
    assert judge(powered(saving=True, plan="")).headline == "This computer saves power, and may be slow."
