"""Computers to judge: a desk with an audio adapter and a control adapter as they should be, and changes to
them."""

from dataclasses import replace

from preflight.facts import Facts
from preflight.host.facts import Adapter, Address, HostFacts

AUDIO = Adapter(
    "audio",
    "ethernet",
    "a wired Ethernet adapter (pci)",
    enabled=True,
    carrier=True,
    speed_mbps=1000,
    duplex="full",
    mtu=1500,
    addresses=(Address("192.0.2.10", 24, "static"), Address("fe80::10", 64, "link-local")),
    gateways=(),
    forwarding=False,
    bus="pci",
    autonegotiated=True,
    eee="off",
    pause="off",
    may_sleep=False,
)
CONTROL = replace(
    AUDIO,
    name="control",
    addresses=(Address("198.51.100.7", 24, "dhcp"), Address("fe80::7", 64, "link-local")),
    gateways=("198.51.100.1",),
)
LOOPBACK = Adapter("lo", "loopback", "", True, True, addresses=(Address("127.0.0.1", 8),), forwarding=False)
UNTOLD = Adapter("audio")


def desk(
    *others: Adapter, ip_forwarding: bool | None = False, adapter: str | None = "audio", **audio
) -> Facts:
    """A desk whose audio adapter is changed by `audio`, beside `others` (the control adapter where none is
    given)."""
    adapters = (LOOPBACK, replace(AUDIO, **audio), *(others or (CONTROL,)))
    return Facts(host=HostFacts("Linux", adapters, ip_forwarding, sharing=False), adapter=adapter)


def silent_desk() -> Facts:
    """A system that lists the adapter, and says nothing more."""
    return Facts(host=HostFacts("other", (UNTOLD,)), adapter="audio")
