"""Streams against the sheet: format, sender, what is due and does not come, what nobody planned."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, ENGINE_B, LEFT
from tests.tally.captures import every, mac, rtp, studied, told

judge = asked("stream-plan")


def found(tmp_path, *frames, sheet=None):
    return judge(replace(studied(tmp_path, *frames), sheet=sheet or shows.sheet()))


def test_as_planned(tmp_path):
    finding = found(tmp_path, shows.stream(LEFT, 0.5), shows.stream(ENGINE, 0.5))
    assert finding.outcome == Outcome.PASS and finding.measured["heard"] == 2


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({"packet_ms": 0.5, "samples": 48, "channels": 8}, "96 kHz, not 48 kHz"),
        ({"packet_ms": 0.25, "samples": 12, "channels": 8}, "0.25 ms a packet, not 1 ms"),
        ({"packet_ms": 1.0, "samples": 48, "channels": 6}, "6 channels of 24 bit"),
    ],
)
def test_another_format_fails(tmp_path, how, says):
    finding = found(tmp_path, shows.stream(LEFT, 0.6, **how), shows.stream(ENGINE, 0.6))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (mac(LEFT),))
    assert says in finding.headline and "“of left”" in finding.headline


def test_one_that_is_due_and_does_not_come(tmp_path):
    finding = found(tmp_path, shows.stream(ENGINE, 0.5))
    assert (
        finding.outcome == Outcome.FAIL and "of left" in finding.headline and finding.culprits == (mac(LEFT),)
    )


def test_none_came(tmp_path):
    assert found(tmp_path, shows.hello(DESK)).outcome == Outcome.UNPROVEN


def test_from_another_sender(tmp_path):
    other = every(0.001, lambda n: rtp(77, shows.STREAMS[ENGINE], n), 0, 0.5)
    finding = found(tmp_path, shows.stream(LEFT, 0.5), other)
    assert finding.outcome == Outcome.FAIL and "not from engine" in finding.headline
    spare = every(0.001, lambda n: rtp(ENGINE_B, shows.STREAMS[ENGINE], n), 0, 0.5)
    assert found(tmp_path, shows.stream(LEFT, 0.5), spare).outcome == Outcome.PASS  # the spare took over


def test_one_that_nobody_planned_is_a_caution(tmp_path):
    extra = every(0.001, lambda n: rtp(77, "233.252.0.9", n), 0, 0.5)
    finding = found(tmp_path, shows.stream(LEFT, 0.5), shows.stream(ENGINE, 0.5), extra)
    assert finding.outcome == Outcome.CAUTION and "233.252.0.9" in told(finding)


def test_without_planned_streams_it_says_nothing(tmp_path):
    bare = replace(shows.sheet(), stream=())
    assert found(tmp_path, shows.stream(LEFT, 0.2), sheet=bare) is None
    assert judge(studied(tmp_path, shows.stream(LEFT, 0.2))) is None


def test_a_sender_that_stumbles_at_first_has_no_other_rate(tmp_path):
    """Its first 100 packets take 1.5 ms each, as 32 kHz would; then it catches up."""
    late = [(at * 1.5 if at < 0.1 else max(at, 0.15), data) for at, data in shows.stream(LEFT, 3.0)]
    facts = studied(tmp_path, late, shows.stream(ENGINE, 3.0))
    assert [each.clock_hz for each in facts.tally.streams] == [48_000, 48_000]  # by the whole run
    assert judge(replace(facts, sheet=shows.sheet())).outcome == Outcome.PASS


@pytest.mark.parametrize("limits", [{}, {"packet_time_off": 0.74}, {"packet_time_off": 0.76}])
def test_the_packet_time_may_be_off_by_its_limit(tmp_path, limits):
    """A quarter of the planned time: 75 % off. What is let pass as its time is told by what its packet
    holds."""
    sheet = replace(shows.sheet(), limits={"stream-plan": limits})
    frames = shows.stream(LEFT, 0.6, packet_ms=0.25, samples=12), shows.stream(ENGINE, 0.6)
    finding = found(tmp_path, *frames, sheet=sheet)
    assert finding.outcome == Outcome.FAIL
    assert ("ms a packet" in finding.headline) is (limits.get("packet_time_off") != 0.76)


@pytest.mark.parametrize(("rate_off", "outcome"), [(0.99, Outcome.FAIL), (1.01, Outcome.PASS)])
def test_the_sample_rate_may_be_off_by_its_limit(tmp_path, rate_off, outcome):
    """Twice the planned rate: 48 samples each half millisecond."""
    sheet = replace(shows.sheet(), limits={"stream-plan": {"rate_off": rate_off}})
    frames = shows.stream(LEFT, 0.6, packet_ms=0.5), shows.stream(ENGINE, 0.6)
    assert found(tmp_path, *frames, sheet=sheet).outcome == outcome


def test_what_is_wrong_leads_and_what_nobody_planned_stands_below(tmp_path):
    extra = every(0.001, lambda n: rtp(77, "233.252.0.9", n), 0, 0.5)
    finding = found(tmp_path, shows.stream(LEFT, 0.5, channels=6), shows.stream(ENGINE, 0.5), extra)
    assert finding.culprits == (mac(LEFT),) and "of left" in finding.headline
    assert "233.252.0.9" in told(finding) and finding.evidence[0].frame == 1
    assert (finding.measured["wrong"], finding.measured["not_planned"]) == (1, 1)


def test_what_is_wrong_where_nothing_planned_came_is_not_unproven(tmp_path):
    """One that nobody planned comes, and none that somebody did."""
    extra = every(0.001, lambda n: rtp(77, "233.252.0.9", n), 0, 0.5)
    finding = found(tmp_path, extra)
    assert finding.outcome == Outcome.CAUTION and finding.measured == {
        "planned": 2, "heard": 0, "wrong": 0, "not_planned": 1,
    }  # fmt: skip
    assert not any("No stream of the rig sheet" in each.text for each in finding.evidence)
    one = found(tmp_path, shows.stream(LEFT, 0.5, channels=6))
    assert not any("No stream of the rig sheet" in each.text for each in one.evidence)


def test_how_many_came(tmp_path):
    finding = found(tmp_path, shows.stream(LEFT, 0.5), shows.stream(ENGINE, 0.5))
    assert finding.headline == "2 of 2 planned streams came by, as planned."
