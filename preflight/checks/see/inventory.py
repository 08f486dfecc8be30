"""Who of the rig sheet was heard, and what of it is due at the place where the frames were taken.

A device is known by its hardware address; where the sheet does not tell it, by its IP address, or by its
maker if the maker fits no other. Where the listening was is worked out from the planned streams that came by:
what reached this place, some device gets, and what else that device should get is due here too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from preflight.checks.asks import Wire
from preflight.checks.see.maker import maker
from preflight.checks.see.streams import heard_streams, place
from preflight.facts import Facts
from preflight.tally.facts import Flow, RtpStream, Talker
from preflight.wire.arp import ArpMessage
from preflight.wire.lldp import LldpNeighbour

if TYPE_CHECKING:
    from preflight.rig.sheet import Device, Sheet, Stream, Switch

UNSPECIFIED = ("", "0.0.0.0", "::")
PORT_ADDRESSES = 8  # a switch's ports have addresses just above its own, and some to spare. Common practice.
DUE_PACKETS = 100  # as long as so many packets take, a stream must be listened for. Common practice.


@dataclass(frozen=True)
class Inventory:
    """`present` are the sheet's devices by name and the talkers that they are; `switches` the hardware
    addresses that are its switches'; `rest` the talkers that nothing on the sheet accounts for."""

    present: dict[str, tuple[Talker, ...]]
    switches: frozenset[str]
    rest: tuple[Talker, ...]


def take_inventory(facts: Wire, sheet: Sheet) -> Inventory:
    """The sheet held against all senders. This computer is none of them unless the sheet has it."""
    by_hardware = {talker.hardware: talker for talker in facts.tally.talkers if talker.hardware}
    owners = owners_of(facts)
    present: dict[str, tuple[Talker, ...]] = {}
    taken: set[str] = set()
    for device in sheet.device:
        found = {device.hardware} if device.hardware else owners.get(device.address or "", set())
        present[device.name] = tuple(by_hardware[each] for each in sorted(found) if each in by_hardware)
        taken |= {talker.hardware for talker in present[device.name]}
    switches = _switches(facts, sheet, set(by_hardware) - taken)
    left = {mac: talker for mac, talker in by_hardware.items() if mac not in taken | switches}
    by_maker = [d for d in sheet.device if d.maker and not d.hardware and not present[d.name]]
    made = {mac: maker(mac).lower() for mac in left} if by_maker else {}
    for device in by_maker:
        wanted = (device.maker or "").lower()
        match = next((mac for mac in left if wanted in made[mac]), None)
        if match:
            present[device.name] = (left.pop(match),)
    rest = tuple(talker for talker in left.values() if not talker.own)
    return Inventory(present, frozenset(switches), rest)


def owners_of(facts: Facts) -> dict[str, set[str]]:
    """The hardware addresses that send from each IP address."""
    owners: dict[str, set[str]] = {}
    for flow in facts.tally.flows if facts.tally is not None else ():
        if flow.source and flow.source_ip not in UNSPECIFIED:
            owners.setdefault(flow.source_ip, set()).add(flow.source)
    for message in facts.heard(ArpMessage):
        if message.sender_address not in UNSPECIFIED:
            owners.setdefault(message.sender_address, set()).add(message.sender_hardware)
    return owners


def addresses_of(owners: dict[str, set[str]], talkers: tuple[Talker, ...]) -> set[str]:
    told = {talker.hardware for talker in talkers}
    return {address for address, macs in owners.items() if macs & told}


def _switches(facts: Facts, sheet: Sheet, unknown: set[str]) -> set[str]:
    """Addresses of the sheet's switches and of their ports. A switch without one on the sheet is known by its
    name, and where it does not tell its name, any one bridge may be it."""
    mine = {switch.hardware for switch in sheet.switch if switch.hardware}
    for switch in sheet.switch:
        mine |= {mac for mac in unknown if _is_of(switch, mac)}
    nameless = any(switch.hardware is None for switch in sheet.switch)
    names = {switch.name.lower() for switch in sheet.switch}
    for neighbour in facts.heard(LldpNeighbour):
        known = neighbour.system_name.lower() in names or neighbour.chassis.lower() in mine
        if known or (nameless and neighbour.bridge):
            mine.add(neighbour.seen.src)
    return mine


def _is_of(switch: Switch, hardware: str) -> bool:
    """Whether an address is a switch's own or that of one of its ports."""
    if not switch.hardware:
        return False
    above = int(hardware.replace(":", ""), 16) - int(switch.hardware.replace(":", ""), 16)
    return 0 <= above <= switch.ports + PORT_ADDRESSES


def switch_of(sheet: Sheet, facts: Facts, hardware: str) -> Switch | None:
    """The sheet's switch that sends from an address: known by its own, or by the name that it tells there."""
    names = {each.seen.src: each.system_name.lower() for each in facts.heard(LldpNeighbour)}
    # The nearest below: two switches may have addresses one after the other.
    near = [switch for switch in sheet.switch if _is_of(switch, hardware)]
    if near:
        return max(near, key=lambda switch: switch.hardware or "")
    return next((switch for switch in sheet.switch if switch.name.lower() == names.get(hardware)), None)


@dataclass(frozen=True)
class Planned:
    """A stream of the sheet and what was heard of it; `due` where it should have come by here."""

    stream: Stream
    heard: tuple[tuple[RtpStream, Flow], ...]
    due: bool


def planned_streams(facts: Wire, sheet: Sheet) -> list[Planned]:
    """The sheet's streams that name their group."""
    found: dict[tuple[str, int], list[tuple[RtpStream, Flow]]] = {}
    for stream, flow in heard_streams(facts):
        found.setdefault(place(flow), []).append((stream, flow))
    listed = [stream for stream in sheet.stream if stream.group]
    came = [stream for stream in listed if (stream.group, stream.udp_port) in found]
    listeners = _listeners(facts, sheet, came)
    heard_ms = facts.source.duration_s * 1000
    return [
        Planned(
            stream,
            tuple(found.get((stream.group or "", stream.udp_port), ())),
            due=bool(listeners)
            and all(each in stream.receivers for each in listeners)
            and heard_ms >= DUE_PACKETS * stream.packet_time_ms,
        )
        for stream in listed
    ]


def _listeners(facts: Wire, sheet: Sheet, came: list[Stream]) -> set[str]:
    """The devices at whose port this may have been heard: this computer, or those that get all planned
    streams that came."""
    own = {t.hardware for t in facts.tally.talkers if t.own}
    if adapter := facts.host.adapter(facts.adapter) if facts.host is not None else None:
        own.add((adapter.hardware_address or "").lower())
    mine = {device.name for device in sheet.device if device.hardware in own}
    if mine or facts.vantage == "mirror" or not came:
        return mine
    return set.intersection(*(set(stream.receivers) for stream in came))


def identifiable(device: Device) -> bool:
    return bool(device.hardware or device.address or device.maker)
