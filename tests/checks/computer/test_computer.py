"""The computer as a whole: the control network's own adapter, power, load."""

from dataclasses import replace

import pytest

from preflight.checks.computer import computer_load, computer_power, control_network
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Address, Load, Power
from preflight.rig.sheet import Control, Sheet
from preflight.verdict import decide
from tests.checks.computers import CONTROL, desk

OTHER = replace(CONTROL, gateways=())


def judged(*others, **audio):
    return control_network.judge(desk(*others, **audio))


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
    assert finding.outcome is Outcome.UNPROVEN and finding.fixes == (control_network.CHECK.unproven,)


def test_in_the_audio_subnet_it_has_none_of_its_own_and_addressing_explains_it():
    from preflight.checks.computer import addressing

    facts = desk(replace(OTHER, addresses=(Address("192.0.2.77", 24, "static"),)))
    finding = control_network.judge(facts)
    assert finding.outcome is Outcome.CAUTION and finding.culprits == ("audio", "control")
    ranked = decide([finding, addressing.judge(facts)]).findings
    assert [(each.finding.check, each.explained_by) for each in ranked] == [
        ("addressing", ()),
        ("control-network", ("addressing",)),
    ]


def test_the_sheets_control_network_is_known_by_its_subnet_and_router():
    def found(*others, subnet="198.51.100.0/24", router="198.51.100.1"):
        sheet = Sheet("show", control=Control(subnet, router))
        return control_network.judge(replace(desk(*others), sheet=sheet))

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


GOOD = Power(True, None, False, "high performance", 0)


def powered(**changes) -> Facts:
    return Facts(host=replace(desk().host, power=replace(GOOD, **changes)), adapter=None)


@pytest.mark.parametrize(
    ("changes", "outcome", "says"),
    [
        ({}, Outcome.PASS, "mains"),
        ({"on_mains": False, "battery_percent": 74.0}, Outcome.CAUTION, "battery, 74 % left"),
        ({"on_mains": False, "battery_percent": 20.0}, Outcome.FAIL, "battery, 20 % left"),
        ({"on_mains": False}, Outcome.CAUTION, "battery."),
        ({"battery_percent": 5.0}, Outcome.PASS, "mains"),
        ({"saving": True}, Outcome.CAUTION, "high performance"),
        ({"sleeps_after_min": 30}, Outcome.CAUTION, "30 minutes"),
        ({"sleeps_after_min": None}, Outcome.UNPROVEN, "goes to sleep"),
        ({"on_mains": None, "sleeps_after_min": 1}, Outcome.CAUTION, "1 minutes"),
    ],
)
def test_power(changes, outcome, says):
    finding = computer_power.judge(powered(**changes))
    assert (
        finding.outcome is outcome and says in finding.headline and bool(finding.fixes) == (outcome != "pass")
    )


def test_power_fixes_are_those_of_the_trouble():
    fixes = computer_power.judge(powered(sleeps_after_min=30)).fixes
    assert "sleep" in fixes[0] and not any("power supply" in step for step in fixes)


EASY = Load(10.0, 100.0, 1.0, 16 * 10**9, 8 * 10**9, 500 * 10**9, 100 * 10**9)


def loaded(after: dict | None = None, **changes) -> Facts:
    """20 s on two cores later: 8 s busy, 6 s of them by preflight itself; changed by `after`."""
    before = replace(EASY, **changes)
    later = None
    if after is not None:
        times = {} if before.busy_s is None else {"busy_s": 18.0, "total_s": 140.0, "own_s": 7.0}
        later = replace(desk().host, load=replace(before, **{**times, **after}))
    return Facts(host=replace(desk().host, load=before), host_after=later)


@pytest.mark.parametrize(
    ("facts", "outcome", "says"),
    [
        (loaded({}), Outcome.PASS, "processor 5 % busy, 50 % of the memory and 100 GB"),
        (loaded({"busy_s": 50.0}), Outcome.CAUTION, "85 % busy"),
        (loaded({"busy_s": 50.0, "own_s": 31.0}), Outcome.PASS, "25 % busy"),
        (loaded({"memory_free_bytes": 10**9}), Outcome.CAUTION, "6 % of the memory"),
        (loaded({"memory_free_bytes": 10**8}), Outcome.FAIL, "of the memory"),
        (loaded({"disk_free_bytes": 4 * 10**9}), Outcome.CAUTION, "4.0 GB"),
        (loaded({"disk_free_bytes": 0}), Outcome.FAIL, "0.0 GB"),
        (loaded(), Outcome.UNPROVEN, "the processor has"),
        (loaded({"total_s": 100.0}), Outcome.UNPROVEN, "processor"),
        (loaded({}, busy_s=None, memory_bytes=None), Outcome.UNPROVEN, "processor and the memory have"),
        (Facts(host=replace(desk().host, load=Load())), Outcome.UNPROVEN, "disk"),
    ],
)
def test_load(facts, outcome, says):
    finding = computer_load.judge(facts)
    assert (
        finding.outcome is outcome and says in finding.headline and bool(finding.fixes) == (outcome != "pass")
    )
