"""Who was heard: each sender with its maker, the names and addresses that it gives itself, and what it sends."""

from collections import defaultdict
from dataclasses import dataclass

from preflight.checks.say import what
from preflight.checks.see.maker import maker
from preflight.facts import Facts
from preflight.tally.facts import Flow
from preflight.wire.arp import ArpMessage
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage

MOST_DEVICES = 250
MOST_NAMES = 4
MOST_SENT = 4
NO_ADDRESSES = ("", "0.0.0.0", "::")


@dataclass(frozen=True)
class Device:
    """`names` are what it says of itself, `sends` pairs of what and how many frames; the `more_` what is left out."""

    hardware: str
    maker: str
    own: bool
    names: tuple[str, ...]
    addresses: tuple[str, ...]
    more_addresses: int
    sends: tuple[tuple[str, int], ...]
    more_sent: int
    frames: int
    first_s: float
    last_s: float


@dataclass(frozen=True)
class Neighbour:
    """What a device told of itself and of the port that it spoke from (LLDP, IEEE 802.1AB; CDP)."""

    hardware: str
    name: str
    port: str
    description: str
    switch: bool


def devices(facts: Facts) -> list[Device]:
    """The loudest `MOST_DEVICES`, the first with the most frames."""
    if facts.tally is None:
        return []
    names = _names(facts)
    by_address: dict[str, list[str]] = defaultdict(list)  # as the capture file has them
    for address, name in facts.source.names if facts.source else ():
        by_address[address].append(name)
    addresses: dict[str, dict[str, None]] = defaultdict(dict)  # a dict keeps the order
    sent: dict[str, list[Flow]] = defaultdict(list)
    for flow in facts.tally.flows:
        sent[flow.source].append(flow)
        addresses[flow.source][flow.source_ip] = None
    for arp in facts.heard(ArpMessage):
        addresses[arp.seen.src][arp.sender_address] = None
    found = []
    for talker in facts.tally.talkers[:MOST_DEVICES]:
        hardware = talker.hardware
        told = [address for address in addresses[hardware] if address not in NO_ADDRESSES]
        if len(told) <= MOST_NAMES:  # a router sends from everybody's
            names[hardware] |= dict.fromkeys(name for address in told for name in by_address[address])
        sends: dict[str, int] = defaultdict(int)
        for flow in sent[hardware]:
            sends[what(flow)] += flow.frames
        most = sorted(sends.items(), key=lambda pair: -pair[1])
        found.append(
            Device(
                hardware,
                maker(hardware),
                talker.own,
                tuple(names[hardware])[:MOST_NAMES],
                tuple(told[:MOST_NAMES]),
                max(len(told) - MOST_NAMES, 0),
                tuple(most[:MOST_SENT]),
                max(len(most) - MOST_SENT, 0),
                talker.frames,
                talker.first_s,
                talker.last_s,
            )
        )
    return found


def neighbours(facts: Facts) -> list[Neighbour]:
    found = [
        Neighbour(
            lldp.seen.src,
            lldp.system_name,
            lldp.port_description or lldp.port,
            lldp.system_description,
            lldp.bridge,
        )
        for lldp in facts.heard(LldpNeighbour)
    ] + [
        Neighbour(cdp.seen.src, cdp.device, cdp.port, cdp.platform, cdp.switch or cdp.bridge)
        for cdp in facts.heard(CdpNeighbour)
    ]
    return list(dict.fromkeys(found))[:MOST_DEVICES]


def _names(facts: Facts) -> dict[str, dict[str, None]]:
    """Names by hardware address, each once, the first heard first."""
    names: dict[str, dict[str, None]] = defaultdict(dict)
    for lldp in facts.heard(LldpNeighbour):
        names[lldp.seen.src][lldp.system_name] = None
    for cdp in facts.heard(CdpNeighbour):
        names[cdp.seen.src][cdp.device] = None
    for dhcp in facts.heard(Dhcp4Message):
        if not dhcp.from_server:
            names[dhcp.client_hardware][dhcp.hostname] = None
    for mdns in facts.heard(MdnsMessage):
        for host in mdns.hostnames:
            names[mdns.seen.src][host.rstrip(".")] = None
    for told in names.values():
        told.pop("", None)
    return names
