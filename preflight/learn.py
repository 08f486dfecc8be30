"""A rig sheet drafted from what was heard on a good rig.

What the frames tell is filled in: who speaks, from which address, how often, which streams go where in which
format, who leads the clock, which bridges told their names. What they cannot tell is marked FILL IN. The
draft is a sheet that `sheet check` accepts and that the same rig passes.
"""

import json
import math
from collections.abc import Iterable
from contextlib import suppress

from preflight.checks.see.dhcp import heard_servers
from preflight.checks.see.inventory import addresses_of, owners_of
from preflight.checks.see.streams import channels, heard_streams, names, place
from preflight.facts import Facts
from preflight.rig.sheet import hardware_text
from preflight.tally.facts import Flow, RtpStream, Talker
from preflight.text import clean
from preflight.wire.igmp import IgmpMessage
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage
from preflight.wire.stp import Bpdu

FILL = "FILL IN"
MOST_DEVICES = 200
LEAST_SPOKEN = 3  # times that one has to speak before it is told how often it does. Common practice.
PORTS = 24  # a switch is taken for one of so many. Common practice.
MARGIN = 2.0  # a good day may be a little quieter. Common practice.


def draft(facts: Facts) -> str:
    """TOML text, with remarks."""
    assert facts.source is not None and facts.tally is not None
    owners = owners_of(facts)
    bridges = _bridges(facts)
    talkers = [t for t in facts.tally.talkers if t.hardware and t.hardware not in bridges]
    called = _called(facts, talkers[:MOST_DEVICES])
    leader = next((port.hardware for port in facts.tally.clocks if port.kind == "Announce"), "")
    listener = _listener(facts, called)
    lines = [
        f"# Drafted by preflight from {clean(facts.source.name, 60)}: {facts.source.duration_s:.1f} s.",
        f"# Look for “{FILL}”. What was silent is not here: add it. Then: preflight sheet check FILE",
        "",
        f"name = {_toml_string('My rig')}  # {FILL}",
        "",
        "[network]",
        f"delay_ms = 1.0  # {FILL}: what the show allows the network",
    ]
    for talker in talkers[:MOST_DEVICES]:
        addresses = sorted(a for a in addresses_of(owners, (talker,)) if ":" not in a and a != "0.0.0.0")
        desk = called[talker.hardware] == listener
        kind = "engine" if talker.hardware == leader and not desk else "desk" if desk else "box"
        lines += [
            "",
            "[[device]]",
            f"name = {_toml_string(called[talker.hardware])}  # {FILL}",
            f"kind = {_toml_string(kind)}  # {FILL}: desk, engine, box or spare",
            f"hardware = {_toml_string(talker.hardware)}",
        ]
        if addresses:
            more = f"  # and {', '.join(addresses[1:4])}" if addresses[1:] else ""
            lines.append(f"address = {_toml_string(addresses[0])}{more}")
        lines.append(f'# port = "foh 1"  # {FILL}: its switch and port')
        if every := _speaks_every(facts, talker):
            lines.append(f"speaks_every_s = {every:g}  # measured, with room to spare")
    if len(talkers) > MOST_DEVICES:
        lines += ["", f"# And {len(talkers) - MOST_DEVICES} more senders: too many to be a rig."]
    asking = {m.seen.src for m in facts.heard(IgmpMessage) if m.kind == "query" and not m.group}
    for name, hardware, why in _switches(bridges):
        lines += [
            "",
            "[[switch]]",
            f"name = {_toml_string(name)}  # {why}",
            f"ports = {PORTS}  # {FILL}",
            f"hardware = {_toml_string(hardware)}",
        ]
        if any(_below(asker, hardware) for asker in asking):
            lines.append("querier = true  # it asked for group members")
        lines += [
            f"# managed = true  # {FILL}: false where it has no settings",
            f"# igmp_snooping = true  # {FILL}: false where it is off",
        ]
    lines += ["", f"# [[cable]]  # {FILL}: the cables between switches, and any other that is long"]
    lines += _streams(facts, called, listener)
    if leader in called:
        domain = next(port.domain for port in facts.tally.clocks if port.kind == "Announce")
        lines += ["", "[clock]", f"master = {_toml_string(called[leader])}", f"domain = {domain}"]
    lines += ["", "[control]", f'# subnet = "198.51.100.0/24"  # {FILL}: the network of tablets and Wi-Fi']
    servers = heard_servers(facts)
    if servers:
        lines += ["", "[dhcp]", f"# {FILL}: heard here. Uncomment if it is meant to be on the audio LAN."]
        lines.append(
            f"# allowed = [{', '.join(_toml_string(each.hardware or each.address) for each in servers)}]"
        )
    return "\n".join(lines) + "\n"


def _toml_string(text: str) -> str:
    """A TOML string: JSON's is one."""
    return json.dumps(clean(text, 60), ensure_ascii=False)


def _bridges(facts: Facts) -> dict[str, str]:
    """Hardware addresses that only a switch or its port sends from, and the name where it was told."""
    found = {message.seen.src: "" for message in facts.heard(Bpdu)}
    found |= {m.bridge.hardware: "" for m in facts.heard(Bpdu) if m.bridge is not None}
    found |= {m.seen.src: "" for m in facts.heard(IgmpMessage) if m.kind == "query"}
    for neighbour in facts.heard(LldpNeighbour):
        if neighbour.bridge:
            found[neighbour.seen.src] = neighbour.system_name
            with suppress(ValueError):  # a chassis may be named by other things
                found[hardware_text(neighbour.chassis)] = neighbour.system_name
    found.pop("", None)
    return found


def _switches(bridges: dict[str, str]) -> Iterable[tuple[str, str, str]]:
    """(name, hardware, why) of each switch. Addresses just above one another are ports of one."""
    taken: list[tuple[str, int, str]] = []
    for hardware, name in sorted(bridges.items()):
        number = int(hardware.replace(":", ""), 16)
        near = next((i for i, each in enumerate(taken) if 0 <= number - each[1] <= PORTS), None)
        if near is None:
            taken.append((name, number, hardware))
        elif name and not taken[near][0]:
            taken[near] = (name, *taken[near][1:])
    used: set[str] = set()
    for number, (name, _, hardware) in enumerate(taken, 1):
        shown = name if name and name not in used else f"switch {number}"
        used.add(shown)
        yield shown, hardware, "as it calls itself" if shown == name else f"{FILL}: it acts as a switch"


def _below(port: str, switch: str) -> bool:
    """Whether an address is that of a switch or of one of its ports, just above it."""
    return 0 <= int(port.replace(":", ""), 16) - int(switch.replace(":", ""), 16) <= PORTS


def _called(facts: Facts, talkers: Iterable[Talker]) -> dict[str, str]:
    """A name for each: its own by LLDP or mDNS, else a number."""
    told: dict[str, str] = {}
    for message in facts.heard(MdnsMessage):
        if message.response and message.hostnames:
            told.setdefault(message.seen.src, message.hostnames[0].removesuffix(".").removesuffix(".local"))
    for neighbour in facts.heard(LldpNeighbour):
        if neighbour.system_name:
            told[neighbour.seen.src] = neighbour.system_name
    called: dict[str, str] = {}
    for number, talker in enumerate(talkers, 1):
        name = clean(told.get(talker.hardware, ""), 60).strip()
        called[talker.hardware] = name if name and name not in called.values() else f"device {number}"
    return called


def _listener(facts: Facts, called: dict[str, str]) -> str:
    """The device at whose port this was heard: this computer, or whom unicast from several others came to."""
    assert facts.tally is not None
    own = next((t.hardware for t in facts.tally.talkers if t.own), "")
    if own in called:
        return called[own]
    partners: dict[str, set[str]] = {}
    for flow in facts.tally.flows:
        if flow.cast == "unicast" and flow.source in called and flow.destination in called:
            partners.setdefault(flow.source, set()).add(flow.destination)
            partners.setdefault(flow.destination, set()).add(flow.source)
    most = max(partners, key=lambda mac: len(partners[mac]), default="")
    return called[most] if len(partners.get(most, ())) > 1 and facts.vantage != "mirror" else ""


def _speaks_every(facts: Facts, talker: Talker) -> float | None:
    """How often one is heard by what goes on as long as it is on, from its most regular flow; None where
    nothing does. Not by discovery, which is busy at first and rare later, nor by streams, which stop between
    songs."""
    assert facts.tally is not None and facts.source is not None
    streams = {stream.flow for stream in facts.tally.streams}
    flows = [
        flow
        for number, flow in enumerate(facts.tally.flows)
        if flow.source == talker.hardware
        and flow.cast == "multicast"
        and not flow.discovery
        and number not in streams
    ]
    paces = [
        max(
            (flow.last_s - flow.first_s) / (flow.frames - 1),
            facts.source.duration_s - flow.last_s,
            flow.first_s,
        )
        for flow in flows
        if flow.frames >= LEAST_SPOKEN
    ]
    if not paces:
        return None
    every = min(paces) * MARGIN
    return max(math.ceil(every * 10) / 10, 0.1)


def _streams(facts: Facts, called: dict[str, str], listener: str) -> list[str]:
    named = names(facts)
    lines: list[str] = []
    done: set[tuple[str, int]] = set()
    members: dict[str, set[str]] = {}
    for message in facts.heard(IgmpMessage):
        for group in message.joined:
            members.setdefault(group, set()).add(message.seen.src)
    for stream, flow in heard_streams(facts):
        where = place(flow)
        if flow.cast != "multicast" or where in done or flow.source not in called:
            continue
        done.add(where)
        known = named.get(where)
        name = clean(known.name, 50) if known and known.name.strip() else f"stream {len(done)}"
        sender = called[flow.source]
        receivers = {called[mac] for mac in members.get(flow.destination_ip, ()) if mac in called}
        if listener:
            receivers.add(listener)
        receivers.discard(sender)
        if not receivers:
            receivers = {sender}  # nobody known; a sheet needs one
        lines += [
            "",
            "[[stream]]",
            f"name = {_toml_string(name)}  # {FILL}",
            f"sender = {_toml_string(sender)}",
            f"receivers = [{', '.join(_toml_string(each) for each in sorted(receivers))}]  # {FILL}: who "
            "else gets it",
            *_format(stream, flow),
        ]
    return lines


def _format(stream: RtpStream, flow: Flow) -> list[str]:
    """What was measured of a stream; what was not is a guess that says so."""
    lines = []
    fits = [(bits, count) for bits in (24, 16, 32) if (count := channels(stream, bits))]
    bits, count = fits[0] if fits else (24, 2)
    sure = len(fits) == 1
    lines.append(f"channels = {min(count, 512)}" + ("" if sure else f"  # {FILL}: or as the sender says"))
    lines.append(f"bits = {bits}" + ("" if sure else f"  # {FILL}: 16, 24 or 32"))
    rate = stream.clock_hz
    lines.append(f"sample_rate_hz = {rate or 48000}" + ("" if rate else f"  # {FILL}: not measured"))
    each_ms = stream.packet_stamps / rate * 1000 if rate and stream.packet_stamps else None
    lines.append(
        f"packet_time_ms = {each_ms:.6g}" if each_ms else f"packet_time_ms = 1  # {FILL}: not measured"
    )
    lines += [f"group = {_toml_string(flow.destination_ip)}", f"udp_port = {flow.destination_port}"]
    return lines
