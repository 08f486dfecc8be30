"""Who asks for multicast members, who is one, and which groups flow: the tables behind the check multicast-control.

All in capture time. Only the first messages of each sender were read; where the tally counted more, its times
stand in for those of the rest.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from itertools import pairwise
from statistics import median

from preflight.facts import Facts
from preflight.tally.facts import Flow
from preflight.wire.igmp import IgmpMessage

IGMP = 2
ALL_SYSTEMS = "224.0.0.1"
NO_ADDRESS = "0.0.0.0"
# Defaults of RFC 2236 section 8 and RFC 3376 section 8.
ROBUSTNESS, INTERVAL_S, RESPONSE_S = 2, 125, 10.0
YIELD_S = 0.1  # a query may be under way while another one is sent: common practice


@dataclass
class Querier:
    """One sender of General Queries, by its IPv4 address. `interval_s` is what it tells (version 3), `unread` whether it
    asked more often than was read."""

    address: str
    hardware: str
    own: bool
    version: int
    interval_s: int = INTERVAL_S
    membership_s: float = ROBUSTNESS * INTERVAL_S + RESPONSE_S
    response_s: float = RESPONSE_S
    times: list[float] = field(default_factory=list)
    last_s: float = 0.0
    unread: bool = False
    first_frame: int = 0
    vlans: frozenset[int | None] = frozenset()


@dataclass
class Group:
    """A group by its IPv4 address: when each member (hardware address) last said so, and the frames that flow to it."""

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


def queriers(facts: Facts) -> list[Querier]:
    """All who sent General Queries, the one that should be elected first: the lowest address (RFC 2236 section 3)."""
    assert facts.tally is not None
    found: dict[str, Querier] = {}
    for message in facts.heard(IgmpMessage):
        if message.kind != "query" or message.group:
            continue
        querier = found.get(message.source)
        if querier is None:
            seen = message.seen
            querier = Querier(
                message.source, seen.src, seen.outgoing, message.version, first_frame=seen.frame
            )
            found[message.source] = querier
        querier.version = message.version
        querier.times.append(message.seen.time_s)
        querier.last_s = message.seen.time_s
        querier.interval_s = message.interval_s or _paced(querier.times)
        querier.response_s = message.max_response_s or RESPONSE_S
        robust = message.robustness or ROBUSTNESS
        querier.membership_s = robust * querier.interval_s + querier.response_s
    for querier in found.values():
        flows = [
            f
            for f in facts.tally.flows
            if f.protocol == IGMP and f.destination_ip == ALL_SYSTEMS and f.source_ip == querier.address
        ]
        querier.vlans = frozenset(f.vlan for f in flows)
        querier.unread = sum(f.frames for f in flows) > len(querier.times)
        querier.last_s = max([querier.last_s, *(f.last_s for f in flows)])
    return sorted(found.values(), key=lambda q: int(IPv4Address(q.address)))


def _paced(times: list[float]) -> int:
    """The interval of a querier that does not tell it: the usual one, unless it is seen to take its time."""
    return max(INTERVAL_S, round(median(b - a for a, b in pairwise(times)))) if len(times) > 1 else INTERVAL_S


def groups(facts: Facts) -> dict[str, Group]:
    """Every IPv4 group with members or traffic, those of the link alone (224.0.0.0/24) left out."""
    assert facts.tally is not None
    table: dict[str, Group] = {}
    for message in facts.heard(IgmpMessage):
        if message.kind != "report":
            continue
        for address in filter(_beyond_the_link, message.joined):
            group = table.setdefault(address, Group(address))
            group.members[message.seen.src] = message.seen.time_s
            group.ever_joined = True
        for address in message.left:
            if address in table:
                table[address].members.pop(message.seen.src, None)
    for member, last_s in unread_reporters(facts).items():
        for group in table.values():
            if member in group.members:
                group.members[member] = max(group.members[member], last_s)
    for flow in facts.tally.flows:
        udp = flow.cast == "multicast" and flow.protocol == 17 and flow.ethertype == 0x0800
        if udp and not flow.discovery and _beyond_the_link(flow.destination_ip):
            table.setdefault(flow.destination_ip, Group(flow.destination_ip)).flows.append(flow)
    return table


def unread_reporters(facts: Facts) -> dict[str, float]:
    """Senders of more reports than were read, with the time of their last."""
    assert facts.tally is not None
    read: dict[str, int] = defaultdict(int)
    for message in facts.heard(IgmpMessage):
        read[message.seen.src] += 1
    sent: dict[str, list[Flow]] = defaultdict(list)
    for flow in facts.tally.flows:
        if flow.protocol == IGMP and flow.ethertype == 0x0800:
            sent[flow.source].append(flow)
    return {
        source: max(f.last_s for f in flows if f.destination_ip != ALL_SYSTEMS)
        for source, flows in sent.items()
        if sum(f.frames for f in flows) > read[source] and any(f.destination_ip != ALL_SYSTEMS for f in flows)
    }


def rivals(asking: Iterable[Querier]) -> tuple[Querier, Querier, float] | None:
    """Two queriers in one network, and when it showed: the one with the higher address asked, heard the other ask, and
    asked again. It should have yielded (RFC 2236 section 3). Start-up queries before that are natural."""
    elected = [q for q in asking if q.address != NO_ADDRESS]
    for low in elected:
        for high in elected:
            if int(IPv4Address(low.address)) >= int(IPv4Address(high.address)) or low.vlans.isdisjoint(
                high.vlans
            ):
                continue
            for heard in low.times:
                again = [t for t in high.times if heard + YIELD_S < t < heard + low.membership_s]
                if again and high.times[0] < heard:
                    return low, high, again[0]
    return None


def _beyond_the_link(address: str) -> bool:
    return not address.startswith("224.0.0.") and bool(address)
