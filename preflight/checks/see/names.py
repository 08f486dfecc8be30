"""What a device is called: by the best name that is known of its hardware address.

In this order: the rig sheet; this computer; what the device tells by LLDP, CDP, mDNS, DHCP; the stream that
it sends, as announced; the capture's own name records. Where nothing is known, a short maker's name and the
end of its address. Two of one name get the end of the address, too.

A check names a device by `say.who`, which only marks the place. The words are put there when the finding is
made: the first mention in a finding has the address beside the name, the others the name alone. The marks are
of Unicode's private use, which `text.clean` lets nobody send.

Names from the network are whatever somebody likes to send: they are cut, set in quotes where they are more
than a word, and none may look like an address or say that it is this computer.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from ipaddress import ip_address
from typing import Literal, NamedTuple

from preflight.checks.asks import Wire
from preflight.checks.say import MENTION, spoken
from preflight.checks.see.addresses import own_hardware
from preflight.checks.see.inventory import owners_of, switch_of, take_inventory
from preflight.checks.see.maker import RANDOM, maker
from preflight.checks.see.streams import heard_streams, place
from preflight.checks.see.streams import names as announced_names
from preflight.facts import Facts
from preflight.text import clean
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage

THIS_COMPUTER = "this computer"
ENDS = (2, 3, 6)  # octets of the end of an address, until no other is called so
LONGEST, LONGEST_MAKER = 24, 16  # characters
OF_OTHERS = 3  # who tells more host names by mDNS speaks for others. Common practice.
Source = Literal["rig sheet", "computer", "LLDP", "CDP", "mDNS", "DHCP", "announcement", "capture"]
PLAIN = re.compile(r"[\w.+-]+")
HARDWARE = re.compile(r"[0-9a-f]{2}([:.-]?[0-9a-f]{2}){5}", re.IGNORECASE)


class Told(NamedTuple):
    """A name, as it is said, and who tells it."""

    name: str
    by: Source


@dataclass(frozen=True)
class Names:
    """`told` has the names of each hardware address, the best first; `heard` are all addresses that sent."""

    told: Mapping[str, tuple[Told, ...]]
    heard: tuple[str, ...] = ()

    def name(self, hardware: str) -> str:
        """What the device is called in a sentence."""
        if not hardware:
            return "a sender without hardware address"
        return self._called.get(hardware) or self._by_maker(hardware)

    def full(self, hardware: str, ip: str = "") -> str:
        """The same with its address beside it: box-left (00:00:5e:00:53:14, 192.0.2.20)."""
        return Spelling(self).device(hardware, ip)

    def spelling(self) -> Callable[[str], str]:
        """What puts names into texts that belong together, handed to it in the order in which they are
        read."""
        return Spelling(self).text

    @cached_property
    def _called(self) -> dict[str, str]:
        best = {hardware: told[0].name for hardware, told in self.told.items() if told}
        own = {hardware for hardware, name in best.items() if name == THIS_COMPUTER}  # with several adapters
        for octets in ENDS:
            many = Counter(name.casefold() for name in best.values())
            twins = [mac for mac, name in best.items() if many[name.casefold()] > 1 and mac not in own]
            best |= {hardware: f"{self.told[hardware][0].name} {end(hardware, octets)}" for hardware in twins}
        return best

    def _by_maker(self, hardware: str) -> str:
        called = [f"{short_maker(hardware)} {end(hardware, octets)}" for octets in ENDS]
        return next((name for name in called if self._alike[name] < 2), called[-1])

    @cached_property
    def _alike(self) -> Counter[str]:
        """How many of those that were heard are called so, by their maker."""
        makers = {hardware: short_maker(hardware) for hardware in self.heard}
        return Counter(
            f"{made} {end(hardware, octets)}" for hardware, made in makers.items() for octets in ENDS
        )


class Spelling:
    """Puts names where devices are mentioned, and remembers which addresses have been said."""

    def __init__(self, names: Names) -> None:
        self._names = names
        self._said: set[str] = set()

    def text(self, text: str) -> str:
        return MENTION.sub(lambda found: self.device(found[1], found[2]), text)

    def device(self, hardware: str, ip: str) -> str:
        if not hardware:
            return ip or self._names.name("")
        name = self._names.name(hardware)
        new = [each for each in (hardware, ip) if each and each not in self._said]
        self._said.update(new)
        beside = [each for each in new if each not in name]
        return name + (f" ({', '.join(beside)})" if beside else "")


def names_of(facts: Facts) -> Names:
    """The names of everybody in `facts`."""
    told: dict[str, dict[str, Source]] = defaultdict(dict)  # a name's first teller counts
    for hardware, name, by in (*_known(facts), *_heard(facts)):
        if hardware and name:
            told[hardware].setdefault(name, by)
    heard = tuple(t.hardware for t in facts.tally.talkers if t.hardware) if facts.tally is not None else ()
    return Names({mac: tuple(Told(*each) for each in names.items()) for mac, names in told.items()}, heard)


def _known(facts: Facts) -> Iterator[tuple[str, str, Source]]:
    """What nobody on the network can claim. A spare that stands in for a device may share its hardware
    address."""
    sheet = facts.sheet
    if sheet is not None:
        for device in sheet.device:
            yield device.hardware or "", device.name, "rig sheet"
        for planned in sheet.switch:
            yield planned.hardware or "", planned.name, "rig sheet"
    wire = Wire.of(facts)
    if sheet is not None and isinstance(wire, Wire):
        inventory = take_inventory(wire, sheet)
        for name, talkers in inventory.present.items():
            for talker in talkers:
                yield talker.hardware, name, "rig sheet"
        for hardware in inventory.switches:
            switch = switch_of(sheet, facts, hardware)
            yield hardware, switch.name if switch else "", "rig sheet"
    for hardware in own_hardware(facts):
        yield hardware, THIS_COMPUTER, "computer"


def _heard(facts: Facts) -> Iterator[tuple[str, str, Source]]:
    for lldp in facts.heard(LldpNeighbour):
        yield lldp.seen.src, network_name(lldp.system_name), "LLDP"
    for cdp in facts.heard(CdpNeighbour):
        yield cdp.seen.src, network_name(cdp.device), "CDP"
    hosts: dict[str, dict[str, None]] = defaultdict(dict)
    for mdns in facts.heard(MdnsMessage):
        for host in mdns.hostnames:
            hosts[mdns.seen.src][host.rstrip(".").removesuffix(".local")] = None
    for hardware, several in hosts.items():
        for host in several if len(several) <= OF_OTHERS else ():
            yield hardware, network_name(host), "mDNS"
    for dhcp in facts.heard(Dhcp4Message):
        if not dhcp.from_server:
            yield dhcp.client_hardware, network_name(dhcp.hostname), "DHCP"
    announced = announced_names(facts)
    streams = heard_streams(facts)
    senders = Counter(to for to, _ in {(place(flow), flow.source) for _, flow in streams})
    for _, flow in streams:
        stream = announced.get(place(flow))
        if stream is not None and senders[place(flow)] > 1 and stream.message.seen.src != flow.source:
            continue  # another who sends to the same place
        if stream is not None and (name := network_name(stream.name)):
            quoted = name if name.startswith("“") else f"“{name}”"
            yield flow.source, f"the sender of {quoted}", "announcement"
    yield from _written(facts)


def _written(facts: Facts) -> Iterator[tuple[str, str, Source]]:
    """What the capture's name records say of an address that one device alone has, and no other: a gateway
    sends from many."""
    written = facts.source.names if facts.source is not None else ()
    owners = owners_of(facts) if written else {}
    many = Counter(hardware for several in owners.values() for hardware in several)
    for address, name in written:
        for hardware in owners.get(address, ()):
            if len(owners[address]) == 1 and many[hardware] == 1:
                yield hardware, network_name(name), "capture"


def network_name(text: str) -> str:
    """A name that came from the network, fit for a sentence; "" where it is none, or claims to be something
    else."""
    name = spoken(text, LONGEST)
    if not name or name.casefold() == THIS_COMPUTER or HARDWARE.fullmatch(name) or _is_ip(name):
        return ""
    return name if PLAIN.fullmatch(name.rstrip("…")) else f"“{name}”"


def _is_ip(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def short_maker(hardware: str) -> str:
    """The first word of the maker's name as registered: enough to look for the box."""
    made = maker(hardware)
    if made in ("", RANDOM):
        return made or "device"
    return clean(made.replace(",", " ").split()[0], LONGEST_MAKER)


def end(hardware: str, octets: int = 2) -> str:
    return ":".join(hardware.split(":")[-octets:])
