"""Missing: silence alone is no proof; a stream that is due, a usual pace that stopped, or questions in vain are."""

from dataclasses import replace

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
    """The other stream goes to the right box too: this may be its port, where the left one's stream never comes."""
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
