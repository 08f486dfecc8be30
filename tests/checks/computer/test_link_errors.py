"""Error counts that rise while listening, and those that stood before."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Counters
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("link-errors")


NONE = Counters(
    rx_frames=1000,
    rx_errors=7,
    tx_errors=0,
    rx_dropped=0,
    rx_missed=0,
    rx_crc_errors=7,
    rx_frame_errors=0,
    late_collisions=0,
    carrier_changes=3,
)


def listened(before: Counters = NONE, **rise: int) -> Facts:
    """A desk whose counts rose by `rise` while 50 000 frames came."""
    later = {name: (getattr(before, name) or 0) + by for name, by in {"rx_frames": 50_000, **rise}.items()}
    first = desk(counters=before)
    return replace(first, host_after=desk(counters=replace(before, **later)).host)


def test_counts_that_stand_still_pass_and_old_ones_are_only_told():
    finding = judge(listened())
    assert finding.outcome is Outcome.PASS and finding.measured["rx_crc_errors"] == 0
    assert [e.text for e in finding.evidence] == [
        "Before listening, since the adapter started: 7 with a wrong check sequence (FCS), "
        "3 link changes (up or down)."
    ]


@pytest.mark.parametrize(
    ("rise", "outcome", "says"),
    [
        ({"rx_crc_errors": 1, "rx_errors": 1}, Outcome.CAUTION, "1 broken frame while"),
        ({"rx_crc_errors": 9, "rx_errors": 9}, Outcome.CAUTION, "9 broken frames"),
        ({"rx_crc_errors": 10, "rx_errors": 10}, Outcome.FAIL, "10 broken frames"),
        ({"rx_errors": 40}, Outcome.FAIL, "40 broken"),
        ({"late_collisions": 11, "tx_errors": 11}, Outcome.FAIL, "11 broken"),
        ({"rx_missed": 4}, Outcome.PASS, "no broken"),
        ({"rx_missed": 5}, Outcome.CAUTION, "5 beside 50 000"),
        ({"rx_missed": 400}, Outcome.CAUTION, "400 beside 50 000"),
        ({"rx_frames": 100, "rx_missed": 1}, Outcome.CAUTION, "1 beside 100"),
        ({"rx_frames": 99}, Outcome.UNPROVEN, "too few"),
        ({"rx_frames": 100}, Outcome.PASS, "no broken"),
        ({"rx_dropped": 400}, Outcome.PASS, "no broken"),
        ({"rx_crc_errors": -5}, Outcome.UNPROVEN, "anew"),
        ({"rx_frames": 3}, Outcome.UNPROVEN, "too few"),
        ({"rx_frames": 3, "rx_errors": 20}, Outcome.FAIL, "20 broken"),
    ],
)
def test_counts_that_rise(rise, outcome, says):
    finding = judge(listened(**rise))
    assert finding.outcome is outcome and says in finding.headline
    assert bool(finding.culprits) == (outcome in (Outcome.FAIL, Outcome.CAUTION))


def test_a_computer_that_drops_frames_gets_no_advice_about_cables():
    assert "cable" not in " ".join(judge(listened(rx_missed=400)).fixes)


@pytest.mark.parametrize(
    "facts",
    [
        desk(counters=NONE),
        replace(desk(counters=NONE), host_after=replace(desk().host, adapters=())),
        listened(Counters(rx_frames=5)),
    ],
    ids=["not listened", "gone", "not told"],
)
def test_without_two_readings_nothing_is_proven(facts):
    finding = judge(facts)
    assert finding.outcome is Outcome.UNPROVEN and finding.fixes


def test_an_adapter_that_is_gone_is_not_one_that_nobody_listened_to():
    gone = judge(replace(desk(counters=NONE), host_after=replace(desk().host, adapters=())))
    assert gone.headline == "audio was gone after listening."
    assert "Nothing was listened to" in judge(desk(counters=NONE)).headline


def test_one_less_is_a_count_that_began_anew():
    assert "anew" in judge(listened(replace(NONE, late_collisions=4), late_collisions=-1)).headline


@pytest.mark.parametrize("told", ["rx_errors", "rx_crc_errors"])
def test_a_count_that_is_not_told_adds_nothing(told):
    few = Counters(rx_frames=0, **{told: 0})
    assert judge(listened(few)).outcome is Outcome.PASS
    assert judge(listened(few, rx_frames=1000, **{told: 1})).headline.startswith(
        "audio counted 1 broken frame "
    )


def test_no_frame_lost_is_none_lost_too_late_however_few_came():
    assert judge(listened(rx_frames=200, rx_missed=0)).outcome is Outcome.PASS


def test_frames_lost_too_late_that_are_not_told_are_none():
    assert judge(listened(Counters(rx_frames=0, rx_errors=0), rx_frames=100)).outcome is Outcome.PASS
