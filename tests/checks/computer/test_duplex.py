"""The duplex check: half fails, with the counts that go with a mismatch."""

import pytest

from preflight.checks import check_named
from preflight.checks.finding import Outcome
from preflight.host.facts import Counters
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("duplex")


def test_half_duplex_fails_and_tells_of_the_mismatch():
    finding = judge(
        desk(duplex="half", counters=Counters(late_collisions=12, collisions=40, rx_crc_errors=0))
    )
    assert finding.outcome is Outcome.FAIL
    assert "by hand" in finding.headline and "automatic" in finding.headline
    assert [each.text for each in finding.evidence] == ["40 collisions so far", "12 late collisions so far"]
    assert finding.measured == {
        "duplex": "half",
        "autonegotiated": True,
        "collisions": 40,
        "late_collisions": 12,
    }
    assert "automatic" in finding.fixes[0] and finding.cautions == check_named("duplex").cautions


def test_half_duplex_without_counts_still_fails():
    finding = judge(desk(duplex="half"))
    assert finding.outcome is Outcome.FAIL and finding.evidence == ()


def test_full_duplex_with_old_collisions_passes():
    assert judge(desk(counters=Counters(collisions=3))).outcome is Outcome.PASS


@pytest.mark.parametrize(("automatic", "says"), [(True, "other end"), (False, "by hand"), (None, "one side")])
def test_half_duplex_names_the_side_that_is_set_by_hand(automatic, says):
    assert says in judge(desk(duplex="half", autonegotiated=automatic)).headline
