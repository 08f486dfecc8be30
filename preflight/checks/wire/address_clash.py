"""One address at two devices, told from failover, spare units and proxies by how they take turns.

Strategy: whoever names an address as its own in ARP (RFC 826) or by neighbour discovery (RFC 4861), or sends
from it to all, claims it. Two who claim it by turns are a clash. Where the first falls silent when the second
comes, the address moved: failover, or a spare was plugged in. It may move back as well, as long as whoever
takes it announces that, and keeps it for a while. Addresses that virtual routers share are theirs by design,
and one who answers for many is a proxy. A probe (RFC 5227) claims nothing, but a probe for an address that
another has shows that two want it.

One hardware address at two devices shows where it asks for an address that it has itself, for nobody asks for
his own but to announce it, and where it tells two names, each from an address of its own.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from itertools import pairwise

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, unproven
from preflight.checks.see.addresses import own_hardware, usable4, usable6
from preflight.checks.see.damage import damaged
from preflight.checks.step import in_a_break, managed, now
from preflight.wire.arp import ArpMessage
from preflight.wire.icmp import NeighbourMessage
from preflight.wire.mdns import MdnsMessage

CHECK = Check(
    name="address-clash",
    subject="wire",
    order=190,
    asks=Wire,
    question="Does every device have addresses of its own?",
    looks_at=(
        "Which hardware address says that it has which IP address, in ARP, neighbour discovery and what "
        "goes to all. Addresses that move to a spare, virtual routers and proxies are told apart. This "
        "computer's own address too. Hardware addresses that two devices have."
    ),
    why="Two devices with one address take each other's packets. Control and sound come and go, seemingly "
    "at random.",
    limits=(
        Limit("proxy", 4, "addresses that one answers for, and more: a proxy", "common practice; RFC 1027"),
        Limit(
            "probes", 3, "addresses that one probes for, and more: it watches over others", "common practice"
        ),
        Limit("kept_s", 2, "s that an address stays where it moved", "common practice"),
        Limit("still_there_s", 1, "s that the first still talks after the second came", "common practice"),
    ),
    sources=(
        "RFC 826: ARP",
        "RFC 5227: address conflict detection",
        "RFC 4861 section 4.4: IPv6 neighbours, and what several may answer for",
        "RFC 5798 section 7.3: hardware addresses of virtual routers",
    ),
    fixes=(
        now("Find the two devices by their hardware addresses; the maker's name helps."),
        managed(
            now("Look up the hardware addresses in the switch's address table: that tells the port of each.")
        ),
        "Give one of them another address, or set both to get theirs automatically.",
        "Is one a copied or swapped-in spare? It still has the other's settings: change them, or unplug it.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=in_a_break(
        "Listen for a minute while devices talk. Unplug and re-plug a device: it names its address then."
    ),
)
COPIED_FIXES = (
    now("Find the two devices by the addresses and names here."),
    managed(now("Look up the two ports at which the switch sees this hardware address by turns.")),
    "A copied disk or set-up? Give one of them its own hardware address back.",
    "A wireless bridge that puts its own address in place of others'? Join those devices by cable.",
    AGAIN,
)
PROXY_FIXES = (
    "Turn proxy ARP off in the device that answers for others, or on the port it uses.",
    "Is a virtual private network or connection sharing on in it? Turn that off.",
    AGAIN,
)
# Hardware addresses that several routers share, each for one address: RFC 5798 7.3; the others from memory.
VIRTUAL_ROUTERS = ("00:00:5e:00:01:", "00:00:5e:00:02:", "00:00:0c:07:ac:", "00:00:0c:9f:f")
BROADCAST = "ff:ff:ff:ff:ff:ff"
# Where bits were flipped, one frame may say anything, and what is told so much less often than something else
# at the same address is a damaged copy of it. Common practice.
LEAST, DAMAGED = 2, 0.1
Place = tuple[int | None, str]  # VLAN and address


@dataclass
class _Claim:
    """One hardware address with one IP address. `times` are of what was seen of it, with the frame
    numbers."""

    hardware: str
    times: list[tuple[float, int | None]]
    answered: bool = False
    # In ARP or neighbour discovery: when, and whether to announce itself.
    spoke: list[tuple[float, bool]] = field(default_factory=list)

    @property
    def first_s(self) -> float:
        return min(time for time, _ in self.times)

    @property
    def first_frame(self) -> int | None:
        return min((seen for seen in self.times if seen[1] is not None), default=(0.0, None))[1]

    @property
    def last_s(self) -> float:
        return max(time for time, _ in self.times)


def judge(wire: Wire, limits: Limits) -> Says:
    claims = _claims(wire)
    answered: dict[str, set[str]] = defaultdict(set)
    for (_, address), holders in claims.items():
        for claim in holders:
            if claim.answered:
                answered[claim.hardware].add(address)
    proxies = {hardware for hardware, many in answered.items() if len(many) >= limits["proxy"]}
    several = [(place, holders) for place, holders in claims.items() if len(holders) > 1]
    shared = [_shared(place, holders, proxies, wire, limits) for place, holders in several]
    notes = [each for each in shared if isinstance(each, Evidence)]
    for proxy in sorted(proxies):
        notes.append(Evidence(f"{who(proxy)} answers for {count_text(len(answered[proxy]))} addresses"))
    wrong = [each for each in shared if isinstance(each, Saw)] + list(_probed(claims, wire, limits["probes"]))
    wrong += _copied(claims, proxies, wire)
    clashes = sum(each.outcome == Outcome.FAIL for each in wrong)
    measured = {"addresses": len(claims), "clashes": clashes, "proxies": sorted(proxies)}
    yield Measured(measured, tuple(notes))
    yield from sorted(wrong, key=lambda each: each.spans)
    if claims:
        kinds = Counter("IPv6" if ":" in address else "IPv4" for _, address in claims)
        many = [
            f"{count_text(n)} {kind} address{'' if n == 1 else 'es'}" for kind, n in sorted(kinds.items())
        ]
        yield passed(f"{' and '.join(many)} heard, none at two devices.")
    else:
        yield unproven("No device named its IP address.")


def _claims(wire: Wire) -> dict[Place, list[_Claim]]:
    """Who has which address, by all that was heard and by what this computer says of itself."""
    found: dict[Place, dict[str, _Claim]] = defaultdict(dict)

    def claim(place: Place, hardware: str, *times: tuple[float, int | None], answer: bool = False) -> None:
        if (usable4(place[1]) or usable6(place[1])) and _single(hardware):
            entry = found[place].setdefault(hardware, _Claim(hardware, []))
            entry.times.extend(times)
            entry.answered |= answer

    senders = {talker.hardware for talker in wire.tally.talkers}
    for arp in wire.heard(ArpMessage):
        if arp.sender_hardware != arp.seen.src and arp.sender_hardware not in senders:
            continue  # nobody ever sent from it: bits were flipped
        seen = (arp.seen.time_s, arp.seen.frame)
        claim((arp.vlan, arp.sender_address), arp.sender_hardware, seen, answer=arp.op == 2)
        holder = found.get((arp.vlan, arp.sender_address), {}).get(arp.sender_hardware)
        if holder is not None:
            holder.spoke.append((arp.seen.time_s, arp.sender_address == arp.target_address))
    for told in wire.heard(NeighbourMessage):
        where, hardware = (told.vlan, told.address), told.seen.src
        claim(where, hardware, (told.seen.time_s, told.seen.frame))
        if (holder := found[where].get(hardware)) is not None:
            holder.spoke.append((told.seen.time_s, told.announced))
    # What goes to all on this network comes from its sender, not by a router. A mirror shows both sides of
    # routers.
    for flow in wire.tally.flows if wire.vantage != "mirror" else ():
        if flow.cast != "unicast" and flow.frames >= 2:
            place = flow.vlan, flow.source_ip
            claim(place, flow.source, (flow.first_s, flow.first_frame), (flow.last_s, None))
    audio = wire.host.adapter(wire.adapter) if wire.host is not None else None
    if audio is not None and audio.hardware_address:
        for address in audio.addresses:
            hardware, end_s = audio.hardware_address.lower(), wire.source.duration_s
            claim((None, address.text), hardware, (0.0, None), (end_s, None))
    least = LEAST if damaged(wire) else 1
    return {
        place: [claim for claim in holders.values() if len(claim.times) >= least]
        for place, holders in found.items()
    }


def _shared(
    place: Place, holders: list[_Claim], proxies: set[str], wire: Wire, limits: Limits
) -> Saw | Evidence | None:
    """What it means that several claim one address; a mere note where it is no fault."""
    address = place[1] + (f" (VLAN {place[0]})" if place[0] is not None else "")
    own = own_hardware(wire)
    if all(claim.hardware in own for claim in holders):
        return None  # two adapters of this computer: the addressing check's matter
    holders = sorted(holders, key=lambda claim: claim.first_s)
    virtual = [claim for claim in holders if claim.hardware.startswith(VIRTUAL_ROUTERS)]
    real = [claim for claim in holders if claim not in virtual]
    if len(real) < 2:
        return Evidence(f"{address} belongs to a virtual router ({who(virtual[0].hardware)})")
    if damaged(wire):
        most = max(len(claim.times) for claim in real)
        real = [claim for claim in real if len(claim.times) >= DAMAGED * most]
        if len(real) == 1:
            return Evidence(
                f"{address} is {who(real[0].hardware)}'s; damaged copies of its frames say otherwise"
            )
    before, after = real[0], real[1]
    old, new = who(before.hardware), who(after.hardware)
    evidence = [
        Evidence(
            f"{who(claim.hardware)}{', this computer,' if claim.hardware in own else ''} has {address}",
            claim.first_frame,
            claim.first_s,
        )
        for claim in real[:6]
    ]
    spans = [(after.first_s, max(after.first_s, min(before.last_s, after.last_s)))]
    culprits = [claim.hardware for claim in real]
    if proxy := next((hardware for hardware in culprits if hardware in proxies), None):
        headline = f"{who(proxy)} answers for addresses of others, {address} among them."
        return caution(headline, evidence, culprits=[proxy], spans=spans, fixes=PROXY_FIXES)
    if before.last_s > after.first_s and _handed_over(real, limits["kept_s"]):
        return Evidence(f"{address} moved between {old} and {new}, each time announced: a failover")
    if before.last_s > after.first_s:
        many = "two" if len(real) == 2 else count_text(len(real))
        headline = f"{address} is at {many} devices: {old} and {new}."
        return fail(headline, evidence, culprits=culprits, spans=spans)
    talks = next((each.last_s for each in wire.tally.talkers if each.hardware == before.hardware), 0.0)
    still_there = talks > after.first_s + limits["still_there_s"]
    if still_there and not _elsewhere(wire, place[1], before.hardware, after.first_s):
        evidence.append(Evidence(f"{old} still talks after that", time_s=talks))
        headline = f"{address} may be at two devices: {old} and {new}."
        return caution(headline, evidence, culprits=culprits, spans=spans)
    return Evidence(f"{address} moved from {old} to {new}: a failover, or a spare", time_s=after.first_s)


def _handed_over(claims: list[_Claim], kept_s: float) -> bool:
    """Whether the address went from one to the other and back by announcements alone (RFC 5227 section 3),
    and stayed for a while each time. Two that both want it announce it against one another at once, or answer
    for it by turns."""
    spoke = sorted((at_s, claim.hardware, announced) for claim in claims for at_s, announced in claim.spoke)
    moves = [now for one, now in pairwise(spoke) if one[1] != now[1]]
    return (
        len(moves) > 1
        and all(announced for _, _, announced in moves)
        and all(later[0] - earlier[0] >= kept_s for earlier, later in pairwise(moves))
    )


def _copied(claims: Mapping[Place, list[_Claim]], proxies: set[str], wire: Wire) -> Iterator[Saw]:
    """Hardware addresses that two devices have. One that answers for many is a proxy."""
    told: set[str] = set()
    for arp in wire.heard(ArpMessage):
        hardware, asker, asked_for = arp.sender_hardware, arp.sender_address, arp.target_address
        if arp.op != 1 or not asker or asker == asked_for or hardware in proxies or hardware in told:
            continue
        mine = [
            next((c for c in claims.get((arp.vlan, address), ()) if c.hardware == hardware), None)
            for address in (asker, asked_for)
        ]
        its_own = mine[1]
        # Once alone, an address may be another's of which a bit was flipped.
        if any(claim is None or len(claim.times) < 2 for claim in mine) or its_own is None:
            continue
        if its_own.first_s < arp.seen.time_s < its_own.last_s:
            told.add(hardware)
            yield fail(
                f"Two devices have one hardware address: {who(hardware)} has {asker} and {asked_for}, and "
                "asks for itself.",
                [
                    Evidence(f"from {asker} it asks who has {asked_for}", arp.seen.frame, arp.seen.time_s),
                    Evidence(f"it says that it has {asked_for}", its_own.first_frame, its_own.first_s),
                ],
                culprits=[hardware],
                spans=[(its_own.first_s, its_own.last_s)],
                fixes=COPIED_FIXES,
            )
    names: dict[str, list[MdnsMessage]] = defaultdict(list)
    for message in wire.heard(MdnsMessage):
        if message.hostnames and message.source and not message.for_another:
            names[message.seen.src].append(message)
    for hardware, messages in names.items():
        if hardware in told or hardware in proxies or not _single(hardware):
            continue
        turns = [(m.source, m.hostnames[0]) for m in messages if ":" not in m.source]
        first, then = turns[0] if turns else ("", ""), None
        for turn in turns:
            if then is None and turn[0] != first[0] and turn[1] != first[1]:
                then = turn
            elif then is not None and turn == first:
                at = messages[0].seen
                yield caution(
                    f"Two devices may have one hardware address: {who(hardware)} calls itself by two names "
                    "in turn.",
                    [
                        Evidence(f"“{name.removesuffix('.local.')}” from {source}", at.frame, at.time_s)
                        for source, name in (first, then)
                    ],
                    culprits=[hardware],
                    spans=[(messages[0].seen.time_s, messages[-1].seen.time_s)],
                    fixes=COPIED_FIXES,
                )
                break


def _probed(claims: Mapping[Place, list[_Claim]], wire: Wire, most: float) -> Iterator[Saw]:
    """Probes for an address that another has (RFC 5227 section 2.1.1). Link-local addresses are found that
    way."""
    probes: dict[str, dict[Place, ArpMessage]] = defaultdict(dict)
    for arp in wire.heard(ArpMessage):
        if not arp.sender_address and arp.seen.dst == BROADCAST and usable4(arp.target_address):
            probes[arp.sender_hardware].setdefault((arp.vlan, arp.target_address), arp)
    for hardware, wanted in probes.items():
        for place, arp in wanted.items() if len(wanted) < most else ():
            address, at_s = place[1], arp.seen.time_s
            holders = {claim.hardware: claim.last_s for claim in claims.get(place, ())}
            if hardware in holders or IPv4Address(address).is_link_local:
                continue  # told as a clash where it took the address all the same
            holder = next((mac for mac, last_s in holders.items() if last_s >= at_s), None)
            if holder is not None:
                yield caution(
                    f"{who(hardware)} wants {address}, which {who(holder)} has.",
                    [
                        Evidence(f"{who(hardware)} probes whether {address} is free", arp.seen.frame, at_s),
                        Evidence(f"{who(holder)} has it", time_s=holders[holder]),
                    ],
                    culprits=[hardware],
                    spans=[(at_s, holders[holder])],
                )


def _elsewhere(wire: Wire, address: str, hardware: str, since_s: float) -> bool:
    """Whether it named another address of that kind from then on: it was renumbered."""
    if ":" in address:
        told = ((each.seen.src, each.seen.time_s) for each in wire.heard(NeighbourMessage))
    else:
        told = (
            (arp.sender_hardware, arp.seen.time_s) for arp in wire.heard(ArpMessage) if arp.sender_address
        )
    return any(speaker == hardware and at_s >= since_s for speaker, at_s in told)


def _single(hardware: str) -> bool:
    """Whether it is the address of one device: no group, not empty, not all zeros."""
    return bool(hardware.strip("0:")) and not int(hardware[:2], 16) & 1
