"""Whether the devices that speak IPv4 here can reach one another: by subnet, without a rig sheet.

Strategy: which addresses each device has is told by ARP and by what it sends to all. How long the subnets are
nobody tells, so that two addresses count as apart only where no mask in use joins them: one link-local and
one not, or in different blocks for private use (RFC 1918), or else apart in the first 16 bits; and not where
one was asked for by ARP from the other, for only neighbours are. A mask is told by a broadcast to a subnet's
last address: two that reckon with different masks are a fault as well. Where the devices of another plan send
the same streams once more, by one source identifier, that plan is the second network of a redundant pair.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, listed, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, trouble, unproven
from preflight.checks.see.addresses import block as block_of
from preflight.checks.see.addresses import usable4
from preflight.checks.see.damage import damaged
from preflight.checks.see.streams import second_of_a_pair
from preflight.checks.step import in_a_break, now
from preflight.tally.facts import Flow
from preflight.wire.arp import ArpMessage

CHECK = Check(
    name="one-subnet",
    subject="wire",
    order=205,
    asks=Wire,
    question="Are all devices in one IPv4 subnet?",
    looks_at="The IPv4 address of each device by ARP and by what it sends to all; which subnets broadcasts "
    "are meant for.",
    why="Devices in different subnets are on one cable and cannot reach one another: control and discovery "
    "fail at random.",
    limits=(
        Limit(
            "strays",
            2,
            "devices of another plan: two plans are mixed; one may be a visitor",
            "common practice",
        ),
    ),
    sources=(
        "RFC 826: ARP asks neighbours only",
        "RFC 1918: blocks for private use; RFC 3927: link-local addresses",
        "RFC 919: broadcast to a subnet",
    ),
    fixes=(
        "Give the device named here an address and a mask as the others have, as the show's address plan "
        "says.",
        "Is its address 169.254...? It found no DHCP server and no fixed setting: set the address by hand.",
        now("A device that does not belong here at all? Unplug it."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=in_a_break(
        "Listen for a minute while devices talk. Unplug and re-plug a device: it names its address then."
    ),
)
PAIR_FIXES = (
    now(
        "Is this a capture of both on purpose, by a mirror or of two put together? Then judge each by "
        "itself, and both by `preflight between --pair`."
    ),
    in_a_break(
        "Else one cable, or one port in the wrong VLAN, joins both networks: find it. What disturbs one of "
        "them now disturbs both."
    ),
    AGAIN,
)
LINK_LOCAL = IPv4Network("169.254.0.0/16")
SHOWN, MOST = 6, 512  # a flood of made-up senders must not stall the verdict
Plan = dict[str, set[IPv4Address]]  # the addresses of each device, by hardware address


def judge(wire: Wire, limits: Limits) -> Says:
    told: Counter[tuple[str, IPv4Address]] = Counter()
    asked: list[tuple[IPv4Address, IPv4Address]] = []
    for arp in wire.heard(ArpMessage):
        sender, target = usable4(arp.sender_address), usable4(arp.target_address)
        if sender is not None and arp.vlan is None:
            told[arp.sender_hardware, sender] += 1
            if target is not None:
                asked.append((sender, target))
    to_all = [f for f in wire.tally.flows if f.cast != "unicast" and f.vlan is None and f.source]
    for flow in to_all:
        address = usable4(flow.source_ip)
        if address is not None:
            told[flow.source, address] += flow.frames
    least = 2 if damaged(wire) else 1  # where bits were flipped, one frame may say anything
    have: Plan = defaultdict(set)
    for (hardware, address), times in told.items():
        if times >= least and len(have) < MOST:
            have[hardware].add(address)
    plans = _plans(have, asked)
    yield Measured({"devices": len(have), "plans": [str(plan) for plan, _ in plans]})
    if len(have) < 2:
        yield unproven("Fewer than two devices told their IPv4 address.")
        return
    yield from _apart(plans, have, wire, limits)
    yield from _masks(to_all)
    yield passed(f"{counted(len(have), 'device')} with IPv4 addresses, all in one plan ({plans[0][0]}).")


def _plans(
    have: Plan, asked: Iterable[tuple[IPv4Address, IPv4Address]]
) -> list[tuple[IPv4Network, list[str]]]:
    """The blocks in use and their devices, that of most devices first; a device in several is in the larger
    one only. Blocks that one mask joins go by the name of the one with most devices."""
    joined: dict[IPv4Network, IPv4Network] = {}

    def root(block: IPv4Network) -> IPv4Network:
        while joined.get(block, block) != block:
            block = joined[block]
        return block

    for one, other in asked:
        a, b = root(block_of(one)), root(block_of(other))
        if a != b and LINK_LOCAL not in (a, b):
            joined[b] = a
    members: dict[IPv4Network, list[str]] = defaultdict(list)
    size: Counter[IPv4Network] = Counter()
    for hardware, addresses in have.items():
        blocks = {block_of(address) for address in addresses}
        size.update(blocks)
        for block in {root(each) for each in blocks}:
            members[block].append(hardware)
    name: dict[IPv4Network, IPv4Network] = {}
    for block in sorted(size, key=lambda each: (-size[each], each)):
        name.setdefault(root(block), block)
    plans, placed = [], set[str]()
    for block, devices in sorted(members.items(), key=lambda each: (-len(each[1]), each[0])):
        if left := [hardware for hardware in devices if hardware not in placed]:
            plans.append((name[block], left))
            placed.update(left)
    return plans


def _apart(
    plans: list[tuple[IPv4Network, list[str]]], have: Plan, wire: Wire, limits: Limits
) -> Iterable[Saw]:
    """Devices beside the plan that most follow."""
    if len(plans) < 2:
        return
    (main, majority), *others = plans
    plays = {flow.source for flow in wire.tally.flows if flow.stream or flow.clock}
    first = {talker.hardware: talker for talker in wire.tally.talkers}
    for block, strays in others:
        if second_of_a_pair(strays, majority, wire):
            yield caution(
                f"Both networks of a redundant pair are here: {main} and {block}.",
                [
                    Evidence(f"in {net}: {listed(_named(each, have) for each in some[:3])}")
                    for net, some in ((main, majority), (block, strays))
                ],
                fixes=PAIR_FIXES,
            )
            continue
        fell_back = LINK_LOCAL in (block, main)
        grave = fell_back or len(strays) >= limits["strays"] or any(each in plays for each in strays)
        named = _named(strays[0], have)
        headline = (
            f"{named} has fallen back to a link-local address; the others are in {main}."
            if block == LINK_LOCAL and len(strays) == 1
            else f"{counted(len(strays), 'device')} have other addresses ({block}) than most ({main}): "
            f"{named}."
            if len(strays) > 1
            else f"{named} is in another subnet than the others ({main})."
        )
        yield trouble(
            Outcome.FAIL if grave else Outcome.CAUTION,
            headline,
            [
                Evidence(_named(hardware, have), first[hardware].first_frame, first[hardware].first_s)
                if hardware in first
                else Evidence(_named(hardware, have))
                for hardware in strays[:SHOWN]
            ]
            + [Evidence(f"in {main}: {listed(_named(each, have) for each in majority[:3])}")],
            culprits=strays[:16],
        )


def _masks(to_all: list[Flow]) -> Iterable[Saw]:
    """Devices whose broadcasts are meant for subnets of another length."""
    told: dict[IPv4Network, list[Flow]] = defaultdict(list)
    for flow in to_all:
        subnet = _meant(flow)
        if subnet is not None:
            told[subnet].append(flow)
    subnets = sorted(told, key=lambda net: (-len({f.source for f in told[net]}), net))
    for main in subnets[:1]:
        for other in subnets[1:]:
            if not other.overlaps(main):
                continue
            say = fail if len({f.source for f in told[main]}) > 1 else caution
            flow = told[other][0]
            yield say(
                f"{who(flow.source, flow.source_ip)} reckons with the mask /{other.prefixlen}, others with "
                f"/{main.prefixlen}.",
                [
                    Evidence(
                        f"{who(each.source, each.source_ip)} sends to all of {net} ({each.destination_ip})",
                        each.first_frame,
                        each.first_s,
                    )
                    for net in (other, main)
                    for each in told[net][:3]
                ],
                culprits=list(dict.fromkeys(each.source for each in told[other]))[:16],
            )


def _meant(flow: Flow) -> IPv4Network | None:
    """The subnet to all of whose addresses a flow goes, as its sender reckons; None where it goes to a group
    or to everybody."""
    source, to = usable4(flow.source_ip), usable4(flow.destination_ip)
    if flow.cast != "broadcast" or source is None or to is None:
        return None
    nets = (IPv4Network((int(source), prefix), strict=False) for prefix in range(8, 31))
    return next((net for net in nets if net.broadcast_address == to), None)


def _named(hardware: str, have: Plan) -> str:
    return who(hardware, str(min(have[hardware])))
