"""How the audio adapter is connected: USB that is fast enough, or too slow."""

import pytest

from preflight.checks.finding import Outcome
from preflight.host.facts import Usb
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("adapter-bus")


@pytest.mark.parametrize(
    ("speed", "outcome"),
    [
        (12, Outcome.FAIL),
        (480, Outcome.FAIL),
        (999, Outcome.FAIL),
        (1000, Outcome.CAUTION),
        (4999, Outcome.CAUTION),
        (5000, Outcome.PASS),
        (10000, Outcome.PASS),
        (None, Outcome.UNPROVEN),
    ],
)
def test_the_speed_of_usb(speed, outcome):
    finding = judge(desk(bus="usb", usb=Usb(speed, ("a disk",))))
    assert finding.outcome is outcome
    assert ("a disk" in " ".join(e.text for e in finding.evidence)) == (outcome is not Outcome.UNPROVEN)
    assert finding.measured["beside"] == ["a disk"]
    assert bool(finding.cautions) == bool(finding.culprits) == outcome.troubles


@pytest.mark.parametrize(("bus", "outcome"), [("pci", Outcome.PASS), (None, Outcome.UNPROVEN)])
def test_what_is_not_on_usb(bus, outcome):
    assert judge(desk(bus=bus)).outcome is outcome
