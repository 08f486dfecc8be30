"""The leader of the clock against the sheet."""

from dataclasses import replace

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.checks.ptp import announce
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, ENGINE_B
from tests.tally.captures import every, mac, studied

judge = asked("clock-plan")

PLAN = shows.sheet(also='[clock]\nmaster = "engine"\ndomain = 0')


def found(tmp_path, *frames, sheet=PLAN):
    return judge(replace(studied(tmp_path, *frames), sheet=sheet))


def led(clock: int, start: float = 0.0, end: float = 5.0, **how):
    return every(1.0, announce(clock, **how), start, end)


def test_the_planned_one_leads(tmp_path):
    assert found(tmp_path, led(ENGINE)).outcome == Outcome.PASS
    # A switch that is a boundary clock passes the engine's time on.
    passed_on = led(0xE0, grandmaster=ENGINE, steps=1)
    assert found(tmp_path, passed_on).outcome == Outcome.PASS


def test_another_device_of_the_sheet_leads(tmp_path):
    finding = found(tmp_path, led(ENGINE_B))
    assert finding.outcome == Outcome.CAUTION and finding.headline == "engine b leads the clock, not engine."
    assert found(tmp_path, led(ENGINE, 0, 3), led(ENGINE_B, 3, 6)).outcome == Outcome.CAUTION


def test_a_stranger_leads(tmp_path):
    finding = found(tmp_path, led(77))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (mac(77),)) and finding.cautions
    assert finding.evidence[0].text.endswith("announces domain 0, grandmaster 00005efffe00534d")


def test_another_domain_is_another_matter(tmp_path):
    assert found(tmp_path, led(77, domain=9)).outcome == Outcome.UNPROVEN


def test_nothing_to_judge(tmp_path):
    assert found(tmp_path, shows.hello(DESK)).outcome == Outcome.UNPROVEN
    assert found(tmp_path, led(ENGINE), sheet=shows.sheet()) is None


def test_frames_cut_before_the_grandmaster_prove_nothing(tmp_path):
    for clock in (ENGINE, 77):
        facts = studied(tmp_path, led(clock), snap=60)
        assert judge(replace(facts, sheet=PLAN)).outcome == Outcome.UNPROVEN


def test_a_plan_whose_leader_has_no_hardware_address_asks_for_it(tmp_path):
    devices = tuple(replace(each, hardware=None) if each.name == "engine" else each for each in PLAN.device)
    finding = found(tmp_path, led(ENGINE), sheet=replace(PLAN, device=devices))
    assert finding.outcome == Outcome.UNPROVEN and finding.fixes == (
        "Write the hardware address of engine on the sheet.",
    )


def test_who_announced_last_leads(tmp_path):
    assert found(tmp_path, led(ENGINE_B, 0, 3), led(ENGINE, 3, 6)).outcome == Outcome.PASS


def test_a_clock_that_passes_anothers_time_on_is_not_the_leader_itself(tmp_path):
    """The engine speaks, and it is a stranger's time: the stranger leads, by way of it."""
    finding = found(tmp_path, led(ENGINE, grandmaster=77, steps=1))
    assert finding.outcome == Outcome.FAIL and finding.culprits == (mac(ENGINE),)
    assert "It is not on the rig sheet." in finding.headline and finding.evidence[0].frame == 1
