"""The control network on the audio LAN: its subnet and its router; a desk's other address is no joined
network."""

from dataclasses import replace

import pytest

from preflight.checks import judge_all
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.study import study
from preflight.verdict import decide
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE_B, LEFT, SPARE
from tests.tally.captures import arp, mac, studied, told, write_with_direction

judge = asked("control-plan")

GUEST = 66  # 192.0.2.66, which lies in the subnet below; nobody of the show does
CONTROL = '[control]\nsubnet = "192.0.2.64/28"'


def heard(tmp_path, *frames, control: str = CONTROL) -> Facts:
    return replace(studied(tmp_path, *frames), sheet=shows.sheet(also=control))


def test_nobody_of_it_speaks(tmp_path):
    assert judge(heard(tmp_path, shows.hello(DESK))).outcome == Outcome.PASS
    assert judge(heard(tmp_path, shows.bpdu())).outcome == Outcome.UNPROVEN, "nobody told an address"


@pytest.mark.parametrize(
    "control", [CONTROL, '[control]\nrouter = "192.0.2.66"', f'[control]\nrouter = "{mac(GUEST)}"']
)
def test_its_subnet_or_its_router_speaks(tmp_path, control):
    facts = heard(tmp_path, shows.hello(DESK), shows.hello(GUEST), control=control)
    finding = judge(facts)
    assert finding.outcome == Outcome.FAIL and finding.culprits == (mac(GUEST),) and finding.cautions
    assert mac(GUEST) in finding.headline and finding.evidence[0].frame == 2
    explained = {r.finding.check: r.explained_by for r in decide(judge_all(facts)).findings}
    assert explained["strangers"] == ("control-plan",)


def test_another_stranger_beside_it_is_not_explained_by_it(tmp_path):
    facts = heard(tmp_path, shows.hello(DESK), shows.hello(GUEST), shows.hello(90))
    explained = {r.finding.check: r.explained_by for r in decide(judge_all(facts)).findings}
    assert explained["strangers"] == ()


def arp_from(sender: int, address: int) -> bytes:
    frame = arp(sender, address)
    return frame[:28] + bytes([192, 0, 2, address]) + frame[32:]


def test_a_box_with_such_an_address_fails_and_a_desk_with_two_adapters_is_cautioned(tmp_path):
    box = judge(heard(tmp_path, [(0.1, arp_from(LEFT, 70))]))
    assert box.outcome == Outcome.FAIL and "left" in told(box) and "192.0.2.70" in told(box)
    desk = judge(heard(tmp_path, [(0.1, arp_from(DESK, 70))]))
    assert desk.outcome == Outcome.CAUTION and "Swapped" in " ".join(desk.fixes)
    both = judge(heard(tmp_path, [(0.1, arp_from(DESK, 70)), (0.2, arp_from(LEFT, 71))]))
    assert both.outcome == Outcome.FAIL and both.culprits == (mac(LEFT),)


def test_this_computers_other_address(tmp_path):
    path = write_with_direction(tmp_path / "own.pcapng", [(0.1, arp(GUEST, 10), True)])
    facts = replace(study(str(path)), sheet=shows.sheet(also=CONTROL))
    assert judge(facts).outcome == Outcome.CAUTION


def test_a_sheet_that_names_no_control_network_asks_nothing(tmp_path):
    assert judge(heard(tmp_path, shows.hello(GUEST), control="")) is None
    assert judge(Facts(sheet=shows.sheet(also=CONTROL))) is None
    assert judge(Facts(sheet=shows.sheet(also=CONTROL), wire_refused="no")).outcome == Outcome.UNPROVEN


def test_the_edge_of_its_subnet(tmp_path):
    """192.0.2.64/28 ends with .79."""
    outcomes = [judge(heard(tmp_path, shows.hello(number))).outcome for number in (63, 64, 79, 80)]
    assert outcomes == [Outcome.PASS, Outcome.FAIL, Outcome.FAIL, Outcome.PASS]


def test_a_stranger_leads_before_a_device_of_the_sheet_and_a_desk_stands_last(tmp_path):
    frames = [(0.1, arp_from(DESK, 70)), (0.2, arp_from(LEFT, 71))], shows.hello(GUEST)
    finding = judge(heard(tmp_path, *frames))
    assert mac(GUEST) in finding.headline and finding.culprits == (mac(GUEST), mac(LEFT))
    told_below = [each.text.split(" ")[0] for each in finding.evidence if "control network's" in each.text]
    assert told_below == ["left", "desk"]
    assert finding.measured["of_the_control_network"] == 3


def test_the_spare_desk_has_two_adapters_too(tmp_path):
    assert judge(heard(tmp_path, [(0.1, arp_from(SPARE, 70))])).outcome == Outcome.CAUTION
    assert judge(heard(tmp_path, [(0.1, arp_from(ENGINE_B, 70))])).outcome == Outcome.FAIL
