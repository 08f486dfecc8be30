"""Addresses against the sheet: the right one, another one, somebody else's."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import DESK, LEFT, RIGHT
from tests.tally.captures import mac, studied, told, udp

judge = asked("address-plan")


def found(tmp_path, *frames):
    return judge(replace(studied(tmp_path, *frames), sheet=shows.sheet()))


def sent(hardware: int, address: int):
    """A datagram of one device from an address."""
    frame = udp(address, "224.0.1.129", 320, b"hum")
    return [(0.3, frame[:6] + bytes.fromhex(mac(hardware).replace(":", "")) + frame[12:])]


def test_as_planned(tmp_path):
    finding = found(tmp_path, shows.hello(DESK), shows.hello(LEFT))
    assert finding.outcome == Outcome.PASS and finding.measured["right"] == 2


def test_another_address_fails_and_tells_both(tmp_path):
    finding = found(tmp_path, shows.hello(DESK), sent(LEFT, 99))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (mac(LEFT),))
    assert "192.0.2.99" in told(finding) and "192.0.2.31" in told(finding)


def test_a_second_address_beside_the_right_one_is_none_of_its_business(tmp_path):
    assert found(tmp_path, sent(LEFT, LEFT), sent(LEFT, 99)).outcome == Outcome.PASS


def test_somebody_else_has_it(tmp_path):
    finding = found(tmp_path, sent(RIGHT, LEFT), sent(RIGHT, RIGHT))
    assert finding.outcome == Outcome.FAIL and finding.culprits == (mac(RIGHT),)
    assert "right has the address of left" in finding.headline
    assert finding.measured["wrong"] == 1


def test_nobody_spoke_from_an_address(tmp_path):
    assert found(tmp_path, shows.bpdu()).outcome == Outcome.UNPROVEN
    assert judge(studied(tmp_path, shows.hello(DESK))) is None


def test_of_several_each_is_told(tmp_path):
    finding = found(tmp_path, sent(LEFT, 99), sent(RIGHT, 98), shows.hello(DESK))
    assert set(finding.culprits) == {mac(LEFT), mac(RIGHT)} and finding.measured == {"right": 1, "wrong": 2}
    assert "192.0.2.99" in told(finding) and "192.0.2.98" in told(finding)
    assert finding.evidence[0].frame == 1


def test_one_device_as_planned_beside_silent_ones_passes(tmp_path):
    finding = found(tmp_path, shows.hello(DESK))
    assert finding.headline == "The addresses of 1 device are as on the rig sheet."


def over6(hardware: int, address: str):
    from scapy.layers.inet import UDP
    from scapy.layers.inet6 import IPv6
    from scapy.layers.l2 import Ether

    frame = (
        Ether(src=mac(hardware), dst="33:33:00:00:00:09")
        / IPv6(src=address, dst="ff02::9")
        / UDP(sport=7, dport=7)
    )
    return [(0.4, bytes(frame))]


def test_an_address_of_the_other_version_is_another_matter(tmp_path):
    assert found(tmp_path, shows.hello(DESK), over6(LEFT, "2001:db8::31")).outcome == Outcome.PASS
    assert found(tmp_path, over6(LEFT, "2001:db8::31")).outcome == Outcome.UNPROVEN


@pytest.mark.parametrize(
    ("has", "outcome"),
    [("2001:db8::31", Outcome.PASS), ("2001:db8::99", Outcome.FAIL), ("fe80::99", Outcome.UNPROVEN)],
)
def test_a_planned_address_of_version_6(tmp_path, has, outcome):
    sheet = shows.sheet(
        also=f'[[device]]\nname = "six"\nkind = "box"\nhardware = "{mac(60)}"\naddress = "2001:db8::31"'
    )
    facts = replace(studied(tmp_path, over6(60, has), sent(60, 60)), sheet=sheet)
    assert judge(facts).outcome == outcome


def test_three_of_its_addresses_are_told_and_who_else_has_its_own(tmp_path):
    wrong = [frame for n in (96, 97, 98, 99) for frame in sent(LEFT, n)]
    finding = found(tmp_path, wrong, sent(77, LEFT))
    assert finding.measured == {"right": 0, "wrong": 2}
    assert finding.headline == "left has 192.0.2.96, 192.0.2.97, 192.0.2.98, not 192.0.2.31."
    assert f"{mac(77)}" in told(finding) and "has the address of left, 192.0.2.31." in told(finding)
