"""The control network on an adapter of its own, apart from the audio LAN."""

from dataclasses import replace

import pytest

from preflight.checks import check_named
from preflight.checks.finding import Outcome
from preflight.host.facts import Address
from preflight.rig.sheet import Control, Sheet
from preflight.verdict import decide
from tests.checks.asked import asked
from tests.checks.computers import CONTROL, desk

judge = asked("control-network")


OTHER = replace(CONTROL, gateways=())


def judged(*others, **audio):
    return judge(desk(*others, **audio))


def test_wifi_is_a_control_network_as_well():
    finding = judged(replace(CONTROL, name="wlan0", kind="wifi"))
    assert finding.outcome is Outcome.PASS and "wlan0" in finding.headline


@pytest.mark.parametrize(
    "other",
    [
        replace(CONTROL, carrier=False),
        replace(CONTROL, enabled=False, carrier=None),
        replace(CONTROL, addresses=()),
        replace(CONTROL, addresses=(Address("169.254.9.9", 16, "link-local"),)),
        replace(CONTROL, kind="virtual"),
        replace(CONTROL, kind="vpn"),
    ],
    ids=["no link", "off", "no address", "a second audio adapter", "virtual", "vpn"],
)
def test_what_is_no_control_network_proves_nothing(other):
    finding = judged(other)
    assert finding.outcome is Outcome.UNPROVEN and finding.fixes == (check_named("control-network").unproven,)


def test_in_the_audio_subnet_it_has_none_of_its_own_and_addressing_explains_it():
    facts = desk(replace(OTHER, addresses=(Address("192.0.2.77", 24, "static"),)))
    finding = judge(facts)
    assert finding.outcome is Outcome.CAUTION and finding.culprits == ("audio", "control")
    ranked = decide([finding, asked("addressing")(facts)]).findings
    assert [(each.finding.check, each.explained_by) for each in ranked] == [
        ("addressing", ()),
        ("control-network", ("addressing",)),
    ]


def test_the_sheets_control_network_is_known_by_its_subnet_and_router():
    def found(*others, subnet="198.51.100.0/24", router="198.51.100.1"):
        sheet = Sheet("show", control=Control(subnet, router))
        return judge(replace(desk(*others), sheet=sheet))

    house = replace(CONTROL, name="house", addresses=(Address("203.0.113.5", 24, "dhcp"),), gateways=())
    finding = found(CONTROL, house)
    assert finding.outcome is Outcome.PASS and "control network is on control," in finding.headline
    finding = found(house)
    assert finding.outcome is Outcome.CAUTION and "house is in another one" in finding.headline
    finding = found(CONTROL, router="198.51.100.2")
    assert finding.outcome is Outcome.CAUTION and "router is 198.51.100.2" in finding.headline
    assert found(OTHER).outcome is Outcome.PASS, "no gateway at all is fine"
    finding = found(replace(CONTROL, carrier=False))
    assert finding.outcome is Outcome.UNPROVEN and "198.51.100.0/24" in finding.headline


def test_the_gateway_goes_by_the_audio_adapter_alone():
    assert "gateway" in judged(OTHER, gateways=("192.0.2.1",)).headline
    assert judged(OTHER).outcome is Outcome.PASS, "no gateway at all is fine"


@pytest.mark.parametrize(
    ("other", "audio"),
    [
        (replace(CONTROL, addresses=(Address("198.51.100.7"),)), {}),
        (CONTROL, {"gateways": None}),
        (CONTROL, {"addresses": ()}),
    ],
    ids=["subnet", "gateway", "no address"],
)
def test_an_untold_subnet_or_gateway_proves_nothing(other, audio):
    assert judged(other, **audio).outcome is Outcome.UNPROVEN


def test_in_a_bridge_the_bridge_has_the_address():
    bridge = replace(CONTROL, name="br0", kind="bridge", addresses=desk().host.adapter("audio").addresses)
    assert judged(bridge, addresses=(), master="br0").outcome is Outcome.UNPROVEN
    assert judged(bridge, CONTROL, addresses=(), master="br0").outcome is Outcome.PASS


def test_all_in_another_network_than_the_sheets_are_told():
    one, two = (
        replace(CONTROL, name=n, addresses=(Address(f"203.0.113.{i}", 24),)) for i, n in enumerate("ab", 1)
    )
    sheet = Sheet("show", control=Control("198.51.100.0/24", "198.51.100.1"))
    finding = judge(replace(desk(one, two), sheet=sheet))
    assert finding.outcome is Outcome.CAUTION and "a, b are in another one" in finding.headline


def test_of_two_that_share_the_audio_subnet_the_first_is_named_and_both_are_culprits():
    one, two = (
        replace(OTHER, name=n, addresses=(Address(f"192.0.2.{i}", 24, "static"),))
        for i, n in ((77, "a"), (78, "b"))
    )
    finding = judged(OTHER, one, two)
    assert (
        finding.headline == "a is in the audio adapter's own subnet: the control network has none of its own."
    )
    assert finding.culprits == ("audio", "a", "b")


def test_which_adapters_it_may_be_is_told_with_their_addresses():
    second = replace(OTHER, name="wlan0", kind="wifi", addresses=(Address("203.0.113.5", 24, "dhcp"),))
    finding = judged(OTHER, second)
    assert finding.measured == {"adapters": ["control", "wlan0"], "on_the_sheet": None}
    assert [each.text for each in finding.evidence] == ["control: 198.51.100.7", "wlan0: 203.0.113.5"]
    assert finding.headline == "The other network is on control, wlan0, apart from the audio LAN."
