"""Missing: silence alone is no proof; a stream that is due, a usual pace that stopped, or questions in vain
are."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, ENGINE_B, LEFT, NAMES, RIGHT
from tests.tally.captures import arp, every, studied, told

judge = asked("missing")


def heard(tmp_path, *frames, sheet=None) -> Facts:
    return replace(studied(tmp_path, *frames), sheet=sheet or shows.sheet())


def hellos(*but: int):
    return [frame for number in NAMES if number not in but for frame in shows.hello(number)]


def test_all_there(tmp_path):
    assert judge(heard(tmp_path, hellos())).outcome == Outcome.PASS


def test_silence_is_no_proof(tmp_path):
    finding = judge(heard(tmp_path, hellos(RIGHT), shows.hum(DESK, 90)))
    assert finding.outcome == Outcome.UNPROVEN and "right" in finding.headline and finding.fixes


def test_a_box_whose_stream_is_due_here(tmp_path):
    finding = judge(heard(tmp_path, hellos(LEFT), shows.stream(ENGINE, 0.5)))
    assert finding.outcome == Outcome.FAIL and finding.headline == "left is missing."
    assert "of left" in told(finding) and finding.cautions


def test_at_another_port_its_stream_is_not_due(tmp_path):
    """The other stream goes to the right box too: this may be its port, where the left one's stream never
    comes."""
    sheet = shows.sheet()
    streams = tuple(
        replace(s, receivers=("desk", "right")) if s.sender == "engine" else s for s in sheet.stream
    )
    sheet = replace(sheet, stream=streams)
    assert (
        judge(heard(tmp_path, hellos(LEFT), shows.stream(ENGINE, 0.5), sheet=sheet)).outcome
        == Outcome.UNPROVEN
    )


def test_a_spare_that_spoke_every_second_and_is_silent(tmp_path):
    sheet = shows.sheet(speaks={ENGINE: 2.0, ENGINE_B: 2.0})
    finding = judge(heard(tmp_path, hellos(ENGINE_B), shows.hum(ENGINE, 8), sheet=sheet))
    assert (
        finding.outcome == Outcome.FAIL and "engine b (the spare for engine) is missing" in finding.headline
    )
    # Not for long enough; at a port where the others are not heard either.
    short = heard(tmp_path, hellos(ENGINE_B), shows.hum(ENGINE, 5), sheet=sheet)
    assert judge(short).outcome == Outcome.UNPROVEN
    nobody = heard(tmp_path, hellos(ENGINE_B, ENGINE), shows.hum(DESK, 20), sheet=sheet)
    assert judge(nobody).outcome == Outcome.UNPROVEN


def test_somebody_asks_for_it_in_vain(tmp_path):
    asks = every(1.0, arp(DESK, RIGHT), 0, 4)
    finding = judge(heard(tmp_path, hellos(RIGHT), asks))
    assert finding.outcome == Outcome.FAIL and "192.0.2.32" in told(finding) and finding.evidence[0].frame
    assert finding.evidence[0].time_s == 3.0
    assert judge(heard(tmp_path, hellos(RIGHT), asks[:2])).outcome == Outcome.UNPROVEN
    assert judge(heard(tmp_path, hellos(), asks)).outcome == Outcome.PASS


def test_a_device_that_nothing_identifies(tmp_path):
    sheet = shows.sheet(also='[[device]]\nname = "drums"\nkind = "box"')
    finding = judge(heard(tmp_path, hellos(), sheet=sheet))
    assert (
        finding.outcome == Outcome.UNPROVEN and "drums" in finding.headline and "hardware" in finding.headline
    )


def test_without_a_sheet_or_a_wire(tmp_path):
    assert judge(studied(tmp_path, hellos())) is None
    assert judge(Facts(sheet=shows.sheet())) is None
    assert judge(Facts(sheet=shows.sheet(), wire_refused="no")).outcome == Outcome.UNPROVEN


@pytest.mark.parametrize(("asks", "every_s", "outcome"), [(2, 2.0, Outcome.UNPROVEN), (3, 1.0, Outcome.FAIL), (3, 0.99, Outcome.UNPROVEN), (9, 0.1, Outcome.UNPROVEN)])  # fmt: skip
def test_three_questions_in_two_seconds(tmp_path, asks, every_s, outcome):
    asked_for = every(every_s, arp(DESK, RIGHT), 0, every_s * asks)
    assert judge(heard(tmp_path, hellos(RIGHT), asked_for)).outcome == outcome


def test_a_probe_wants_no_answer(tmp_path):
    probe = arp(DESK, RIGHT)
    probe = probe[:28] + bytes(4) + probe[32:]
    assert judge(heard(tmp_path, hellos(RIGHT), every(1.0, probe, 0, 4))).outcome == Outcome.UNPROVEN


@pytest.mark.parametrize(("seconds", "outcome"), [(6.01, Outcome.FAIL), (5.9, Outcome.UNPROVEN)])
def test_three_of_its_usual_silences(tmp_path, seconds, outcome):
    sheet = shows.sheet(speaks={ENGINE: 2.0, ENGINE_B: 2.0})
    until = [(0.0, shows.hello(DESK)[0][1]), (seconds, shows.hello(DESK)[0][1])]
    assert judge(heard(tmp_path, hellos(ENGINE_B), until, sheet=sheet)).outcome == outcome


@pytest.mark.parametrize(
    ("gone", "outcome"),
    [((ENGINE_B, LEFT), Outcome.FAIL), ((ENGINE_B, LEFT, RIGHT), Outcome.UNPROVEN)],
)
def test_half_of_the_others_have_to_keep_to_what_was_learned(tmp_path, gone, outcome):
    """Of the two others that were learned both, one or none spoke: the others that are silent prove nothing
    of this place."""
    sheet = shows.sheet(speaks={ENGINE_B: 1.0, LEFT: 100.0, RIGHT: 100.0})
    finding = judge(heard(tmp_path, hellos(*gone), shows.hum(DESK, 9), sheet=sheet))
    assert finding.outcome == outcome


def test_who_is_missing_leads_and_who_is_silent_stands_below(tmp_path):
    finding = judge(heard(tmp_path, hellos(LEFT, RIGHT), shows.stream(ENGINE, 0.5)))
    assert finding.headline == "left is missing." and finding.measured["not_heard"] == ["right"]
    assert finding.evidence[-1].text == "right was not heard, which may have reasons."


def test_a_stream_is_due_once_a_hundred_packets_could_have_come(tmp_path):
    for seconds, outcome in ((0.0995, Outcome.UNPROVEN), (0.1015, Outcome.FAIL)):
        there = [(0.0, data) for _, data in hellos(LEFT)]
        assert judge(heard(tmp_path, there, shows.stream(ENGINE, seconds))).outcome == outcome
