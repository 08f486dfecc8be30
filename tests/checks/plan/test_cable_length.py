"""Cables: each limit from both sides, by medium; what has no length is no proof."""

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.rig.rigs import RIG, TRUNK, cable, planned, sheet

judge = asked("cable-length")


def run(length: float | None, medium: str = "copper") -> str:
    return cable("foh 8", "stage 8", length, f'medium = "{medium}"\n')


@pytest.mark.parametrize(
    ("length", "medium", "outcome", "says"),
    [
        (90, "copper", Outcome.PASS, "The longest cable has 90 m"),
        (90.5, "copper", Outcome.CAUTION, "90.5 m of copper, 100 m is the most, and patch leads count too."),
        (100, "copper", Outcome.CAUTION, "patch leads"),
        (100.5, "copper", Outcome.FAIL, "foh 8 to stage 8: 100.5 m of copper, 100 m is the most."),
        (550, "fibre", Outcome.PASS, "The longest cable has 550 m"),
        (550.5, "fibre", Outcome.CAUTION, "550.5 m of fibre, 550 m is the most."),
    ],
)
def test_against_the_channel(length, medium, outcome, says):
    """90 m and 10 m of patch leads: ISO/IEC 11801, TIA-568. 550 m: 1000BASE-SX, IEEE 802.3 clause 38."""
    finding = judge(planned(sheet(*RIG, run(length, medium))))
    assert finding.outcome == outcome and says in finding.headline
    assert bool(finding.cautions) == bool(finding.fixes) == (outcome != Outcome.PASS)


def test_the_worst_leads_and_all_are_counted():
    finding = judge(
        planned(sheet(*RIG, run(95), cable("foh 7", "stage 7", 120), cable("foh 6", "stage 6", 30)))
    )
    assert finding.outcome == Outcome.FAIL and "120 m" in finding.headline
    assert "95 m" in finding.evidence[0].text
    assert finding.measured == {"too_long": 1, "doubtful": 1, "unknown": 4}


def test_unknown_lengths_prove_nothing_and_are_left_out():
    assert judge(planned(sheet(*RIG, run(None)))).outcome == Outcome.UNPROVEN
    assert "4 of unknown length are left out" in judge(planned(sheet(*RIG, TRUNK))).headline
    assert judge(Facts(sheet=sheet(*RIG))) is None
