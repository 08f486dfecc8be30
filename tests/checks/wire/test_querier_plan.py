"""The planned querier: by its hardware address or one of its ports'; another one of the sheet, a stranger,
nobody."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import ENGINE, SWITCH
from tests.tally.captures import mac, studied
from tests.wire.groups import query

judge = asked("querier-plan")

PLANNED = f'hardware = "{mac(SWITCH)}"\nquerier = true'
SECOND = f'[[switch]]\nname = "roof"\nports = 4\nhardware = "{mac(0xC0)}"'
GUEST = 66


def found(tmp_path, *frames, switch: str = PLANNED, also: str = "") -> Finding | None:
    return judge(replace(studied(tmp_path, *frames), sheet=shows.sheet(switch=switch, also=also)))


@pytest.mark.parametrize("sender", [SWITCH, SWITCH + 5])
def test_the_planned_switch_or_a_port_of_it_asks(tmp_path, sender):
    assert found(tmp_path, [(1.0, query(sender))]).outcome == Outcome.PASS


@pytest.mark.parametrize(
    ("sender", "outcome", "says"),
    [
        (0xC1, Outcome.CAUTION, "roof asks for group members, not stage."),
        (ENGINE, Outcome.CAUTION, "engine asks"),
        (GUEST, Outcome.FAIL, "It is not on the rig sheet."),
    ],
)
def test_another_one_asks(tmp_path, sender, outcome, says):
    finding = found(tmp_path, [(1.0, query(SWITCH)), (2.0, query(sender))], also=SECOND)
    assert finding.outcome == outcome and says in finding.headline
    assert finding.culprits == (mac(sender),) and finding.evidence[0].frame == 2 and finding.cautions


def test_silence_and_questions_for_one_group_prove_nothing(tmp_path):
    assert found(tmp_path, shows.hello(ENGINE)).outcome == Outcome.UNPROVEN
    assert found(tmp_path, [(1.0, query(GUEST, group="233.252.0.1"))]).outcome == Outcome.UNPROVEN


def test_a_sheet_that_names_no_querier_asks_nothing(tmp_path):
    assert found(tmp_path, [(1.0, query(GUEST))], switch="") is None
    assert judge(Facts(sheet=shows.sheet(switch=PLANNED))) is None
    refused = Facts(sheet=shows.sheet(switch=PLANNED), wire_refused="no")
    assert judge(refused).outcome == Outcome.UNPROVEN


def test_a_switch_whose_address_the_sheet_leaves_open(tmp_path):
    finding = found(tmp_path, [(1.0, query(SWITCH))], switch="querier = true")
    assert finding.outcome == Outcome.UNPROVEN and "hardware address of stage" in finding.fixes[0]


def test_a_stranger_is_no_device_of_the_sheet_whose_address_is_near(tmp_path):
    for guest in (1, 0x7F):
        assert "It is not on the rig sheet." in found(tmp_path, [(1.0, query(guest))]).headline
