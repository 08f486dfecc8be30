"""Which adapter is proposed: the likeliest, with the reason, and none between equals."""

from dataclasses import replace

import pytest

from preflight.host.choose import propose
from preflight.host.facts import Adapter, Address, HostFacts

AUDIO = Adapter(
    "audio",
    "ethernet",
    "a wired Ethernet adapter (pci)",
    enabled=True,
    carrier=True,
    speed_mbps=1000,
    duplex="full",
    addresses=(Address("192.0.2.10", 24, "static"),),
    gateways=(),
)
CONTROL = replace(
    AUDIO, name="control", addresses=(Address("198.51.100.7", 24, "dhcp"),), gateways=("198.51.100.1",)
)
LOOP = Adapter(
    "lo", "loopback", "it reaches this computer only", True, True, addresses=(Address("127.0.0.1", 8),)
)
VETH = replace(
    AUDIO, name="v0", kind="virtual", kind_reason="one end of a cable made by software (veth pair)"
)


def chosen(*adapters: Adapter) -> str | None:
    return propose(HostFacts("Linux", adapters)).chosen


@pytest.mark.parametrize(
    "other",
    [
        CONTROL,
        LOOP,
        VETH,
        replace(AUDIO, name="wifi", kind="wifi"),
        replace(AUDIO, name="br0", kind="bridge"),
        replace(AUDIO, name="tun0", kind="vpn"),
        replace(AUDIO, name="slow", speed_mbps=100),
        replace(AUDIO, name="half", duplex="half"),
        replace(AUDIO, name="gate", gateways=("192.0.2.1",)),
        replace(AUDIO, name="leased", addresses=(Address("192.0.2.9", 24, "dhcp"),)),
        replace(AUDIO, name="untold", addresses=(Address("192.0.2.9", 24),)),
        replace(AUDIO, name="out", carrier=False),
        replace(AUDIO, name="almost", speed_mbps=999),
        replace(AUDIO, name="silent", speed_mbps=None),
        replace(AUDIO, name="bare", addresses=()),
        replace(AUDIO, name="off", enabled=False),
        replace(AUDIO, name="what", kind=None),
        replace(AUDIO, name="port", master="br0"),
    ],
    ids=lambda adapter: adapter.name,
)
def test_the_audio_adapter_comes_first(other):
    assert chosen(other, AUDIO) == chosen(AUDIO, other) == "audio"


def test_an_audio_adapter_without_its_cable_comes_before_the_control_network():
    assert chosen(CONTROL, replace(AUDIO, carrier=False, speed_mbps=None, duplex=None)) == "audio"


def test_link_local_is_as_good_as_fixed_and_equals_are_not_guessed_between():
    twin = replace(AUDIO, name="twin", addresses=(Address("169.254.7.7", 16, "link-local"),))
    proposal = propose(HostFacts("Linux", (AUDIO, LOOP, twin)))
    assert proposal.chosen is None
    assert "audio and twin" in proposal.why
    assert [one.name for one in proposal.candidates] == ["audio", "twin", "lo"]


def test_a_single_cable_made_by_software_is_proposed_and_said_to_be_one():
    proposal = propose(HostFacts("Linux", (LOOP, VETH)))
    assert proposal.chosen == "v0" and "made by software" in proposal.why
    assert proposal.candidates[0].score < propose(HostFacts("Linux", (AUDIO,))).candidates[0].score


@pytest.mark.parametrize(
    "adapters",
    [
        (),
        (LOOP,),
        (replace(AUDIO, kind="wifi"), LOOP),
        (replace(VETH, carrier=False),),
        (replace(VETH, enabled=False),),
    ],
)
def test_nothing_likely(adapters):
    proposal = propose(HostFacts("Linux", adapters))
    assert proposal.chosen is None and proposal.why
    assert len(proposal.candidates) == len(adapters) and all(one.score == 0 for one in proposal.candidates)


def test_the_reasons_are_told():
    [only] = propose(HostFacts("Linux", (CONTROL,))).candidates
    for words in ("wired", "link up at 1000 Mb/s full duplex", "default gateway", "DHCP"):
        assert words in only.why


def test_an_unused_socket_is_told_as_one():
    [only] = propose(HostFacts("Linux", (Adapter("eth9", "ethernet", "wired", True, False),))).candidates
    assert only.reasons == ("wired", "no link")


def test_an_address_of_unknown_origin_counts_less_than_a_fixed_one_and_more_than_none():
    kinds = [(), (Address("192.0.2.9", 24),), (Address("192.0.2.9", 24, "static"),)]
    scores = [
        propose(HostFacts("Linux", (replace(AUDIO, addresses=each),))).candidates[0].score for each in kinds
    ]
    assert scores == sorted(set(scores))


def test_a_sheet_tells_the_control_network_and_the_planned_adapter():
    twin = replace(AUDIO, name="twin", hardware_address="00:00:5e:00:53:0A")
    host = HostFacts("Linux", (AUDIO, twin))
    assert propose(host).chosen is None
    assert propose(host, planned={"00:00:5e:00:53:0a"}).chosen == "twin"
    only = HostFacts("Linux", (replace(CONTROL, addresses=(Address("198.51.100.7", 24, "static"),)),))
    assert propose(only).chosen == "control"
    told = propose(only, control="198.51.100.0/24")
    assert told.chosen is None and "control network 198.51.100.0/24" in told.candidates[0].why
