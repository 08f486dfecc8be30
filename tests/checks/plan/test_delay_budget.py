"""The way of each stream against what the show allows: 66.394 µs at worst, from the left box to the desk."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.rig.rigs import RIG, TRUNK, cable, planned, sheet, stream

judge = asked("delay-budget")
STREAM = stream("s", "left", "desk")


def found(*parts: str, delay_ms: float = 1.0):
    rig = sheet(*RIG, *parts)
    return judge(planned(replace(rig, network=replace(rig.network, delay_ms=delay_ms))))


@pytest.mark.parametrize(
    ("delay_ms", "outcome"),
    [
        (0.0663, Outcome.FAIL),
        (0.0665, Outcome.CAUTION),
        (0.0829, Outcome.CAUTION),
        (0.0831, Outcome.PASS),
        (1.0, Outcome.PASS),
    ],
)
def test_all_of_it_fails_and_four_fifths_caution(delay_ms, outcome):
    finding = found(TRUNK, STREAM, delay_ms=delay_ms)
    assert finding.outcome == outcome
    assert finding.headline == (
        f"“s” takes 29 µs to desk, at worst 66 µs, cables of unknown length left out, of {delay_ms * 1000:g} µs that the "
        "show allows."
    )


def test_the_slowest_leads_and_the_way_of_each_is_told():
    finding = found(TRUNK, stream("near", "engine", "desk"), STREAM, delay_ms=0.03)
    assert finding.headline.startswith("“s” takes") and len(finding.evidence) == 2
    assert finding.evidence[0].text.endswith("by left > stage > foh > desk")
    assert finding.measured["hops"] == 3 and finding.measured["allowed_us"] == 30 and finding.fixes


def test_known_lengths_are_not_excused():
    ways = (cable("left", "stage 1", 3), cable("desk", "foh 1", 3))
    assert "unknown" not in found(TRUNK, *ways, STREAM).headline


def test_no_way_proves_nothing():
    finding = found(STREAM)
    assert finding.outcome == Outcome.UNPROVEN and finding.fixes == (
        "Write streams, ports and cables on the sheet.",
    )
