"""What a check is handed: the view where its part is there, a reason where it was asked for and is not, else
nothing."""

from dataclasses import replace

import pytest

from preflight.checks.asks import (
    Audio,
    Captures,
    Computer,
    Link,
    Missing,
    Networks,
    Places,
    Plan,
    PlannedWire,
    View,
    Wire,
)
from preflight.facts import Facts
from tests.checks.between.cases import PAIR, TOLD
from tests.checks.computers import AUDIO, desk
from tests.rig import shows
from tests.rig.rigs import RIG, planned, sheet
from tests.tally.captures import arp, studied


def test_nothing_was_asked_for():
    assert isinstance(View.of(Facts()), View)
    for view in (Wire, PlannedWire, Computer, Audio, Link, Plan, Captures, Places, Networks):
        assert view.of(Facts()) is None


def test_frames(tmp_path):
    heard = studied(tmp_path, [(0.0, arp(5, 6))])
    wire = Wire.of(heard)
    assert isinstance(wire, Wire) and (wire.tally, wire.source) == (heard.tally, heard.source)
    assert PlannedWire.of(heard) is None
    told = PlannedWire.of(replace(heard, sheet=shows.sheet()))
    assert isinstance(told, PlannedWire) and told.sheet == shows.sheet()
    assert Wire.of(Facts(wire_refused="no privilege")) == Missing("Not heard: no privilege")
    silent = replace(heard, source=replace(heard.source, frames=0))
    assert Wire.of(silent) == Missing("Not heard: no frame came by.")
    assert isinstance(Wire.of(replace(heard, source=replace(heard.source, frames=1))), Wire)


def test_this_computer_and_its_audio_adapter():
    assert isinstance(Computer.of(desk(adapter=None)), Computer)
    assert Audio.of(desk(adapter=None)) == Missing("It is not known which adapter is on the audio LAN.")
    assert Audio.of(desk(adapter="gone")) == Missing("This computer no longer lists an adapter gone.")
    found = Audio.of(desk())
    assert isinstance(found, Audio) and found.audio == AUDIO and found.host == desk().host


@pytest.mark.parametrize(
    ("audio", "says"),
    [
        ({"enabled": False, "carrier": None}, "audio is turned off: there is no link to judge."),
        ({"enabled": False, "carrier": False}, "audio is turned off: there is no link to judge."),
        ({"enabled": True, "carrier": False}, "The link of audio is down: there is nothing to judge."),
        ({"enabled": None, "carrier": False}, "The link of audio is down: there is nothing to judge."),
        ({"enabled": None, "carrier": None}, None),
        ({}, None),
    ],
)
def test_a_link_is_judged_unless_it_is_known_to_be_down(audio, says):
    found = Link.of(desk(**audio))
    assert (found.headline if isinstance(found, Missing) else None) == says
    assert isinstance(found, Link) is (says is None)
    if isinstance(found, Missing):
        assert found.fixes[0].startswith("Mend the link first")
    assert isinstance(Audio.of(desk(**audio)), Audio)


def test_a_plan():
    assert isinstance(Plan.of(planned(sheet(*RIG))), Plan)
    assert Plan.of(Facts(sheet=sheet(*RIG))) is None


@pytest.mark.parametrize(
    ("told", "view"), [(TOLD, Places), (replace(TOLD, clocks=None), None), (PAIR, Networks)]
)
def test_two_captures_are_of_two_places_or_of_two_networks(told, view):
    facts = Facts(between=told)
    assert isinstance(Captures.of(facts), Captures)
    assert isinstance(Places.of(facts), Places) is (view is Places)
    assert isinstance(Networks.of(facts), Networks) is (view is Networks)
