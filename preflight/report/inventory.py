"""The inventory: who is here, what each is called, what it does and where it is attached; who is missing, who
is strange.

All from facts and findings that are there already. The network's devices come first, the loudest before the
others, then those of the rig sheet that were not heard. What a device does is only what its own frames
showed.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from preflight.checks.asks import Wire
from preflight.checks.finding import Finding, Outcome
from preflight.checks.say import counted, what
from preflight.checks.see.best_master import grandmaster, hardware_of, leader
from preflight.checks.see.dhcp import heard_servers
from preflight.checks.see.inventory import UNSPECIFIED, Inventory, take_inventory
from preflight.checks.see.maker import maker
from preflight.checks.see.names import Names, Told, names_of
from preflight.checks.see.streams import all_streams
from preflight.facts import Facts
from preflight.tally.facts import ClockPort, Flow, Talker
from preflight.verdict import Result
from preflight.wire.arp import ArpMessage
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.icmp import RouterMessage
from preflight.wire.igmp import IgmpMessage
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.stp import Bpdu

MOST_DEVICES = 250
MOST_NAMES = 4
MOST_SENT = 4

# heard: there is no sheet to compare with. listed: on the sheet. stranger: not on it. missing: on it, and
# shown not to be there. silent: on it and not heard, which may have reasons.
State = Literal["heard", "listed", "stranger", "missing", "silent"]


@dataclass(frozen=True)
class Device:
    """`hardware` is "" where a device of the sheet was not heard and its address is not known. `does` are
    words of what it was seen to do, `sends` pairs of what and how many frames; the `more_` what is left out.
    `attached` is the switch port that it is plugged into, `port` the port of its own that it spoke from, both
    as LLDP or CDP told, "" untold; `planned` is the port that the sheet gives it."""

    hardware: str
    name: str
    told: tuple[Told, ...]
    maker: str
    own: bool
    state: State
    addresses: tuple[str, ...] = ()
    more_addresses: int = 0
    does: tuple[str, ...] = ()
    attached: str = ""
    port: str = ""
    planned: str = ""
    sends: tuple[tuple[str, int], ...] = ()
    more_sent: int = 0
    frames: int = 0
    bytes: int = 0
    first_s: float | None = None
    last_s: float | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(told.name for told in self.told)

    @property
    def heard(self) -> bool:
        return self.first_s is not None


def devices_of(result: Result) -> list[Device]:
    """Everybody who was heard, the loudest `MOST_DEVICES` of them, and who was not although the sheet has
    it."""
    facts = result.facts
    wire = Wire.of(facts)
    if not isinstance(wire, Wire):
        return []
    names = names_of(facts)
    inventory = take_inventory(wire, facts.sheet) if facts.sheet is not None else None
    here = [*_here(wire, names, inventory, listening_port(result.finding_of("neighbours")))]
    return [*here, *_not_here(facts, names, inventory, result.finding_of("missing"))]


def _here(wire: Wire, names: Names, inventory: Inventory | None, attached: str) -> Iterator[Device]:
    addresses = sent_from(wire)
    sent: dict[str, list[Flow]] = defaultdict(list)
    for flow in wire.tally.flows:
        sent[flow.source].append(flow)
    does, ports, planned = _does(wire, names), _ports(wire), _planned(inventory, wire)
    for talker in wire.tally.talkers[:MOST_DEVICES]:
        hardware = talker.hardware
        told = addresses[hardware]
        sends: dict[str, int] = defaultdict(int)
        for flow in sent[hardware]:
            sends[what(flow)] += flow.frames
        most = sorted(sends.items(), key=lambda pair: -pair[1])
        yield Device(
            hardware=hardware,
            name=names.name(hardware),
            told=names.told.get(hardware, ())[:MOST_NAMES],
            maker=maker(hardware),
            own=talker.own,
            state=_state(talker, inventory),
            addresses=tuple(told[:MOST_NAMES]),
            more_addresses=max(len(told) - MOST_NAMES, 0),
            does=tuple(dict.fromkeys(does[hardware])),
            attached=attached if talker.own else "",
            port=ports.get(hardware, ""),
            planned=planned.get(hardware, ""),
            sends=tuple(most[:MOST_SENT]),
            more_sent=max(len(most) - MOST_SENT, 0),
            frames=talker.frames,
            bytes=talker.bytes,
            first_s=talker.first_s,
            last_s=talker.last_s,
        )


NO_WORD = "That is no word about the audio: none was heard."


def silent(facts: Facts) -> bool:
    """Something was heard, and no audio among it: neither a stream nor any other steady flow. A port of a
    plain switch may never show what other devices send each other, so that is no fault; but "ready" must not
    be taken for a word about it."""
    if facts.tally is None or all_streams(facts):
        return False
    return not any(flow.stream for flow in facts.tally.flows)


def sent_from(facts: Facts) -> Mapping[str, list[str]]:
    """The IP addresses that each hardware address sends from, each once, those of its busiest flows first."""
    addresses: dict[str, dict[str, None]] = defaultdict(dict)  # a dict keeps the order
    for flow in facts.tally.flows if facts.tally is not None else ():
        addresses[flow.source][flow.source_ip] = None
    for arp in facts.heard(ArpMessage):
        addresses[arp.seen.src][arp.sender_address] = None
    found: dict[str, list[str]] = defaultdict(list)
    for hardware, told in addresses.items():
        found[hardware] = [address for address in told if address not in UNSPECIFIED]
    return found


def _state(talker: Talker, inventory: Inventory | None) -> State:
    if inventory is None:
        return "heard"
    if talker in inventory.rest:
        return "stranger"
    listed = talker.hardware in inventory.switches or any(
        talker in found for found in inventory.present.values()
    )
    return "listed" if listed else "heard"


def _not_here(
    facts: Facts, names: Names, inventory: Inventory | None, missing: Finding | None
) -> Iterator[Device]:
    if facts.sheet is None or inventory is None:
        return
    gone = missing.culprits if missing is not None and missing.outcome == Outcome.FAIL else ()
    for device in facts.sheet.device:
        if inventory.present[device.name]:
            continue
        hardware = device.hardware or ""
        yield Device(
            hardware=hardware,
            name=device.name,
            told=names.told.get(hardware, ()) or (Told(device.name, "rig sheet"),),
            maker=maker(hardware) or device.maker or "",
            own=False,
            state="missing" if (device.hardware or device.name) in gone else "silent",
            addresses=(device.address,) if device.address else (),
            planned=device.port or "",
        )


def _planned(inventory: Inventory | None, wire: Wire) -> dict[str, str]:
    if inventory is None or wire.sheet is None:
        return {}
    return {
        talker.hardware: device.port or ""
        for device in wire.sheet.device
        for talker in inventory.present[device.name]
    }


def _ports(wire: Wire) -> dict[str, str]:
    """The port of its own from which each spoke."""
    told = {cdp.seen.src: cdp.port for cdp in wire.heard(CdpNeighbour)}
    return told | {lldp.seen.src: lldp.port_description or lldp.port for lldp in wire.heard(LldpNeighbour)}


def listening_port(neighbours: Finding | None) -> str:
    """The switch port that was listened at, as its one neighbour told: "foh-switch, port 7"; "" where none
    did, or several."""
    told = neighbours.measured if neighbours is not None else {}
    if not told.get("name"):
        return ""
    port = str(told.get("port") or "")
    called = port if not port or port.lower().startswith("port") else f"port {port}"
    return ", ".join(filter(None, (str(told["name"]), called)))


def _does(wire: Wire, names: Names) -> dict[str, list[str]]:
    """By hardware address, what matters most first."""
    does: dict[str, list[str]] = defaultdict(list)
    for hardware, words in (*_clocks(wire.tally.clocks, names), *_streams(wire), *_told(wire)):
        does[hardware].append(words)
    return does


def _clocks(ports: Iterable[ClockPort], names: Names) -> Iterator[tuple[str, str]]:
    domains: dict[tuple, list[ClockPort]] = defaultdict(list)
    for port in ports:
        if port.announces:
            domains[port.vlan, port.transport, port.version, port.sdo, port.domain].append(port)
    for (_, _, _, sdo, domain), masters in domains.items():
        kind = "IEEE 802.1AS" if sdo == 1 else "PTP"
        leads = leader(masters)
        for port in masters:
            if port is leads and not port.steps_removed:
                does = "leads the clock"
            elif grandmaster(port) == grandmaster(leads):
                made_of = hardware_of(grandmaster(port))
                does = f"passes on the clock{f' of {names.name(made_of)}' if made_of else ''}"
            else:
                does = "announces a clock, too"
            yield port.hardware, f"{does} ({kind} domain {domain})"


def _streams(wire: Wire) -> Iterator[tuple[str, str]]:
    count: dict[str, int] = defaultdict(int)
    for _, flow in all_streams(wire):
        count[flow.source] += 1
    for hardware, number in count.items():
        yield hardware, f"sends {counted(number, 'stream')}"


def _told(wire: Wire) -> Iterator[tuple[str, str]]:
    for lldp in wire.heard(LldpNeighbour):
        if lldp.bridge:
            yield lldp.seen.src, "switches"
        if lldp.wlan_access_point:
            yield lldp.seen.src, "is a Wi-Fi access point"
    for cdp in wire.heard(CdpNeighbour):
        if cdp.switch or cdp.bridge:
            yield cdp.seen.src, "switches"
    for bpdu in wire.heard(Bpdu):
        yield bpdu.seen.src, "switches"
    for query in wire.heard(IgmpMessage):
        if query.kind == "query" and not query.group:
            yield query.seen.src, "asks who wants which group (IGMP querier)"
    for server in heard_servers(wire):
        if server.hardware and not server.named:
            yield server.hardware, "serves addresses (DHCP)"
    for router in wire.heard(RouterMessage):
        if router.kind == "advertisement" and router.lifetime_s:
            yield router.seen.src, "routes"
    for dhcp in wire.heard(Dhcp4Message):
        if not dhcp.from_server and dhcp.message_type in ("DISCOVER", "REQUEST"):
            yield dhcp.seen.src, "asks for an address (DHCP)"


def in_words(device: Device) -> str:
    """What it does, in one line: its part where it has one, else what it sends most."""
    if device.does:
        return ", ".join(device.does)
    if device.sends:
        most, frames = device.sends[0]
        return f"sends {most} ({counted(frames, 'frame')})"
    return ""
