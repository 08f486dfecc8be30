"""What may put the link, or the adapter itself, to sleep."""

import pytest

from preflight.checks import check_named
from preflight.checks.finding import Outcome
from preflight.checks.step import fitting
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("adapter-sleep")


@pytest.mark.parametrize(
    ("settings", "outcome", "says"),
    [
        ({"eee": "active"}, Outcome.CAUTION, "in use"),
        ({"eee": "possible"}, Outcome.CAUTION, "if the switch"),
        ({"may_sleep": True}, Outcome.CAUTION, "itself to sleep"),
        ({"may_sleep": True, "eee": None}, Outcome.CAUTION, "itself to sleep"),
        ({"eee": "unused"}, Outcome.PASS, "Nothing"),
        ({"eee": None}, Outcome.UNPROVEN, "energy-efficient"),
        ({"may_sleep": None}, Outcome.UNPROVEN, "to sleep"),
    ],
)
def test_sleep(settings, outcome, says):
    finding = judge(desk(**settings))
    assert finding.outcome is outcome and says in finding.headline
    unused = [e for e in finding.evidence if "not in use on this link" in e.text]
    assert bool(unused) == (settings.get("eee") == "unused")


def test_sleep_of_link_and_adapter_are_both_told_with_their_own_fixes():
    finding = judge(desk(eee="active", may_sleep=True))
    assert finding.measured == {"eee": "active", "may_sleep": True} and finding.culprits == ("audio",)
    assert len(finding.evidence) == 1 and finding.fixes == fitting(check_named("adapter-sleep").steps, None)
    alone = judge(desk(may_sleep=True))
    assert not any("switch" in step for step in alone.fixes)
