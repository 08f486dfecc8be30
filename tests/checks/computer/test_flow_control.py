"""Flow control that is in use, possible, off or not told."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("flow-control")


@pytest.mark.parametrize(
    ("pause", "outcome"),
    [
        ("off", Outcome.PASS),
        ("unused", Outcome.PASS),
        ("possible", Outcome.CAUTION),
        ("active", Outcome.CAUTION),
        (None, Outcome.UNPROVEN),
    ],
)
def test_flow_control(pause, outcome):
    finding = judge(desk(pause=pause))
    assert finding.outcome is outcome
    assert bool(finding.evidence) == (pause == "unused")
    assert finding.measured == {"flow_control": pause}
    assert finding.culprits == (("audio",) if outcome is Outcome.CAUTION else ())
