"""Who asks for multicast members, who is one, and which groups flow: the tables behind the check
multicast-control.

All in capture time. Only the first messages of each sender were read; where the tally counted more, its times
stand in for those of the rest.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from itertools import combinations, pairwise

from preflight.checks.asks import Wire
from preflight.checks.step import before_doors
from preflight.tally.facts import Flow
from preflight.wire.datagram import IGMP, IPV4, UDP
from preflight.wire.igmp import IgmpMessage

ALL_SYSTEMS = "224.0.0.1"
NO_ADDRESS = "0.0.0.0"
ROBUSTNESS, RESPONSE_S = 2, 10.0  # defaults of RFC 2236 section 8 and RFC 3376 section 8

ANOTHER_FIRST = (
    before_doors(
        "It is the only IGMP querier, too: first turn a querier on in a switch. Without any the streams "
        "stop after minutes."
    ),
)


@dataclass(frozen=True)
class Querier:
    """One sender of General Queries, by its IPv4 address. `interval_s` is what it tells (version 3), `unread`
    whether it asked more often than was read."""

    address: str
    hardware: str
    own: bool
    version: int
    interval_s: float
    membership_s: float
    response_s: float
    times: tuple[float, ...]
    last_s: float
    unread: bool
    first_frame: int
    vlans: frozenset[int | None]


@dataclass
class Group:
    """A group by its IPv4 address: when each member (hardware address) last said so, and the frames that flow
    to it."""

    address: str
    members: dict[str, float] = field(default_factory=dict)
    ever_joined: bool = False
    flows: list[Flow] = field(default_factory=list)

    @property
    def joined_s(self) -> float | None:
        return max(self.members.values(), default=None)

    @property
    def matters(self) -> bool:
        """Whether audio or its clock flows in it."""
        return any(f.stream or f.clock for f in self.flows)

    @property
    def last_s(self) -> float:
        return max(f.last_s for f in self.flows)


def queriers(wire: Wire, usual_s: float) -> list[Querier]:
    """All who sent General Queries, the one that should be elected first: the lowest address (RFC 2236
    section 3). `usual_s` is the interval of one that does not tell it, unless it is seen to take its time."""
    asked: dict[str, list[IgmpMessage]] = defaultdict(list)
    for message in wire.heard(IgmpMessage):
        if message.is_general:
            asked[message.source].append(message)
    found = []
    for address, queries in asked.items():
        first, last = queries[0], queries[-1]
        times = tuple(query.seen.time_s for query in queries)
        flows = [
            f
            for f in wire.tally.flows
            if f.protocol == IGMP and f.destination_ip == ALL_SYSTEMS and f.source_ip == address
        ]
        gaps = [b - a for a, b in pairwise(times)]
        interval_s = last.interval_s or max(usual_s, round(_median(gaps)) if gaps else 0)
        response_s = last.max_response_s or RESPONSE_S
        found.append(
            Querier(
                address,
                first.seen.src,
                first.seen.outgoing,
                last.version,
                interval_s,
                (last.robustness or ROBUSTNESS) * interval_s + response_s,
                response_s,
                times,
                max([times[-1], *(f.last_s for f in flows)]),
                sum(f.frames for f in flows) > len(times),
                first.seen.frame,
                frozenset(f.vlan for f in flows),
            )
        )
    return sorted(found, key=lambda q: int(IPv4Address(q.address)))


def another_first(wire: Wire, hardware: str) -> tuple[str, ...]:
    """What comes before the steps that take a device away: the streams end minutes after the only querier
    went."""
    asking = {m.seen.src for m in wire.heard(IgmpMessage) if m.is_general and m.source != NO_ADDRESS}
    return ANOTHER_FIRST if asking == {hardware} else ()


def _median(values: list[float]) -> float:
    from statistics import median  # loads decimals and fractions

    return median(values)


def groups(wire: Wire) -> dict[str, Group]:
    """Every IPv4 group with members or traffic, those of the link alone (224.0.0.0/24) left out."""
    table: dict[str, Group] = {}
    for message in wire.heard(IgmpMessage):
        if message.kind != "report":
            continue
        for address in filter(_beyond_the_link, message.joined):
            group = table.setdefault(address, Group(address))
            group.members[message.seen.src] = message.seen.time_s
            group.ever_joined = True
        for address in message.left:
            if address in table:
                table[address].members.pop(message.seen.src, None)
    for member, last_s in unread_reporters(wire).items():
        for group in table.values():
            if member in group.members:
                group.members[member] = max(group.members[member], last_s)
    for flow in wire.tally.flows:
        udp = flow.cast == "multicast" and flow.protocol == UDP and flow.ethertype == IPV4
        if udp and not flow.discovery and _beyond_the_link(flow.destination_ip):
            table.setdefault(flow.destination_ip, Group(flow.destination_ip)).flows.append(flow)
    return table


def unread_reporters(wire: Wire) -> dict[str, float]:
    """Senders of more reports than were read, with the time of their last."""
    read = Counter(message.seen.src for message in wire.heard(IgmpMessage))
    sent: Counter[str] = Counter()
    last_s: dict[str, float] = {}
    for flow in wire.tally.flows:
        if flow.protocol == IGMP and flow.ethertype == IPV4:
            sent[flow.source] += flow.frames
            if flow.destination_ip != ALL_SYSTEMS:
                last_s[flow.source] = max(flow.last_s, last_s.get(flow.source, 0.0))
    return {source: at_s for source, at_s in last_s.items() if sent[source] > read[source]}


def rivals(asking: list[Querier], yield_s: float) -> tuple[Querier, Querier, float] | None:
    """Two queriers in one network, and when it showed: the one with the higher address asked, heard the other
    ask, and asked again. It should have yielded (RFC 2236 section 3). Start-up queries before that are
    natural."""
    for low, high in combinations((q for q in asking if q.address != NO_ADDRESS), 2):
        for heard in low.times if low.vlans & high.vlans else ():
            again = [t for t in high.times if heard + yield_s < t < heard + low.membership_s]
            if again and high.times[0] < heard:
                return low, high, again[0]
    return None


def _beyond_the_link(address: str) -> bool:
    return not address.startswith("224.0.0.") and bool(address)
