"""One IPv4 address at two devices, told from failover, spare units and proxies by how they take turns.

Strategy: whoever names an address as its own in ARP (RFC 826), or sends from it to all, claims it. Two who claim it by
turns are a clash. Where the first falls silent when the second comes, the address moved: failover, or a spare was
plugged in. Addresses that virtual routers share are theirs by design, and one who answers for many is a proxy. A probe
(RFC 5227) claims nothing, but a probe for an address that another has shows that two want it.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import AddressValueError, IPv4Address

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.wire.arp import ArpMessage

CHECK = Check(
    name="address-clash",
    subject="wire",
    order=190,
    asks=View,
    question="Does every device have an IPv4 address of its own?",
    looks_at=(
        "Which hardware address says that it has which IPv4 address, in ARP and in what goes to all. Addresses that move "
        "to a spare, virtual routers and proxies are told apart. This computer's own address too."
    ),
    why="Two devices with one address take each other's packets. Control and sound come and go, seemingly at random.",
    limits=(
        Limit("proxy", 4, "addresses that one answers for, and more: a proxy", "common practice; RFC 1027"),
        Limit(
            "probes",
            3,
            "addresses that one probes for, and more: it watches over others",
            "common practice",
        ),
        Limit(
            "still_there_s",
            1,
            "s that the first still talks after the second came",
            "common practice",
        ),
    ),
    sources=(
        "RFC 826: ARP",
        "RFC 5227: address conflict detection",
        "RFC 5798 section 7.3: hardware addresses of virtual routers",
    ),
    fixes=(
        "Find the two devices by their hardware addresses; the maker's name helps, and so does the switch's address table.",
        "Give one of them another address, or set both to get theirs automatically.",
        "Is one a copied or swapped-in spare? It still has the other's settings: change them, or unplug it.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for a minute while devices talk. Unplug and re-plug a device: it names its address then.",
)
PROXY_FIXES = (
    "Turn proxy ARP off in the device that answers for others, or on the port it uses.",
    "Is a virtual private network or connection sharing on in it? Turn that off.",
    "Run the line check again.",
)
# Hardware addresses that several routers share, each for one address: RFC 5798 7.3; the others from memory.
VIRTUAL_ROUTERS = ("00:00:5e:00:01:", "00:00:0c:07:ac:", "00:00:0c:9f:f")
BROADCAST = "ff:ff:ff:ff:ff:ff"
Place = tuple[int | None, str]  # VLAN and address


@dataclass
class _Claim:
    """One hardware address with one IPv4 address. `times` are of what was seen of it, with the frame numbers."""

    hardware: str
    times: list[tuple[float, int | None]]
    answered: bool = False

    @property
    def first_s(self) -> float:
        return min(self.times)[0]

    @property
    def last_s(self) -> float:
        return max(time for time, _ in self.times)


@dataclass(frozen=True)
class _Trouble:
    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...]
    culprits: tuple[str, ...]
    span: tuple[float, float]
    fixes: tuple[str, ...] = CHECK.fixes


def judge(facts: Facts) -> Finding | None:
    if facts.source is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    claims = _claims(facts)
    addresses: dict[str, set[str]] = defaultdict(set)
    for (_, address), holders in claims.items():
        for claim in holders:
            if claim.answered:
                addresses[claim.hardware].add(address)
    proxies = {hardware for hardware, many in addresses.items() if len(many) >= CHECK.limit("proxy")}
    talkers = facts.tally.talkers if facts.tally is not None else ()
    last_heard = {talker.hardware: talker.last_s for talker in talkers}
    troubles: list[_Trouble] = []
    notes: list[Evidence] = []
    for place, holders in claims.items():
        if len(holders) > 1:
            found = _shared(place, holders, proxies, last_heard, facts)
            if isinstance(found, Evidence):
                notes.append(found)
            elif found is not None:
                troubles.append(found)
    troubles += _probed(claims, facts)
    measured = {
        "addresses": len(claims),
        "clashes": sum(trouble.outcome == Outcome.FAIL for trouble in troubles),
        "proxies": sorted(proxies),
    }
    limits = CHECK.values()
    for proxy in sorted(proxies):
        notes.append(Evidence(f"{who(proxy)} answers for {count_text(len(addresses[proxy]))} addresses"))
    if not troubles:
        if not claims:
            return Finding(
                CHECK.name, Outcome.UNPROVEN, "No device named its IPv4 address.", fixes=(CHECK.unproven,)
            )
        many = "1 IPv4 address" if len(claims) == 1 else f"{count_text(len(claims))} IPv4 addresses"
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{many} heard, none at two devices.",
            evidence=tuple(notes[:8]),
            measured=measured,
            limits=limits,
        )
    troubles.sort(key=lambda trouble: (trouble.outcome != Outcome.FAIL, trouble.span))
    first = troubles[0]
    gravest = [trouble for trouble in troubles if trouble.outcome == first.outcome]
    more = f" And {count_text(len(gravest) - 1)} more." if len(gravest) > 1 else ""
    return Finding(
        CHECK.name,
        first.outcome,
        first.headline + more,
        evidence=(*first.evidence, *(e for t in troubles[1:] for e in t.evidence[:2]), *notes)[:16],
        measured=measured,
        limits=limits,
        fixes=first.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(culprit for trouble in gravest for culprit in trouble.culprits)),
        spans=tuple(sorted({trouble.span for trouble in gravest})),
    )


def _claims(facts: Facts) -> dict[Place, list[_Claim]]:
    """Who has which address, by all that was heard and by what this computer says of itself."""
    found: dict[Place, dict[str, _Claim]] = defaultdict(dict)

    def claim(
        vlan: int | None, address: str, hardware: str, *times: tuple[float, int | None], answer: bool = False
    ) -> None:
        if not _usable(address) or not _single(hardware):
            return
        entry = found[(vlan, address)].setdefault(hardware, _Claim(hardware, []))
        entry.times.extend(times)
        entry.answered |= answer

    for arp in facts.heard(ArpMessage):
        if arp.sender_address:
            seen = (arp.seen.time_s, arp.seen.frame)
            claim(arp.vlan, arp.sender_address, arp.sender_hardware, seen, answer=arp.op == 2)
    # What goes to all on this network comes from its sender, not by a router. A mirror shows both sides of routers.
    if facts.tally is not None and facts.vantage != "mirror":
        for flow in facts.tally.flows:
            if flow.cast != "unicast" and "." in flow.source_ip and flow.frames >= 2:
                claim(
                    flow.vlan,
                    flow.source_ip,
                    flow.source,
                    (flow.first_s, flow.first_frame),
                    (flow.last_s, None),
                )
    if facts.host is not None and facts.source is not None:
        audio = facts.host.adapter(facts.adapter)
        if audio is not None and audio.hardware_address:
            end = facts.source.duration_s
            for address in audio.addresses:
                claim(None, address.text, audio.hardware_address.lower(), (0.0, None), (end, None))
    return {place: list(holders.values()) for place, holders in found.items()}


def _shared(
    place: Place, holders: list[_Claim], proxies: set[str], last_heard: Mapping[str, float], facts: Facts
) -> _Trouble | Evidence | None:
    """What it means that several claim one address; a mere note where it is no fault."""
    address = place[1] + (f" (VLAN {place[0]})" if place[0] is not None else "")
    own = _own(facts)
    holders = sorted(holders, key=lambda claim: claim.first_s)
    if all(claim.hardware in own for claim in holders):
        return None  # two adapters of this computer: the addressing check's matter
    virtual = [claim for claim in holders if claim.hardware.startswith(VIRTUAL_ROUTERS)]
    if len(holders) - len(virtual) < 2:
        return Evidence(f"{address} belongs to a virtual router ({who(virtual[0].hardware)})")
    real = [claim for claim in holders if claim not in virtual]
    before, after = real[0], real[1]
    evidence = tuple(
        Evidence(
            f"{who(claim.hardware)}{', this computer,' if claim.hardware in own else ''} has {address}",
            min(claim.times, key=lambda seen: (seen[1] is None, seen))[1],
            claim.first_s,
        )
        for claim in real[:6]
    )
    culprits = tuple(claim.hardware for claim in real)
    span = (after.first_s, max(after.first_s, min(before.last_s, after.last_s)))
    if any(claim.hardware in proxies for claim in real):
        proxy = next(claim for claim in real if claim.hardware in proxies)
        return _Trouble(
            Outcome.CAUTION,
            f"{who(proxy.hardware)} answers for addresses of others, {address} among them.",
            evidence,
            (proxy.hardware,),
            span,
            PROXY_FIXES,
        )
    if before.last_s > after.first_s:
        return _Trouble(
            Outcome.FAIL,
            f"{address} is at {'two' if len(real) == 2 else count_text(len(real))} devices: "
            f"{' and '.join(who(claim.hardware) for claim in real[:2])}.",
            evidence,
            culprits,
            span,
        )
    talks = last_heard.get(before.hardware, 0.0)
    if talks > after.first_s + CHECK.limit("still_there_s") and not _elsewhere(facts, before.hardware, after):
        return _Trouble(
            Outcome.CAUTION,
            f"{address} may be at two devices: {who(before.hardware)} and {who(after.hardware)}.",
            (*evidence, Evidence(f"{who(before.hardware)} still talks after that", time_s=talks)),
            culprits,
            span,
        )
    return Evidence(
        f"{address} moved from {who(before.hardware)} to {who(after.hardware)}: a failover, or a spare",
        time_s=after.first_s,
    )


def _probed(claims: dict[Place, list[_Claim]], facts: Facts) -> Iterable[_Trouble]:
    """Probes for an address that another has (RFC 5227 section 2.1.1). Link-local addresses are found that way."""
    probes: dict[str, dict[Place, ArpMessage]] = defaultdict(dict)
    for arp in facts.heard(ArpMessage):
        if not arp.sender_address and arp.seen.dst == BROADCAST and _usable(arp.target_address):
            probes[arp.sender_hardware].setdefault((arp.vlan, arp.target_address), arp)
    for hardware, wanted in probes.items():
        if len(wanted) >= CHECK.limit("probes"):
            continue
        for (vlan, address), arp in wanted.items():
            holders = [claim for claim in claims.get((vlan, address), ()) if claim.hardware != hardware]
            mine = any(claim.hardware == hardware for claim in claims.get((vlan, address), ()))
            if mine or IPv4Address(address).is_link_local:
                continue  # told as a clash where it took the address all the same
            holder = next((claim for claim in holders if claim.last_s >= arp.seen.time_s), None)
            if holder is not None:
                yield _Trouble(
                    Outcome.CAUTION,
                    f"{who(hardware)} wants {address}, which {who(holder.hardware)} has.",
                    (
                        Evidence(
                            f"{who(hardware)} probes whether {address} is free",
                            arp.seen.frame,
                            arp.seen.time_s,
                        ),
                        Evidence(f"{who(holder.hardware)} has it", time_s=holder.last_s),
                    ),
                    (hardware,),
                    (arp.seen.time_s, holder.last_s),
                )


def _own(facts: Facts) -> set[str]:
    """The hardware addresses of this computer."""
    sent = {arp.sender_hardware for arp in facts.heard(ArpMessage) if arp.seen.outgoing}
    if facts.host is None:
        return sent
    return sent | {
        adapter.hardware_address.lower() for adapter in facts.host.adapters if adapter.hardware_address
    }


def _elsewhere(facts: Facts, hardware: str, after: _Claim) -> bool:
    """Whether it named another address from then on: it was renumbered."""
    return any(
        arp.sender_hardware == hardware and arp.sender_address and arp.seen.time_s >= after.first_s
        for arp in facts.heard(ArpMessage)
    )


def _usable(address: str) -> bool:
    """Whether a device can have it: no group, no broadcast, not this host or network."""
    try:
        ip = IPv4Address(address)
    except AddressValueError:
        return False
    return not (ip.is_multicast or ip.is_loopback or ip.is_unspecified or int(ip) >> 24 in (0, 255))


def _single(hardware: str) -> bool:
    """Whether it is the address of one device: no group, not empty, not all zeros."""
    return bool(hardware.strip("0:")) and not int(hardware[:2], 16) & 1
