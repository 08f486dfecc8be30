"""The inventory: whom a device of the sheet is known by, what is a switch's, and which streams are due
here."""

from dataclasses import replace

import pytest

from preflight.checks.see.inventory import (
    addresses_of,
    identifiable,
    owners_of,
    planned_streams,
    switch_of,
    take_inventory,
)
from preflight.rig.read import parse
from preflight.rig.sheet import Sheet
from preflight.study import study
from tests.checks.computers import desk
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, LEFT
from tests.tally.captures import arp, mac, studied, udp, write_with_direction
from tests.wire import samples


def called(tmp_path, *frames: bytes, sheet: Sheet):
    facts = studied(tmp_path, [(n / 10, bytes(frame)) for n, frame in enumerate(frames)])
    return take_inventory(facts, sheet)


def present(found) -> dict[str, list[str]]:
    return {name: [talker.hardware for talker in talkers] for name, talkers in found.present.items()}


def rig(*devices: str, also: str = "") -> Sheet:
    lines = [f'[[device]]\nname = "d{n}"\nkind = "box"\n{told}' for n, told in enumerate(devices)]
    return parse("\n".join(["name = 'x'", *lines, also]))


def test_hardware_goes_before_address_and_address_before_maker(tmp_path):
    """Box 5 is of the address that the sheet gives to another."""
    sheet = rig(f'hardware = "{mac(5)}"', 'address = "192.0.2.6"', 'maker = "icann"', 'maker = "icann"')
    found = called(tmp_path, *(arp(n, n) for n in (5, 6, 7)), sheet=sheet)
    assert present(found) == {"d0": [mac(5)], "d1": [mac(6)], "d2": [mac(7)], "d3": []}
    assert found.rest == ()


def test_a_maker_is_asked_for_only_where_nothing_better_is_told(tmp_path):
    for told in (f'hardware = "{mac(9)}"\nmaker = "icann"', 'maker = "another"'):
        found = called(tmp_path, arp(5, 5), sheet=rig(told))
        assert present(found) == {"d0": []} and [each.hardware for each in found.rest] == [mac(5)]
    both = called(tmp_path, arp(5, 5), arp(6, 6), sheet=rig('address = "192.0.2.6"\nmaker = "icann"'))
    assert present(both) == {"d0": [mac(6)]} and [each.hardware for each in both.rest] == [mac(5)]


def test_an_address_of_two_devices_is_of_both(tmp_path):
    other = arp(6, 6)
    other = other[:28] + bytes([192, 0, 2, 5]) + other[32:]
    found = called(tmp_path, arp(5, 5), other, sheet=rig('address = "192.0.2.5"'))
    assert present(found) == {"d0": [mac(5), mac(6)]}


def test_this_computer_is_not_called_unless_the_sheet_has_it(tmp_path):
    path = write_with_direction(tmp_path / "x.pcapng", [(0.0, arp(5, 5), True), (0.1, arp(6, 6), False)])
    facts = study(str(path))
    assert [each.hardware for each in take_inventory(facts, rig()).rest] == [mac(6)]
    assert present(take_inventory(facts, rig(f'hardware = "{mac(5)}"'))) == {"d0": [mac(5)]}


def test_who_sends_from_an_address(tmp_path):
    probe = arp(7, 5)
    probe = probe[:28] + bytes(4) + probe[32:]
    frames = [(0.0, udp(5, "233.252.0.1", 6000, b"x")), (0.1, arp(6, 6)), (0.2, probe)]
    owners = owners_of(studied(tmp_path, frames))
    assert owners == {"192.0.2.5": {mac(5)}, "192.0.2.6": {mac(6)}}
    [box] = [each for each in studied(tmp_path, frames).tally.talkers if each.hardware == mac(6)]
    assert addresses_of(owners, (box,)) == {"192.0.2.6"} and addresses_of(owners, ()) == set()


def switched(tmp_path, hardware: int, sheet: Sheet, **told) -> bool:
    frames = [bytes(samples.lldp(src=mac(hardware), **told))] if told else [arp(hardware, 5)]
    return mac(hardware) in called(tmp_path, *frames, sheet=sheet).switches


BY_NAME = '[[switch]]\nname = "Stage"\nports = 8\n'
STAGE = f'{BY_NAME}hardware = "{mac(0x80)}"\n'


@pytest.mark.parametrize(("above", "mine"), [(0, True), (16, True), (17, False), (-1, False)])
def test_a_switchs_ports_and_eight_to_spare(tmp_path, above, mine):
    assert switched(tmp_path, 0x80 + above, rig(also=STAGE)) is mine
    assert not switched(tmp_path, 0x80 + above, rig(also=BY_NAME))
    facts = studied(tmp_path, [(0.0, arp(0x80 + above, 5))])
    found = switch_of(rig(also=STAGE), facts, mac(0x80 + above))
    assert (found.name if found else None) == ("Stage" if mine else None)


@pytest.mark.parametrize(
    ("sheet", "told", "mine"),
    [
        (BY_NAME, {"name": b"sTAGE"}, True),
        (STAGE, {"name": b"stage"}, True),
        (STAGE, {"name": b"other", "mac_bridge_enabled": 1}, False),
        (BY_NAME, {"name": b"other", "mac_bridge_enabled": 1}, True),  # any one bridge may be it
        (BY_NAME, {"name": b"other"}, False),
        ("", {"name": b"other", "mac_bridge_enabled": 1}, False),
    ],
)
def test_a_switch_by_its_own_word(tmp_path, sheet, told, mine):
    assert switched(tmp_path, 5, rig(also=sheet), **told) is mine


def test_a_port_tells_the_switch_that_it_is_of_by_its_chassis(tmp_path):
    frame = bytes(samples.lldp(src=mac(0x80), name=b"other"))
    frame = frame[:6] + bytes.fromhex("00005e005305") + frame[12:]
    assert mac(5) in called(tmp_path, frame, sheet=rig(also=STAGE)).switches


def test_of_two_switches_one_after_the_other_the_nearest_below(tmp_path):
    next_one = f'[[switch]]\nname = "next"\nports = 8\nhardware = "{mac(0x88)}"\n'
    sheet = rig(also=next_one + STAGE)
    facts = studied(tmp_path, [(0.0, bytes(samples.lldp(src=mac(5), name=b"stage")))])
    assert switch_of(sheet, facts, mac(0x87)).name == "Stage"
    assert switch_of(sheet, facts, mac(0x88)).name == switch_of(sheet, facts, mac(0x8A)).name == "next"
    assert switch_of(sheet, facts, mac(5)).name == "Stage", "by its name"
    assert switch_of(sheet, facts, mac(6)) is None


def due(tmp_path, *frames, sheet: Sheet | None = None, **more) -> dict[str, tuple[int, bool]]:
    facts = replace(studied(tmp_path, *frames), **more)
    return {
        each.stream.name: (len(each.heard), each.due)
        for each in planned_streams(facts, sheet or shows.sheet())
    }


def test_what_else_its_receiver_should_get_is_due(tmp_path):
    both = {"of engine": (1, True), "of left": (0, True)}
    assert due(tmp_path, shows.stream(ENGINE, 0.5)) == both
    assert due(tmp_path, shows.stream(ENGINE, 0.5), vantage="mirror") == {
        "of engine": (1, False),
        "of left": (0, False),
    }, "at a mirror it is nobody's port"
    assert due(tmp_path, shows.hello(DESK), shows.hello(LEFT, 0.9)) == {
        "of engine": (0, False),
        "of left": (0, False),
    }, "nothing tells where this is"


def test_at_this_computer_that_the_sheet_has_its_streams_are_due(tmp_path):
    hellos = shows.hello(LEFT, 0.0), shows.hello(LEFT, 0.9)
    host = desk(hardware_address=mac(DESK).upper()).host
    told = due(tmp_path, *hellos, host=host, adapter="audio")
    assert told == {"of engine": (0, True), "of left": (0, True)}
    other = desk(hardware_address=mac(ENGINE)).host
    told = due(tmp_path, *hellos, host=other, adapter="audio")
    assert told == {"of engine": (0, False), "of left": (0, False)}
    own = write_with_direction(
        tmp_path / "own.pcapng", [(0.0, arp(DESK, 5), True), (0.9, arp(LEFT, 5), False)]
    )
    told = {each.stream.name: each.due for each in planned_streams(study(str(own)), shows.sheet())}
    assert told == {"of engine": True, "of left": True}


@pytest.mark.parametrize(("seconds", "is_due"), [(0.1, True), (0.0999, False)])
def test_after_a_hundred_packets_of_it(tmp_path, seconds, is_due):
    frames = [(at, data) for at, data in shows.stream(ENGINE, 0.09)]
    facts = studied(tmp_path, frames)
    facts = replace(facts, source=replace(facts.source, duration_s=seconds))
    [left] = [each for each in planned_streams(facts, shows.sheet()) if each.stream.name == "of left"]
    assert left.due is is_due


def test_a_stream_without_a_group_is_not_called_and_one_at_another_port_is_another(tmp_path):
    sheet = shows.sheet(
        also='[[stream]]\nname = "loose"\nsender = "desk"\nreceivers = ["left"]\nchannels = 2'
    )
    assert "loose" not in due(tmp_path, shows.stream(ENGINE, 0.5), sheet=sheet)
    elsewhere = tuple(replace(each, udp_port=5006) for each in shows.sheet().stream)
    moved = replace(shows.sheet(), stream=elsewhere)
    assert due(tmp_path, shows.stream(ENGINE, 0.5), sheet=moved)["of engine"] == (0, False)


def test_what_identifies_a_device():
    for told in (f'hardware = "{mac(5)}"', 'address = "192.0.2.5"', 'maker = "icann"'):
        assert identifiable(rig(told).device[0])
    assert not identifiable(rig("").device[0])
