"""The MTU check: smaller than the standard fails, larger cautions."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("mtu")


@pytest.mark.parametrize(
    ("mtu", "outcome", "word"),
    [
        (1400, Outcome.FAIL, "smaller"),
        (1499, Outcome.FAIL, "smaller"),
        (1500, Outcome.PASS, "up to"),
        (1501, Outcome.CAUTION, "larger"),
        (9000, Outcome.CAUTION, "larger"),
    ],
)
def test_other_than_standard(mtu, outcome, word):
    finding = judge(desk(mtu=mtu))
    assert finding.outcome is outcome and word in finding.headline and str(mtu) in finding.headline
    assert finding.limits == {"mtu_bytes": 1500} and (finding.fixes or outcome is Outcome.PASS)


def test_the_mtu_is_judged_without_a_link():
    assert judge(desk(mtu=1400, carrier=False)).outcome is Outcome.FAIL


def test_an_mtu_that_the_system_does_not_tell_proves_nothing():
    finding = judge(desk(mtu=None))
    assert finding.outcome is Outcome.UNPROVEN and finding.measured == {"mtu_bytes": None}
    assert judge(desk(mtu=1400)).culprits == judge(desk(mtu=9000)).culprits == ("audio",)
