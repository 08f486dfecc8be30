"""The addressing check: subnets that overlap, gateways, leases, and what is not told."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.host.facts import Adapter, Address
from preflight.rig.sheet import Control, Device, Dhcp, Sheet
from tests.checks.asked import asked
from tests.checks.computers import AUDIO, CONTROL, desk

judge = asked("addressing")

FIXED = (Address("192.0.2.10", 24, "static"),)


def control(*addresses: Address, **more) -> Adapter:
    return replace(CONTROL, addresses=addresses, **more)


@pytest.mark.parametrize(
    "addresses",
    [
        FIXED,
        (Address("169.254.9.9", 16, "link-local"),),
        (*FIXED, Address("169.254.9.9", 16, "link-local")),
        (*FIXED, Address("2001:db8::10", 64)),
    ],
)
def test_fixed_or_link_local_with_the_gateway_elsewhere_passes(addresses):
    assert judge(desk(addresses=addresses)).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("own", "theirs"),
    [
        (FIXED, Address("192.0.2.99", 24, "dhcp")),
        (FIXED, Address("192.0.2.3", 25, "static")),
        (FIXED, Address("192.0.2.200", 16, "static")),
        ((Address("169.254.9.9", 16, "link-local"),), Address("169.254.1.1", 16, "link-local")),
        ((*FIXED, Address("2001:db8::10", 64)), Address("2001:db8::11", 64)),
    ],
)
def test_two_adapters_in_one_subnet_fail(own, theirs):
    finding = judge(desk(control(theirs), addresses=own))
    assert finding.outcome is Outcome.FAIL
    assert "one subnet" in finding.headline and theirs.text in finding.headline
    unplugged = judge(desk(control(theirs, carrier=False), addresses=own))
    assert unplugged.outcome is Outcome.PASS, "an adapter without a link is in nobody's way"
    assert "control is set to the same subnet, and has no link" in unplugged.evidence[-1].text


@pytest.mark.parametrize(
    ("own", "theirs", "part", "by"),
    [
        (Address("192.0.2.10", 24, "static"), Address("192.0.0.1", 16, "static"), "192.0.2.0/24", "audio"),
        (Address("192.0.7.10", 16, "static"), Address("192.0.2.1", 24, "static"), "192.0.2.0/24", "control"),
    ],
)
def test_subnets_that_overlap_elsewhere_are_a_caution_that_says_where(own, theirs, part, by):
    finding = judge(desk(control(theirs), addresses=(own,)))
    assert finding.outcome is Outcome.CAUTION
    assert finding.headline.endswith(f"overlap: what is for {part} goes out by {by} alone.")


def test_the_same_address_twice_is_said_so():
    finding = judge(desk(control(*FIXED)))
    assert finding.outcome is Outcome.FAIL and "the same address 192.0.2.10" in finding.headline


@pytest.mark.parametrize(
    "other",
    [
        control(Address("192.0.3.10", 24, "static")),
        control(Address("192.0.2.10", 24, "static"), enabled=False),
        replace(AUDIO, name="lo2", kind="loopback"),
        control(Address("fe80::99", 64, "link-local")),
    ],
)
def test_no_shared_subnet(other):
    assert judge(desk(other)).outcome is Outcome.PASS


def test_a_gateway_by_the_audio_adapter_alone_is_a_caution():
    finding = judge(desk(control(Address("198.51.100.7", 24, "dhcp"), gateways=()), gateways=("192.0.2.1",)))
    assert finding.outcome is Outcome.CAUTION and "192.0.2.1" in finding.headline
    assert "gateway" in finding.fixes[0]


def test_two_gateways_fail():
    finding = judge(desk(gateways=("192.0.2.1",)))
    assert finding.outcome is Outcome.FAIL and "another by control" in finding.headline


def test_gateways_of_both_versions_are_named():
    finding = judge(desk(CONTROL, gateways=("192.0.2.1", "2001:db8::1")))
    assert "default gateways 192.0.2.1, 2001:db8::1 go by" in finding.headline


def test_the_subnets_are_shown():
    shown = [each.text for each in judge(desk()).evidence]
    assert shown == ["audio: 192.0.2.10/24, set by hand", "audio: fe80::10/64, link-local"]


def test_a_lease_is_a_caution():
    finding = judge(desk(addresses=(Address("192.0.2.10", 24, "dhcp"),)))
    assert finding.outcome is Outcome.CAUTION and "DHCP" in finding.headline and "by hand" in finding.fixes[0]


@pytest.mark.parametrize("addresses", [(), (Address("fe80::10", 64, "link-local"),)])
def test_no_address_is_a_caution(addresses):
    assert judge(desk(addresses=addresses)).outcome is Outcome.CAUTION


def test_no_address_without_a_link_is_unproven():
    assert judge(desk(addresses=(), carrier=False)).outcome is Outcome.UNPROVEN


def test_the_worst_leads_and_all_are_told_with_their_fixes():
    leased = (Address("192.0.2.10", 24, "dhcp"),)
    finding = judge(desk(control(Address("192.0.2.11", 24)), addresses=leased, gateways=("192.0.2.1",)))
    assert finding.outcome is Outcome.FAIL
    told = " ".join(each.text for each in finding.evidence)
    assert "DHCP" in told and ("one subnet" in told or "one subnet" in finding.headline)
    assert len(finding.fixes) >= 4 and len(set(finding.fixes)) == len(finding.fixes)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (desk(addresses=(Address("192.0.2.10", 24),)), "set by hand or from a DHCP server"),
        (desk(gateways=None), "default gateway"),
        (desk(addresses=(Address("192.0.2.10", None, "static"),)), "subnet audio is in"),
        (desk(control(Address("198.51.100.7", None))), "subnet control is in"),
        (desk(master="br7", addresses=()), "part of br7"),
    ],
)
def test_what_is_not_told_is_unproven(facts, words):
    finding = judge(facts)
    assert finding.outcome is Outcome.UNPROVEN and words in finding.headline


def test_the_address_of_a_bond_is_that_of_its_members():
    bond = replace(AUDIO, name="bond0", kind="bond", addresses=(Address("192.0.2.10", 24, "dhcp"),))
    finding = judge(desk(bond, master="bond0", addresses=()))
    assert finding.outcome is Outcome.CAUTION and "bond0" in finding.headline


def test_an_address_that_is_none_does_not_break_it():
    assert judge(desk(addresses=(Address("nonsense", 24), Address("192.0.2.10", 99, "static")))).outcome in (
        Outcome.UNPROVEN,
        Outcome.CAUTION,
    )


HARDWARE = "00:00:5e:00:53:0a"


def by_sheet(dhcp: tuple[str, ...] = (), **audio):
    mine = Device("desk", "desk", HARDWARE, address="192.0.2.10")
    control = Control("198.51.100.0/24", "198.51.100.1")
    sheet = Sheet("show", device=(mine,), control=control, dhcp=Dhcp(dhcp))
    return judge(replace(desk(hardware_address=HARDWARE, **audio), sheet=sheet))


def test_the_audio_adapter_in_the_control_network_of_the_sheet():
    assert by_sheet().outcome is Outcome.PASS
    swapped = by_sheet(addresses=(Address("198.51.100.9", 24, "static"),))
    assert swapped.outcome is Outcome.FAIL and "control network (198.51.100.0/24)" in swapped.headline
    assert "swapped" in swapped.fixes[0] and set(swapped.culprits) == {"audio", HARDWARE}
    gateway = by_sheet(gateways=("198.51.100.1",))
    assert gateway.outcome is Outcome.FAIL and "router 198.51.100.1" in gateway.headline


def test_this_computers_planned_address():
    finding = by_sheet(addresses=(Address("192.0.2.77", 24, "static"),))
    assert finding.outcome is Outcome.FAIL
    assert finding.headline == "audio has 192.0.2.77; the rig sheet gives desk 192.0.2.10."
    two = (Address("192.0.2.77", 24, "static"), Address("192.0.2.10", 24, "static"))
    assert by_sheet(addresses=two).outcome is Outcome.PASS


def test_a_lease_where_the_sheet_allows_a_server():
    leased = (Address("192.0.2.10", 24, "dhcp"),)
    assert by_sheet(addresses=leased).outcome is Outcome.CAUTION
    assert by_sheet(addresses=leased, dhcp=("192.0.2.1",)).outcome is Outcome.PASS


def test_one_gateway_is_told_as_one():
    assert "The default gateway 192.0.2.1 goes by" in judge(desk(gateways=("192.0.2.1",))).headline


@pytest.mark.parametrize(
    ("addresses", "headline"),
    [((), "audio has no address."), ((Address("fe80::10", 64),), "audio has no IPv4 address.")],
)
def test_which_address_is_missing(addresses, headline):
    assert judge(desk(addresses=addresses)).headline == headline


@pytest.mark.parametrize("name", ["aux", "zone"])
def test_a_subnet_is_shared_whatever_the_names_the_kind_and_the_order_of_the_addresses(name):
    six, four = Address("2001:db8:1::1", 64), Address("192.0.2.99", 24, "static")
    for theirs in ((six, four), (four, six)):
        for own in ((*FIXED, Address("2001:db8::10", 64)), (Address("2001:db8::10", 64), *FIXED)):
            for kind in ("ethernet", "wifi"):
                finding = judge(desk(replace(CONTROL, name=name, kind=kind, addresses=theirs), addresses=own))
                assert finding.outcome is Outcome.FAIL and f"and {name} (192.0.2.99/24)" in finding.headline


def test_the_planned_address_is_that_of_the_device_with_this_hardware_address():
    devices = [
        Device(name, "desk", hardware, address=address)
        for name, hardware, address in (
            ("first", "00:00:5e:00:53:01", "192.0.2.1"),
            ("desk", HARDWARE, "192.0.2.10"),
            ("last", "00:00:5e:00:53:ff", "192.0.2.255"),
        )
    ]
    for order in (devices, devices[::-1]):
        facts = replace(desk(hardware_address=HARDWARE.upper()), sheet=Sheet("show", device=tuple(order)))
        assert judge(facts).outcome is Outcome.PASS
