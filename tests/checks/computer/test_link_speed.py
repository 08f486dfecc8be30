"""The link speed check: gigabit or more."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("link-speed")


@pytest.mark.parametrize("speed", [1000, 2500, 10000])
def test_gigabit_and_more_passes(speed):
    assert judge(desk(speed_mbps=speed)).outcome is Outcome.PASS


@pytest.mark.parametrize("speed", [10, 100, 999])
def test_slower_fails_and_names_cable_and_caution(speed):
    finding = judge(desk(speed_mbps=speed))
    assert finding.outcome is Outcome.FAIL and f"{speed} Mb/s" in finding.headline
    assert finding.measured["speed_mbps"] == speed and finding.limits["at_least_mbps"] == 1000
    assert "cable" in finding.fixes[0] and finding.cautions


def test_a_speed_without_a_told_carrier_is_judged():
    assert judge(desk(carrier=None, speed_mbps=100)).outcome is Outcome.FAIL
