"""Two devices of one name: by mDNS, LLDP, or the host name that they ask for an address with.

Strategy: what counts is the name that each hardware address told last, each way of telling for itself. One
device may speak from several ports or adapters: by LLDP its chassis tells it; else addresses next to one
another, or one IP address at both. A name that one took after the other had fallen silent went to a spare. A
proxy or a reflector tells others' names. By the rules of mDNS the second of one name calls itself name-2 (RFC
6762 section 9): that is a sign where it calls itself by the plain name too.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from preflight.checks.asks import Wire
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, listed, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed
from preflight.checks.see.inventory import owners_of
from preflight.checks.see.names import OF_OTHERS, network_name
from preflight.checks.step import before_doors, now
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.mdns import MdnsMessage
from preflight.wire.picked import Seen

CHECK = Check(
    name="name-clash",
    subject="wire",
    order=195,
    asks=Wire,
    question="Does every device have a name of its own?",
    looks_at="The names that devices tell by mDNS, LLDP and DHCP: one name at two devices, and names that "
    "mDNS changed for that.",
    why="Whoever looks for a device by its name gets the wrong one, or another at every start: a desk then "
    "controls the wrong box.",
    limits=(
        Limit("ports_apart", 4, "how far apart hardware addresses of one device may be", "common practice"),
        Limit(
            "as_delivered",
            4,
            "devices that ask by DHCP under one name, and more: they came so",
            "common practice",
        ),
    ),
    sources=(
        "RFC 6762 section 9: a name that another has gets a number",
        "IEEE 802.1AB: system name and chassis",
        "RFC 2132 section 3.14: host name",
    ),
    fixes=(
        before_doors(
            "Find the two devices by the addresses named here, and give one of them another name in its own "
            "settings."
        ),
        now("A copied set-up, or a spare? See that its address is its own, too."),
        AGAIN,
    ),
    cautions=("Some devices restart when they are renamed: do it before doors.",),
)
SHOWN = 6
MOST = 64  # of one name that are compared: a flood of made-up ones must not stall the verdict
NUMBERED = re.compile(r"(.+?)-([2-9]|[1-9]\d{1,2})")


@dataclass(frozen=True)
class _Name:
    """A name that a device told last in one way."""

    hardware: str
    name: str
    by: str
    seen: Seen


def judge(wire: Wire, limits: Limits) -> Says:
    told = [*_told(wire)]
    if not told:
        return
    have = _addresses(wire)
    life = {talker.hardware: (talker.first_s, talker.last_s) for talker in wire.tally.talkers}
    by_name: dict[tuple[str, str], list[_Name]] = defaultdict(list)
    for each in told:
        by_name[each.by, each.name.casefold()].append(each)
    wrong: list[Saw] = []
    notes: list[Evidence] = []
    for (by, _), same in by_name.items():
        if len(same) < 2:
            continue
        handy = all(int(each.hardware[:2], 16) & 2 for each in same)  # phones and tablets make up addresses
        if by == "DHCP" and (handy or len(same) >= limits["as_delivered"]):
            notes.append(
                Evidence(
                    f"{counted(len(same), 'device')} ask by DHCP under one name, as delivered: "
                    f"{_shown(same[0])}"
                )
            )
        elif clash := _two(same[:MOST], have, life, limits["ports_apart"]):
            wrong.append(_clash(clash, same, have))
        else:
            several = listed(who(each.hardware) for each in same[:SHOWN])
            notes.append(
                Evidence(
                    f"{_shown(same[0])} is told from several addresses of one device, or was taken over: "
                    f"{several}"
                )
            )
    wrong += _numbered(told, wire, have)
    devices = len({each.hardware for each in told})
    yield Measured({"devices_with_names": devices, "clashes": len(wrong)}, tuple(notes[:SHOWN]))
    yield from wrong
    yield passed(
        f"{counted(devices, 'device')} told {'its name' if devices == 1 else 'their names'}, and none has "
        "another's."
    )


def _told(wire: Wire) -> Iterator[_Name]:
    last: dict[tuple[str, str], _Name] = {}  # by LLDP under the chassis
    hosts: dict[str, dict[str, None]] = defaultdict(dict)
    for words in wire.heard(MdnsMessage):
        if words.hostnames and not words.for_another:
            for host in words.hostnames:
                hosts[words.seen.src][_plain(host)] = None
            name = _plain(words.hostnames[0])
            last["mDNS", words.seen.src] = _Name(words.seen.src, name, "mDNS", words.seen)
    for hardware in [mac for mac, several in hosts.items() if len(several) > OF_OTHERS]:
        del last["mDNS", hardware]
    for lldp in wire.heard(LldpNeighbour):
        if lldp.ttl_s:
            last["LLDP", lldp.chassis or lldp.seen.src] = _Name(
                lldp.seen.src, lldp.system_name, "LLDP", lldp.seen
            )
    for dhcp in wire.heard(Dhcp4Message):
        if not dhcp.from_server:
            hardware = dhcp.client_hardware
            last["DHCP", hardware] = _Name(hardware, dhcp.hostname, "DHCP", dhcp.seen)
    yield from (each for each in last.values() if network_name(each.name) and each.hardware)


def _plain(host: str) -> str:
    return host.rstrip(".").removesuffix(".local")


def _two(
    same: list[_Name], have: Mapping[str, set[str]], life: dict[str, tuple[float, float]], ports: float
) -> tuple[_Name, _Name] | None:
    """Two of those that told one name and are two devices for certain."""
    for one, other in combinations(same, 2):
        near = abs(_number(one.hardware) - _number(other.hardware)) <= ports
        shared = not have[one.hardware].isdisjoint(have[other.hardware])
        a, b = (life.get(each.hardware, (each.seen.time_s, each.seen.time_s)) for each in (one, other))
        if not near and not shared and max(a[0], b[0]) <= min(a[1], b[1]):
            return one, other
    return None


def _number(hardware: str) -> int:
    return int(hardware.replace(":", "") or "0", 16)


def _clash(two: tuple[_Name, _Name], same: list[_Name], have: Mapping[str, set[str]]) -> Saw:
    many = "Two" if len(same) == 2 else str(len(same))
    return caution(
        f"{many} devices are called {_shown(two[0])}: {_device(two[0].hardware, have)} and "
        f"{_device(two[1].hardware, have)}.",
        [
            Evidence(
                f"{_device(each.hardware, have)} tells the name {_shown(each)} by {each.by}",
                each.seen.frame,
                each.seen.time_s,
            )
            for each in same[:SHOWN]
        ],
        culprits=list(dict.fromkeys(each.hardware for each in same))[:16],
    )


def _numbered(told: list[_Name], wire: Wire, have: Mapping[str, set[str]]) -> Iterator[Saw]:
    """Names that mDNS numbered: the same device told the plain one too, and another has it."""
    plain: dict[str, set[str]] = defaultdict(set)
    for words in wire.heard(MdnsMessage):
        plain[words.seen.src].update(_plain(host).casefold() for host in words.hostnames)
    for each in told:
        if each.by != "mDNS":
            plain[each.hardware].add(each.name.casefold())
    called = defaultdict(list)
    for each in told:
        called[each.name.casefold()].append(each)
    for each in told:
        found = NUMBERED.fullmatch(each.name) if each.by == "mDNS" else None
        if found is None or found[1].casefold() not in plain[each.hardware]:
            continue
        others = [other for other in called[found[1].casefold()] if other.hardware != each.hardware]
        if others:
            first = others[0]
            yield caution(
                f"{_device(each.hardware, have)} had to take the name {_shown(each)}: "
                f"{_device(first.hardware, have)} is called {_shown(first)}.",
                [
                    Evidence(f"it calls itself {_shown(each)} by mDNS", each.seen.frame, each.seen.time_s),
                    Evidence(
                        f"the other tells {_shown(first)} by {first.by}", first.seen.frame, first.seen.time_s
                    ),
                ],
                culprits=[each.hardware, first.hardware],
            )


def _shown(name: _Name) -> str:
    called = network_name(name.name)
    return called if called.startswith("“") else f"“{called}”"


def _device(hardware: str, have: Mapping[str, set[str]]) -> str:
    mine = sorted(address for address in have[hardware] if ":" not in address)
    return who(hardware, mine[0] if mine else "")


def _addresses(wire: Wire) -> Mapping[str, set[str]]:
    """The IP addresses of each hardware address."""
    have: dict[str, set[str]] = defaultdict(set)
    for address, macs in owners_of(wire).items():
        for hardware in macs:
            have[hardware].add(address)
    return have
