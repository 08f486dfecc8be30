"""Strangers: everybody on the sheet is none, nor is a switch's port or this computer; who is not on it is."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.rig.read import parse
from preflight.study import study
from tests.checks.asked import asked
from tests.rig import shows
from tests.tally.captures import arp, mac, studied, told, write_with_direction
from tests.wire import samples

judge = asked("strangers")

GUEST = 66


def heard(tmp_path, *frames, sheet=None) -> Facts:
    return replace(studied(tmp_path, *frames), sheet=sheet or shows.sheet())


def everyone():
    return [frame for number in shows.NAMES for frame in shows.hello(number)]


def test_all_on_the_sheet_and_a_port_of_its_switch(tmp_path):
    assert judge(heard(tmp_path, everyone(), shows.bpdu())).outcome == Outcome.PASS


def test_a_guest_is_named_with_address_and_frame(tmp_path):
    finding = judge(heard(tmp_path, everyone(), shows.hello(GUEST, 0.7)))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (mac(GUEST),))
    assert "192.0.2.66" in told(finding) and finding.evidence[0].time_s == pytest.approx(0.2)
    assert finding.evidence[0].frame == len(shows.NAMES) + 1 and finding.cautions


def test_of_several_strangers_each_is_told(tmp_path):
    finding = judge(heard(tmp_path, everyone(), *(shows.hello(n) for n in (66, 67, 68))))
    assert set(finding.culprits) == {mac(66), mac(67), mac(68)} and finding.headline.startswith("3 senders")


def test_a_stranger_may_be_the_device_whose_address_the_sheet_leaves_open(tmp_path):
    sheet = shows.sheet(also='[[device]]\nname = "drums"\nkind = "box"')
    finding = judge(heard(tmp_path, everyone(), shows.hello(33), sheet=sheet))
    assert finding.outcome == Outcome.CAUTION and "drums" in finding.headline
    assert judge(heard(tmp_path, shows.hello(33), shows.hello(34), sheet=sheet)).outcome == Outcome.FAIL


def test_a_device_known_by_address_or_maker_alone_is_no_stranger(tmp_path):
    by_address = shows.sheet(also='[[device]]\nname = "drums"\nkind = "box"\naddress = "192.0.2.33"')
    assert judge(heard(tmp_path, shows.hello(33), sheet=by_address)).outcome == Outcome.PASS
    by_maker = shows.sheet(also='[[device]]\nname = "drums"\nkind = "box"\nmaker = "icann"')
    assert judge(heard(tmp_path, shows.hello(33), sheet=by_maker)).outcome == Outcome.PASS
    # One device of that maker is on the sheet; the second is a stranger.
    assert judge(heard(tmp_path, shows.hello(33), shows.hello(34), sheet=by_maker)).outcome == Outcome.FAIL


def test_this_computer_is_no_stranger(tmp_path):
    path = write_with_direction(
        tmp_path / "own.pcapng", [(0.1, arp(GUEST, 10), True), (0.2, arp(10, 10), False)]
    )
    assert judge(replace(study(str(path)), sheet=shows.sheet())).outcome == Outcome.PASS


def test_without_a_sheet_or_with_an_empty_one_it_says_nothing(tmp_path):
    facts = studied(tmp_path, shows.hello(GUEST))
    assert judge(facts) is None
    assert judge(replace(facts, sheet=parse("name = 'x'"))) is None
    assert judge(Facts(sheet=shows.sheet())) is None
    assert judge(Facts(sheet=shows.sheet(), wire_refused="no privilege")).outcome == Outcome.UNPROVEN


def test_an_allowed_dhcp_server_is_no_stray():
    from tests.checks.wire.test_stray_dhcp import heard as heard_dhcp

    offer = heard_dhcp(("dhcp4", 0.5, samples.offer()))
    for allowed in (samples.SERVER, samples.SERVER_IP):
        finding = asked("stray-dhcp")(
            replace(offer, sheet=shows.sheet(also=f'[dhcp]\nallowed = ["{allowed}"]'))
        )
        assert finding.outcome == Outcome.PASS and finding.evidence
    other = replace(offer, sheet=shows.sheet(also='[dhcp]\nallowed = ["192.0.2.250"]'))
    assert asked("stray-dhcp")(other).outcome == Outcome.FAIL


def test_a_switchs_ports_have_addresses_just_above_its_own(tmp_path):
    """The switch has 8 ports, and 8 addresses to spare."""
    assert judge(heard(tmp_path, shows.hello(shows.SWITCH + 16))).outcome == Outcome.PASS
    for stranger in (shows.SWITCH + 17, shows.SWITCH - 1):
        assert judge(heard(tmp_path, shows.hello(stranger))).outcome == Outcome.FAIL


def test_of_many_strangers_some_are_shown_and_more_are_named(tmp_path):
    finding = judge(heard(tmp_path, everyone(), *(shows.hello(n) for n in range(100, 205))))
    assert finding.headline == "105 senders are not on the rig sheet."
    assert finding.measured == {"strangers": 105, "senders": 105 + len(shows.NAMES)}
    assert len(finding.evidence) == 8 and len(finding.culprits) == 100
    assert finding.evidence[0].text.endswith("; sends ARP")


def test_four_are_asked_for_of_those_whose_address_the_sheet_leaves_open(tmp_path):
    also = "".join(f'[[device]]\nname = "d{n}"\nkind = "box"\n' for n in range(5))
    finding = judge(heard(tmp_path, shows.hello(33), sheet=shows.sheet(also=also, switch="")))
    assert finding.headline.endswith("hardware address of d0, d1, d2, d3: is it that?")
    open_switch = judge(heard(tmp_path, shows.hello(33), sheet=shows.sheet(switch="")))
    assert open_switch.outcome == Outcome.CAUTION and "hardware address of stage:" in open_switch.headline


@pytest.mark.parametrize("guest", [5, 66])
def test_what_a_stranger_sends_is_its_own(tmp_path, guest):
    """Whether its address is below or above those of the others."""
    finding = judge(heard(tmp_path, everyone(), shows.stream(shows.LEFT, 0.2), shows.hello(guest)))
    assert finding.evidence[0].text.endswith("; sends ARP") and finding.culprits == (mac(guest),)
