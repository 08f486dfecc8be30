"""How the audio adapter is connected and set: its bus, its sleep, its flow control, its errors."""

from dataclasses import replace

import pytest

from preflight.checks.computer import (
    adapter_bus,
    adapter_kind,
    adapter_sleep,
    duplex,
    flow_control,
    link_errors,
)
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Counters, Usb
from tests.checks.computers import desk


@pytest.mark.parametrize(
    ("speed", "outcome"),
    [
        (12, Outcome.FAIL),
        (480, Outcome.FAIL),
        (5000, Outcome.PASS),
        (10000, Outcome.PASS),
        (None, Outcome.UNPROVEN),
    ],
)
def test_the_speed_of_usb(speed, outcome):
    finding = adapter_bus.judge(desk(bus="usb", usb=Usb(speed, ("a disk",))))
    assert finding.outcome is outcome
    assert ("a disk" in " ".join(e.text for e in finding.evidence)) == (outcome is not Outcome.UNPROVEN)
    assert bool(finding.cautions) == bool(finding.culprits) == (outcome is Outcome.FAIL)


@pytest.mark.parametrize(
    ("settings", "outcome", "says"),
    [
        ({"eee": "active"}, Outcome.CAUTION, "in use"),
        ({"eee": "possible"}, Outcome.CAUTION, "if the switch"),
        ({"may_sleep": True}, Outcome.CAUTION, "itself to sleep"),
        ({"may_sleep": True, "eee": None}, Outcome.CAUTION, "itself to sleep"),
        ({"eee": "unused"}, Outcome.PASS, "Nothing"),
        ({"eee": None}, Outcome.UNPROVEN, "energy-efficient"),
        ({"may_sleep": None}, Outcome.UNPROVEN, "to sleep"),
    ],
)
def test_sleep(settings, outcome, says):
    finding = adapter_sleep.judge(desk(**settings))
    assert finding.outcome is outcome and says in finding.headline


def test_sleep_of_link_and_adapter_are_both_told_with_their_own_fixes():
    finding = adapter_sleep.judge(desk(eee="active", may_sleep=True))
    assert len(finding.evidence) == 1 and finding.fixes == adapter_sleep.CHECK.fixes
    alone = adapter_sleep.judge(desk(may_sleep=True))
    assert not any("switch" in step for step in alone.fixes)


@pytest.mark.parametrize(
    ("pause", "outcome"),
    [
        ("off", Outcome.PASS),
        ("unused", Outcome.PASS),
        ("possible", Outcome.CAUTION),
        ("active", Outcome.CAUTION),
        (None, Outcome.UNPROVEN),
    ],
)
def test_flow_control(pause, outcome):
    assert flow_control.judge(desk(pause=pause)).outcome is outcome


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
    finding = link_errors.judge(listened())
    assert finding.outcome is Outcome.PASS and finding.measured["rx_crc_errors"] == 0
    assert [e.text for e in finding.evidence] == [
        "Before listening, since the adapter started: 7 with a wrong check sequence (FCS), "
        "3 link changes (up or down)."
    ]


@pytest.mark.parametrize(
    ("rise", "outcome", "says"),
    [
        ({"rx_crc_errors": 1, "rx_errors": 1}, Outcome.CAUTION, "1 broken frame while"),
        ({"rx_crc_errors": 12, "rx_errors": 12}, Outcome.FAIL, "12 broken frames"),
        ({"rx_errors": 40}, Outcome.FAIL, "40 broken"),
        ({"late_collisions": 11, "tx_errors": 11}, Outcome.FAIL, "11 broken"),
        ({"rx_missed": 4}, Outcome.PASS, "no broken"),
        ({"rx_missed": 400}, Outcome.CAUTION, "400 beside 50 000"),
        ({"rx_dropped": 400}, Outcome.PASS, "no broken"),
        ({"rx_crc_errors": -5}, Outcome.UNPROVEN, "anew"),
        ({"rx_frames": 3}, Outcome.UNPROVEN, "too few"),
        ({"rx_frames": 3, "rx_errors": 20}, Outcome.FAIL, "20 broken"),
    ],
)
def test_counts_that_rise(rise, outcome, says):
    finding = link_errors.judge(listened(**rise))
    assert finding.outcome is outcome and says in finding.headline
    assert bool(finding.culprits) == (outcome in (Outcome.FAIL, Outcome.CAUTION))


def test_a_computer_that_drops_frames_gets_no_advice_about_cables():
    assert "cable" not in " ".join(link_errors.judge(listened(rx_missed=400)).fixes)


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
    finding = link_errors.judge(facts)
    assert finding.outcome is Outcome.UNPROVEN and finding.fixes


@pytest.mark.parametrize(("automatic", "says"), [(True, "other end"), (False, "by hand"), (None, "one side")])
def test_half_duplex_names_the_side_that_is_set_by_hand(automatic, says):
    assert says in duplex.judge(desk(duplex="half", autonegotiated=automatic)).headline


def test_an_address_that_was_changed_is_told():
    own = {"hardware_address": "02:00:5e:00:53:01", "permanent_address": "00:00:5e:00:53:99"}
    assert "made with 00:00:5e:00:53:99" in adapter_kind.judge(desk(**own)).evidence[1].text
    own["permanent_address"] = own["hardware_address"]
    assert len(adapter_kind.judge(desk(**own)).evidence) == 1
