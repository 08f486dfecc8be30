"""Who was heard, for what is kept and sent: each sender with its maker, and all names and addresses that it
gives itself."""

from collections import defaultdict
from dataclasses import dataclass

from preflight.checks.see.maker import maker
from preflight.facts import Facts
from preflight.report.inventory import MOST_DEVICES, MOST_NAMES, sent_from
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage


@dataclass(frozen=True)
class Device:
    """`names` are what it says of itself, and what the capture's own records call it."""

    hardware: str
    maker: str
    own: bool
    names: tuple[str, ...]
    addresses: tuple[str, ...]
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
    addresses = sent_from(facts)
    found = []
    for talker in facts.tally.talkers[:MOST_DEVICES]:
        hardware = talker.hardware
        told = addresses[hardware]
        if len(told) <= MOST_NAMES:  # a router sends from everybody's
            names[hardware] |= dict.fromkeys(name for address in told for name in by_address[address])
        found.append(
            Device(
                hardware,
                maker(hardware),
                talker.own,
                tuple(names[hardware])[:MOST_NAMES],
                tuple(told[:MOST_NAMES]),
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
