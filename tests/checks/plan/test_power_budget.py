"""Power over Ethernet: the class of each port, the watts of each switch, and the free ports."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from tests.checks.asked import asked
from tests.rig.rigs import FOH, RIG, STAGE, device, planned, sheet

judge = asked("power-budget")


def fed(poe_class: int, switch: str, limits: dict[str, float] | None = None) -> Finding:
    """Two devices of one class at the stage."""
    lamps = [
        device(name, f"stage {port}", also=f"poe_class = {poe_class}\n")
        for name, port in (("lamp", 5), ("bulb", 6))
    ]
    rig = sheet(FOH, STAGE + switch, *RIG[2:], *lamps)
    return judge(planned(replace(rig, limits={"power-budget": limits or {}})))


@pytest.mark.parametrize(
    ("poe_class", "watts"),
    [(0, 15.4), (1, 4), (2, 7), (3, 15.4), (4, 30), (5, 45), (6, 60), (7, 75), (8, 90)],
)
def test_the_watts_of_each_class(poe_class, watts):
    """IEEE 802.3 clause 33 (af: 0 to 3, at: 4) and clause 145 (bt)."""
    enough = fed(poe_class, f"poe_class = 8\npoe_budget_w = {2 * watts}\n")
    assert enough.outcome == Outcome.CAUTION and enough.measured["watts"] == {"stage": 2 * watts}
    few = fed(poe_class, f"poe_class = 8\npoe_budget_w = {2 * watts - 0.1}\n")
    assert few.outcome == Outcome.FAIL and f"has to feed {2 * watts:g} W" in few.headline


@pytest.mark.parametrize(
    ("budget_w", "outcome"),
    [
        (59, Outcome.FAIL),
        (60, Outcome.CAUTION),
        (66, Outcome.CAUTION),
        (66.66, Outcome.CAUTION),
        (66.67, Outcome.PASS),
        (67, Outcome.PASS),
    ],
)
def test_from_nine_tenths_on_it_cautions(budget_w, outcome):
    finding = fed(4, f"poe_class = 4\npoe_budget_w = {budget_w}\n")
    assert finding.outcome == outcome and bool(finding.fixes) == (outcome != Outcome.PASS)


def test_a_class_that_the_sheet_sets_counts_in_the_figures_too():
    finding = fed(4, "poe_class = 4\npoe_budget_w = 67\n", {"class 4": 34})
    assert finding.outcome == Outcome.FAIL and finding.measured["watts"] == {"stage": 68}


@pytest.mark.parametrize(
    ("needs", "ports", "suffices"),
    [(5, 4, False), (4, 4, True), (0, 3, True), (0, 2, False), (3, 2, False), (3, 0, True), (4, 0, False)],
)
def test_the_class_of_the_ports(needs, ports, suffices):
    """Class 0 did not say what it needs, and may take as much as class 3."""
    finding = fed(needs, f"poe_class = {ports}\npoe_budget_w = 500\n")
    assert (finding.outcome == Outcome.PASS) is suffices
    assert (f"stage does not feed class {needs}, which lamp needs." == finding.headline) is not suffices


def test_a_switch_that_tells_nothing():
    assert "does not feed" in fed(1, "").headline
    finding = fed(1, "poe_class = 3\n")
    assert finding.outcome == Outcome.UNPROVEN and "8 W are needed" in finding.headline and finding.fixes


def test_ports_too_few():
    small = STAGE.replace("8", "2")
    finding = judge(planned(sheet(FOH, small, *RIG[2:])))
    assert finding.outcome == Outcome.PASS and finding.headline.startswith("Nothing needs power")
    assert "stage: 0" in finding.headline
    # A hand-made sheet may have more cables than ports.
    over = planned(sheet(*RIG))
    over = replace(over, budget=replace(over.budget, free_ports={"stage": -1}))
    assert judge(over).headline == "stage has 1 port too few." and judge(over).outcome == Outcome.FAIL


def test_nine_tenths_to_the_watt_are_no_caution():
    """60 W of 80 W, where the sheet sets three quarters: not more than the share."""
    at = fed(4, "poe_class = 4\npoe_budget_w = 80\n", {"caution_share": 0.75})
    above = fed(4, "poe_class = 4\npoe_budget_w = 79.9\n", {"caution_share": 0.75})
    assert (at.outcome, above.outcome) == (Outcome.PASS, Outcome.CAUTION)


def test_what_is_fed_and_what_is_free_is_told():
    finding = fed(4, "poe_class = 4\npoe_budget_w = 100\n")
    assert finding.headline == "There is enough power over Ethernet. Free ports: foh: 6, stage: 4."
    assert finding.measured["fed_devices"] == 2 and finding.measured["free_ports"] == {"foh": 6, "stage": 4}


def test_a_port_is_too_few_only_where_none_is_left():
    rig = planned(sheet(*RIG))
    for free, outcome in ((0, Outcome.PASS), (-2, Outcome.FAIL)):
        finding = judge(replace(rig, budget=replace(rig.budget, free_ports={"stage": free})))
        assert finding.outcome == outcome
        assert (finding.headline == "stage has 2 ports too few.") is (free < 0)
