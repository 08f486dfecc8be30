"""The shared connection check: bridges, bonds, forwarding."""

from dataclasses import replace

import pytest

from preflight.checks import check_named
from preflight.checks.finding import Outcome
from preflight.host.facts import Adapter, Address
from tests.checks.asked import asked
from tests.checks.computers import AUDIO, CONTROL, desk

judge = asked("shared-connection")

BRIDGE = Adapter("br0", "bridge", "a bridge, made by software", True, True, forwarding=False)


def test_a_bridge_with_another_adapter_in_it_fails():
    finding = judge(desk(BRIDGE, replace(CONTROL, master="br0"), master="br0"))
    assert finding.outcome is Outcome.FAIL and finding.cautions == check_named("shared-connection").cautions
    assert finding.headline == "The bridge br0 joins audio to control."


def test_the_bridge_itself_as_audio_adapter():
    ports = [replace(CONTROL, name=name, master="audio", addresses=(), gateways=()) for name in ("p1", "p2")]
    two, one = judge(desk(*ports, kind="bridge")), judge(desk(ports[0], kind="bridge"))
    assert two.outcome is Outcome.FAIL and two.headline == "The bridge audio joins p1, p2."
    assert one.outcome is Outcome.CAUTION and one.headline.startswith("audio is a bridge,")


def test_a_bridge_with_nothing_else_in_it_is_a_caution():
    finding = judge(desk(BRIDGE, CONTROL, master="br0"))
    assert finding.outcome is Outcome.CAUTION and finding.headline.startswith("audio is in the bridge br0,")


def test_another_bridge_is_not_ours():
    others = [replace(CONTROL, name=name, master="br0") for name in ("p1", "p2")]
    assert judge(desk(BRIDGE, *others)).outcome is Outcome.PASS


def test_a_bond_is_a_caution_and_an_unknown_master_unproven():
    bond = replace(BRIDGE, name="bond0", kind="bond")
    finding = judge(desk(bond, replace(CONTROL, master="bond0"), master="bond0"))
    assert finding.outcome is Outcome.CAUTION and "control" in finding.headline
    assert judge(desk(master="team9")).outcome is Outcome.UNPROVEN


def test_forwarding_with_another_adapter_in_use_fails():
    forwarding = replace(CONTROL, forwarding=True)
    for facts in (
        desk(forwarding, ip_forwarding=True),
        desk(replace(forwarding, carrier=None), ip_forwarding=True),
    ):
        finding = judge(facts)
        assert finding.outcome is Outcome.FAIL and "control" in finding.headline


def test_forwarding_even_where_the_audio_adapter_is_only_in_a_quiet_bridge():
    finding = judge(desk(BRIDGE, replace(CONTROL, forwarding=True), ip_forwarding=True, master="br0"))
    assert finding.outcome is Outcome.FAIL and "forwarding" in finding.headline


@pytest.mark.parametrize(
    "other",
    [
        replace(CONTROL, carrier=False, forwarding=True),
        replace(CONTROL, enabled=False, forwarding=True),
        replace(CONTROL, addresses=(Address("fe80::7", 64, "link-local"),), forwarding=True),
    ],
)
def test_forwarding_with_nothing_to_forward_to_is_a_caution(other):
    facts = desk(other)
    on = replace(
        facts.host,
        ip_forwarding=True,
        adapters=tuple(replace(each, forwarding=True) for each in facts.host.adapters),
    )
    assert judge(replace(facts, host=on)).outcome is Outcome.CAUTION


def test_forwarding_for_adapters_that_are_not_in_use_joins_nothing():
    containers = replace(BRIDGE, name="containers0", carrier=False, forwarding=True)
    assert judge(desk(containers, CONTROL, ip_forwarding=True)).outcome is Outcome.PASS


def test_what_is_not_told_is_unproven_and_the_systems_word_counts_where_adapters_have_none():
    silent = replace(CONTROL, forwarding=None)
    facts = desk(silent, ip_forwarding=None)
    untold = replace(
        facts.host, adapters=tuple(replace(each, forwarding=None) for each in facts.host.adapters)
    )
    for told, outcome in ((None, Outcome.UNPROVEN), (False, Outcome.PASS), (True, Outcome.FAIL)):
        assert judge(replace(facts, host=replace(untold, ip_forwarding=told))).outcome is outcome


def test_the_audio_adapters_own_bridge_is_no_other_network():
    holder = replace(BRIDGE, addresses=AUDIO.addresses, forwarding=True)
    finding = judge(desk(holder, ip_forwarding=True, master="br0", addresses=()))
    assert finding.outcome is Outcome.CAUTION


@pytest.mark.parametrize("addresses", [(), (Address("169.254.9.9", 16, "link-local"),)])
def test_an_audio_adapter_without_an_address_that_can_be_forwarded(addresses):
    finding = judge(desk(replace(CONTROL, forwarding=True), ip_forwarding=True, addresses=addresses))
    assert finding.outcome is Outcome.CAUTION


def test_connection_sharing_joins_networks_whatever_forwarding_says():
    facts = desk()
    sharing = judge(replace(facts, host=replace(facts.host, sharing=True)))
    assert sharing.outcome is Outcome.FAIL and "Connection sharing is on" in sharing.headline
    assert "control" in sharing.headline


def test_the_cables_of_a_bond_are_followed_and_it_is_taken_out():
    bond = replace(BRIDGE, name="bond0", kind="bond")
    fixes = judge(desk(bond, CONTROL, master="bond0")).fixes
    assert "Follow each cable" in fixes[0] and fixes[1] == check_named("shared-connection").fixes[1]


def test_a_bridge_that_is_the_audio_adapter_and_has_no_port_yet_is_a_caution():
    assert judge(desk(kind="bridge")).outcome is Outcome.CAUTION


@pytest.mark.parametrize("name", ["a-bridge", "z-bridge"])
def test_the_names_of_bridge_and_port_decide_nothing(name):
    for port in ("aa", "zz"):
        finding = judge(
            desk(replace(BRIDGE, name=name), replace(CONTROL, name=port, master=name), master=name)
        )
        assert finding.headline == f"The bridge {name} joins audio to {port}."
    alone = judge(desk(replace(BRIDGE, name=name), CONTROL, master=name))
    assert alone.headline.startswith(f"audio is in the bridge {name},")


@pytest.mark.parametrize("kind", ["virtual", "ethernet", None])
def test_what_a_group_of_an_unknown_kind_joins_is_unproven(kind):
    facts = desk(replace(BRIDGE, name="team0", kind=kind), CONTROL, master="team0")
    assert judge(facts).outcome is Outcome.UNPROVEN


@pytest.mark.parametrize(("name", "kind"), [("aux", "ethernet"), ("wlan0", "wifi"), ("br9", "bridge")])
def test_every_other_adapter_in_use_is_joined_by_forwarding(name, kind):
    inside = replace(CONTROL, name="port", master=name, addresses=(), forwarding=False)
    finding = judge(desk(replace(CONTROL, name=name, kind=kind, forwarding=True), inside, ip_forwarding=True))
    assert finding.outcome is Outcome.FAIL and f"joins audio to {name}" in finding.headline


@pytest.mark.parametrize("kind", ["virtual", "bridge"])
def test_forwarding_that_programs_leave_on_is_a_caution_and_says_so(kind):
    made = replace(CONTROL, name="vm0", kind=kind, forwarding=True)
    for others in (
        (made,),
        (made, replace(CONTROL, forwarding=True)),
        (replace(made, carrier=False), CONTROL),
    ):
        finding = judge(desk(*others, ip_forwarding=True, forwarding=True))
        assert finding.outcome is Outcome.CAUTION and "programs for containers" in finding.headline
        assert "End programs" in finding.fixes[0]
    shared = desk(made, CONTROL, ip_forwarding=True)
    assert judge(replace(shared, host=replace(shared.host, sharing=True))).outcome is Outcome.FAIL


def test_an_audio_adapter_whose_bridge_is_not_known_is_judged_by_its_own_addresses():
    on = replace(CONTROL, forwarding=True)
    six = (Address("2001:db8::10", 64, "static"),)
    finding = judge(desk(on, ip_forwarding=True, master="team9", addresses=six))
    assert finding.outcome is Outcome.FAIL and "joins audio to control" in finding.headline
