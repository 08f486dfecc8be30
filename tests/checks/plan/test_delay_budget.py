"""The way of each stream against what the show allows: 66.394 µs at worst, from the left box to the desk."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.rig.rigs import FOH, RIG, SNOOPS, STAGE, TRUNK, cable, planned, sheet, stream

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
        "“s” takes 29 µs to desk, at worst 66 µs, cables of unknown length left out, of "
        f"{delay_ms * 1000:g} µs that the show allows."
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


SNOOPING = [FOH + SNOOPS, STAGE + SNOOPS, *RIG[2:]]
MANY = [stream(f"m{n}", "right", "engine", "desk", also=f'group = "233.252.0.{n + 1}"\n') for n in range(9)]
TO_LEFT = stream("to left", "engine", "left", also='group = "233.252.0.100"\n')


def told(rig: list[str], delay_ms: float):
    planned_rig = sheet(*rig, TRUNK, *MANY, TO_LEFT)
    return judge(planned(replace(planned_rig, network=replace(planned_rig.network, delay_ms=delay_ms))))


def test_what_is_too_slow_only_when_flooded_is_said_with_its_if():
    """To the desk at worst 303 µs: at each hop eight other streams and a largest frame go first. 312 µs where
    front of house sends it what the engine sends to the left box, too."""
    near, far = told(SNOOPING, 0.385), told(list(RIG), 0.385)
    assert (near.outcome, far.outcome) == (Outcome.PASS, Outcome.CAUTION)
    assert "at worst 303 µs" in near.headline and "at worst 312 µs" in far.headline
    assert far.headline.startswith("If foh does not snoop, “m0” takes 29 µs to desk")
    assert "igmp_snooping = true" in far.fixes[0]
    assert told(list(RIG), 0.3).outcome == told(SNOOPING, 0.3).outcome == Outcome.FAIL
    both = told(list(RIG), 0.31)  # surely near, and beyond if flooded
    assert both.outcome == Outcome.CAUTION and "at worst 303" in both.headline
    assert any("If foh does not snoop" in each.text for each in both.evidence)
    assert "taken not to snoop" in told(list(RIG), 1.0).headline


def test_at_the_very_limits():
    """Of two milliseconds one is at `near` just reached, and at `share` not yet passed: the sheet's own
    shares meet 66.394 µs."""
    rig = sheet(*RIG, TRUNK, STREAM)

    def graded(delay_ms: float, **limits: float) -> Outcome:
        network = replace(rig.network, delay_ms=delay_ms)
        return judge(planned(replace(rig, network=network, limits={"delay-budget": limits}))).outcome

    [path] = planned(rig).budget.paths
    exactly_ms = path.worst_us / 1000
    assert exactly_ms == pytest.approx(0.066394, abs=1e-6)
    assert graded(exactly_ms, share=1.0, near=1.0) == Outcome.CAUTION
    assert graded(exactly_ms * 0.999, share=1.0, near=1.0) == Outcome.FAIL
    assert graded(exactly_ms * 1.001, share=1.0, near=1.0) == Outcome.PASS


def test_figures_are_told_to_a_tenth_of_a_microsecond():
    measured = found(TRUNK, STREAM).measured
    assert (measured["worst_us"], measured["allowed_us"]) == (66.4, 1000.0)
    assert measured["delay_us"] == pytest.approx(29.4, abs=0.5) and measured[
        "delay_us"
    ] * 10 % 1 == pytest.approx(0)


def test_the_longest_way_gives_the_hops():
    near = stream("near", "engine", "desk")
    assert found(TRUNK, near).measured["hops"] == 2
    assert found(TRUNK, near, STREAM).measured["hops"] == found(TRUNK, STREAM, near).measured["hops"] == 3
