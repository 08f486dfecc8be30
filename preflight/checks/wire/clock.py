"""The PTP clock of each domain: is there one all the time, only one, the right one, and does it keep its
pace.

Strategy: announcements are grouped by VLAN, transport, version, transportSpecific and domain: what does not
share these does not hear one another. In a group, ports that announce the same grandmaster are ways to one
clock, as boundary clocks make them, and no rivals. Two grandmasters are two at once where both announce for
longer than a receiver takes to give one up; otherwise the clock was handed over. One that announces itself
for no longer and gives way to a better one that was there already only took part in the choice, and what was
chosen before any audio began disturbed nobody. Where a capture has both networks of a redundant pair, each
has its leader. Silence of announcements is a lost clock only while other frames came by.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from ipaddress import IPv4Network
from itertools import combinations

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, WHOLE, Check, Limit
from preflight.checks.say import count_text, counted, heard_only, span_text, who
from preflight.checks.says import Limits, Measured, Saw, Says, Span, caution, fail, passed, trouble, unproven
from preflight.checks.see.addresses import block, usable4
from preflight.checks.see.best_master import best, grandmaster, hardware_of, leader, reason
from preflight.checks.see.flows import before_audio, shown
from preflight.checks.see.silence import silences, was_silent
from preflight.checks.see.streams import second_of_a_pair
from preflight.checks.step import before_doors, managed, now
from preflight.tally.facts import ClockPort

CHECK = Check(
    name="clock",
    subject="wire",
    order=320,
    asks=Wire,
    watch="caution",
    soak="run",
    question="Does one PTP clock lead, all the time?",
    looks_at=(
        "PTP messages, version 1, version 2 and IEEE 802.1AS, over UDP and Ethernet. Who announces itself "
        "as master, who should win, hand-overs, times without a master, the pace of Sync and its "
        "follow-ups, jumps of the time that it tells."
    ),
    why="All boxes play by one clock. With none or with two they drift apart: clicks first, then dropouts.",
    limits=(
        Limit(
            "announce_timeout",
            3,
            "announce intervals without any: the clock is lost; two that announce for longer are two at once",
            "IEEE 1588-2008 9.2.6.11 and J.3.2 (announceReceiptTimeout), from memory",
        ),
        Limit("sync_timeout_v1", 10, "Sync intervals, for version 1", "IEEE 1588-2002, from memory"),
        Limit("sync_off", 0.30, "share that Sync is off its pace", "IEEE 1588-2008 9.5.9.2, from memory"),
        Limit("sync_gap", 3, "Sync intervals without a Sync", "IEEE 802.1AS-2011 10.6.3, from memory"),
        Limit("sync_gap_s", 0.1, "s without a Sync, at the least", "common practice"),
        Limit("missing_follow_ups", 0.01, "share of two-step Syncs", "common practice"),
        Limit("missing_least", 2, "Syncs without follow-up, at the least", "common practice"),
    ),
    sources=(
        "IEEE 1588-2008 9.3.4, figures 27 and 28: data set comparison",
        "IEEE 1588-2008 clause 13 and annexes D, E, F: messages over UDP and Ethernet",
        "IEEE 802.1AS: the same over Ethernet, from one box to the next",
    ),
    fixes=(
        before_doors("Decide which box leads. Give it the lowest priority1; leave all others as they came."),
        before_doors("Set any other box that does not have to lead to follower (slave only)."),
        now("Check the cable and the power of the box that fell silent."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for ten seconds at a port of a box that follows the clock, or where the switch sends "
    "PTP too.",
)
LOST_FIXES = (CHECK.fixes[2], *CHECK.fixes[:2], AGAIN)
ONE_CLOCK_FIXES = (
    now(
        "Are they in one network? Look for a switch that holds PTP back (multicast settings) between the two."
    ),
    before_doors("Set the box that should not lead to follower (slave only), or turn its clock off."),
    AGAIN,
)
PACE_FIXES = (
    now("Is the leading box overloaded, or the link full? Mend what else is listed here first."),
    managed(before_doors("Set the clock messages' priority on the switches.")),
    before_doors("Or choose another box to lead."),
    AGAIN,
)
JUMP_FIXES = (
    now(
        "See what the leading box takes its time from: an antenna, a time server, a house clock. It came, "
        "went, or was set."
    ),
    before_doors("Not needed for this show? Let the leading box run free, without that source."),
    before_doors(
        "Needed? Wait until the leading box says that it is locked, and only then start the streams."
    ),
    AGAIN,
)
MOST = 32  # masters and domains that are compared: a flood of made-up ones must not stall the verdict
MOST_OF = 0.5  # of a time without a clock, in which nothing came: it is none of the clock's. Common practice.
FEW_SYNCS = 4  # so many intervals in which nothing at all came are a hole. Common practice.
SENSIBLE_LOG2 = range(-7, 5)  # seven a millisecond to one in 16 s; 127 says nothing (unicast)
DEFAULT_INTERVAL_S = 2.0  # logAnnounceInterval 1, IEEE 1588-2008 J.3.2, from memory

Clocks = dict[str, list[ClockPort]]  # masters by the grandmaster that they announce


@dataclass(frozen=True)
class _Domain:
    """What shares transport, version, transportSpecific and domain. `masters` are the ports that announce (in
    version 1: that send Sync), `whole` their announcements together, `clocks` the masters by the grandmaster
    that they announce, each with the first to come first. `timeout_s` is how long a receiver waits before it
    gives a master up."""

    masters: tuple[ClockPort, ...]
    whole: ClockPort
    ports: tuple[ClockPort, ...]
    clocks: Clocks
    timeout_s: float

    @property
    def gptp(self) -> bool:
        return self.whole.sdo == 1

    @property
    def name(self) -> str:
        kind = "IEEE 802.1AS" if self.gptp else f"PTP version {self.whole.version}"
        place = f" in VLAN {self.whole.vlan}" if self.whole.vlan is not None else ""
        return f"{kind} over {self.whole.transport}{place}, domain {self.whole.domain}"

    @property
    def leader(self) -> ClockPort:
        return leader(self.masters)

    def followed_by(self, hardware: str) -> bool:
        return any(port.kind == "Delay_Req" and port.hardware == hardware for port in self.ports)

    def sent(self, master: ClockPort, kind: str) -> ClockPort | None:
        same = (p for p in self.ports if p.kind == kind and (p.clock, p.port) == (master.clock, master.port))
        return next(same, None)


def judge(wire: Wire, limits: Limits) -> Says:
    domains = _domains(wire.tally.clocks, limits)
    if not domains:
        if wire.tally.clocks:
            yield unproven("PTP was heard, but no master that announces itself.")
        elif any(flow.clock and flow.cut for flow in wire.tally.flows):
            yield unproven("PTP was heard, but the snap length cut its messages.", fixes=[WHOLE])
        else:
            yield unproven("No PTP clock was heard. Rigs that keep time in another way have none.")
        return
    end = wire.source.duration_s
    without = (max(d.whole.first_s, d.whole.longest_interval_s, end - d.whole.last_s) for d in domains)
    yield Measured(
        {
            "domains": len(domains),
            "masters": sorted({each for domain in domains for each in domain.clocks}),
            "longest_without_master_s": round(max(without), 3),
            "versions": sorted({f"802.1AS over {d.whole.transport}" if d.gptp else d.name for d in domains}),
        },
        tuple(Evidence(f"{d.name}: {_leads(d.leader)}", d.leader.first_frame) for d in domains),
    )
    wrong = [*_apart(domains)]
    for domain in domains:
        wrong += [
            *_changed(domain),
            *_rivals(domain, wire),
            *_lost(domain, wire),
            *_pace(domain, wire, limits),
            *_jumped(domain, wire),
        ]
    yield from wrong
    least_s = min(domain.timeout_s for domain in domains)
    if not wrong and round(end, 1) < least_s:
        yield unproven(heard_only(end, least_s))
    names = sorted({_named(domain.leader) for domain in domains})
    yield passed(f"One clock leads: {names[0]}." if len(names) == 1 else f"Clocks lead: {'; '.join(names)}.")


def _domains(ports: Iterable[ClockPort], limits: Limits) -> list[_Domain]:
    groups: dict[tuple, list[ClockPort]] = defaultdict(list)
    for port in ports:
        groups[(port.version, port.sdo, port.domain, port.transport, port.vlan or 0)].append(port)
    found = []
    for (version, *_), group in sorted(groups.items()):
        masters = tuple(sorted((p for p in group if p.announces), key=lambda p: -p.count)[:MOST])
        whole = next((port for port in group if port.kind == "any master"), None)
        if whole is None or not masters:
            continue
        clocks: Clocks = defaultdict(list)
        for port in sorted(masters, key=lambda port: port.first_s):
            clocks[grandmaster(port)].append(port)
        many = limits["sync_timeout_v1"] if version == 1 else limits["announce_timeout"]
        found.append(_Domain(masters, whole, tuple(group), clocks, many * max(map(_interval, masters))))
    return sorted(found, key=lambda domain: -domain.whole.count)[:MOST]


def _changed(domain: _Domain) -> Iterator[Saw]:
    for port in domain.masters:
        if port.changes and port.changed_s is not None:
            often = "once" if port.changes == 1 else counted(port.changes, "time")
            yield caution(
                f"What {_named(port)} announces of its clock changed while listening.",
                [
                    Evidence(
                        f"changed {often}, the last time to: {_described(port)}",
                        port.changed_frame,
                        port.changed_s,
                    )
                ],
                spans=[(port.changed_s, port.changed_s)],
            )


def _rivals(domain: _Domain, wire: Wire) -> Iterator[Saw]:
    """Two at once, or one after the other, in one network."""
    for clocks in _by_network(domain.clocks, wire):
        yield from _rivals_among(clocks, domain, wire)


def _by_network(clocks: Clocks, wire: Wire) -> list[Clocks]:
    """The clocks of the two networks of a redundant pair apart, where a capture has both: each has its
    leader."""
    if len(clocks) < 2:
        return [clocks]
    inside: dict[IPv4Network, set[str]] = defaultdict(set)
    for flow in wire.tally.flows:
        if (address := usable4(flow.source_ip)) is not None:
            inside[block(address)].add(flow.source)
    found: dict[IPv4Network | None, Clocks] = defaultdict(dict)
    for identity, ways in clocks.items():
        found[next((net for net, some in inside.items() if ways[0].hardware in some), None)][identity] = ways
    nets = [net for net in found if net is not None]
    pair = len(found) == len(nets) == 2 and second_of_a_pair(inside[nets[0]], inside[nets[1]], wire)
    return [*found.values()] if pair else [clocks]


def _rivals_among(clocks: Clocks, domain: _Domain, wire: Wire) -> Iterator[Saw]:
    # A mirror of several cables shows several links at once, and 802.1AS goes from one box to the next only.
    if len(clocks) < 2 or (domain.gptp and wire.vantage == "mirror"):
        return
    firsts = [ways[0] for ways in clocks.values()]
    until_s = {ways[0]: max(port.last_s for port in ways) for ways in clocks.values()}
    known = all(port.grandmaster for port in firsts)  # not in version 1, nor where it was cut off
    should = best(firsts) if known else None
    last = max(firsts, key=until_s.__getitem__)
    evidence = [
        shown(
            f"{_named(port)} from {port.first_s:.1f} s to {until_s[port]:.1f} s"
            + (f": {_described(port)}" if known else ""),
            port,
        )
        for port in firsts
    ]
    if should is not None and should is not last:
        evidence.append(
            Evidence(f"{_named(should)} should lead: {reason(should, last)} (IEEE 1588-2008 9.3.4)")
        )
    for a, b in combinations(firsts, 2):
        both = _both(clocks[grandmaster(a)], clocks[grandmaster(b)], domain.timeout_s)
        if sum(end - start for start, end in both) > domain.timeout_s:
            yield fail(
                f"Two clocks lead at once: {_named(a)} and {_named(b)}.",
                evidence,
                culprits=[port.hardware for port in (a, b) if port is not should],
                spans=[(both[0][0], both[-1][1])],
            )
            return
    if should is last and all(
        _took_part(port, last, until_s[port], domain) for port in firsts if port is not last
    ):
        return
    came = max(firsts, key=lambda port: port.first_s)
    if before_audio(wire.tally.flows, came.first_s):
        return
    gave_way = came is should and until_s[came] < until_s[last]
    yield caution(
        f"The wrong clock leads: {_named(last)}. {_named(came)} came and went."
        if gave_way
        else f"The clock changed hands{{at}}: {_named(came)} came.",
        evidence,
        culprits=[(last if gave_way else came).hardware],
        spans=[(came.first_s, max(came.first_s, until_s[came]))],
        at=f" at {came.first_s:.1f} s",
    )


def _took_part(port: ClockPort, leads: ClockPort, until_s: float, domain: _Domain) -> bool:
    """Whether a port announced itself only until it had heard the one that leads, which was there already
    (IEEE 1588-2008 9.3.2.5)."""
    return leads.first_s <= port.first_s + _interval(leads) and until_s - port.first_s <= domain.timeout_s


def _both(a: list[ClockPort], b: list[ClockPort], timeout_s: float) -> list[Span]:
    """The stretches in which both announce."""
    return [
        (max(one[0], other[0]), min(one[1], other[1]))
        for one in _present(a, timeout_s)
        for other in _present(b, timeout_s)
        if max(one[0], other[0]) < min(one[1], other[1])
    ]


def _present(ports: list[ClockPort], timeout_s: float) -> list[Span]:
    """When it announces: from its first to its last, without its longest silence where that is a real one. A
    port that comes and goes without end, so that less than half of its announcements came beside that
    silence, counts as handing over."""
    first, last = min(p.first_s for p in ports), max(p.last_s for p in ports)
    if len(ports) > 1:
        return [(first, last)]
    begins, ends = _silence(ports[0])
    if ports[0].count < 0.5 * (last - first - (ends - begins)) / _interval(ports[0]):
        return []
    return [(first, last)] if ends - begins <= timeout_s else [(first, begins), (ends, last)]


def _lost(domain: _Domain, wire: Wire) -> Iterator[Saw]:
    """Times without any master."""
    whole, end = domain.whole, wire.source.duration_s
    for start, stop in (_silence(whole), (whole.last_s, end)):
        if stop - start <= domain.timeout_s or was_silent(wire, start, stop, MOST_OF):
            continue
        earlier = [port for port in domain.masters if port.first_s <= start] or domain.masters
        before = max(earlier, key=lambda port: port.last_s)
        runs, dropped = _audio_runs(wire, start, stop), bool(wire.source.dropped)
        back = "It has not come back." if stop == end else f"It came back after {stop - start:.1f} s."
        yield trouble(
            Outcome.FAIL if runs and not dropped else Outcome.CAUTION,
            f"The clock was lost{{at}}. {back}",
            [
                Evidence(f"last announcement of {_named(before)}: {start:.1f} s", time_s=start),
                Evidence(
                    f"no master for {stop - start:.1f} s; receivers give up after {domain.timeout_s:g} s"
                    + (", while streams went on" if runs else "")
                    + (". The capture itself lost frames" if dropped else "")
                ),
            ],
            at=f" at {start:.1f} s",
            spans=[(start, stop)],
            fixes=LOST_FIXES,
        )
    if whole.first_s > domain.timeout_s and _audio_runs(wire, 0.0, whole.first_s):
        yield caution(
            f"No clock led for the first {whole.first_s:.1f} s, while streams went on.",
            [shown("first announcement of any master", whole)],
            spans=[(0.0, whole.first_s)],
        )


def _pace(domain: _Domain, wire: Wire, limits: Limits) -> Iterator[Saw]:
    """Sync as often as announced, and each with its follow-up. A capture that lost frames cannot tell."""
    if wire.source.dropped or wire.source.steps_back or domain.whole.version != 2:
        return
    for master in domain.masters:
        name = _named(master)
        off = partial(caution, culprits=[master.hardware], fixes=PACE_FIXES)
        sync, follow = domain.sent(master, "Sync"), domain.sent(master, "Follow_Up")
        if sync is None:
            if master.count >= 4:
                yield off(f"{name} announces itself as master, but sends no Sync.", fixes=CHECK.fixes)
            continue
        missing = sync.count - (follow.count if follow else 0) - 1  # one may lie outside of the capture
        share = limits["missing_follow_ups"] * sync.count
        if sync.two_step and missing >= limits["missing_least"] and missing > share:
            yield off(f"{count_text(missing)} of {counted(sync.count, 'Sync')} of {name} got no follow-up.")
        if sync.count < 8 or sync.interval_log2 not in SENSIBLE_LOG2:
            continue
        says = 2.0**sync.interval_log2
        mean = _mean(sync, says, wire)
        if abs(mean - says) > limits["sync_off"] * says:
            yield off(f"{name} sends Sync every {mean * 1000:.1f} ms, but says every {says * 1000:g} ms.")
        longest, gap = sync.longest_interval_s, _silence(sync)
        # A longer one is told as a lost clock, and a hole of the capture is none of the clock's.
        is_gap = max(limits["sync_gap"] * says, limits["sync_gap_s"]) < longest <= domain.timeout_s
        if is_gap and not was_silent(wire, *gap, MOST_OF):
            yield off(
                f"{name} sent no Sync for {longest * 1000:.0f} ms; it says one every {says * 1000:g} ms.",
                [Evidence("the gap begins", time_s=gap[0])],
                spans=[gap],
            )


def _mean(sync: ClockPort, says: float, wire: Wire) -> float:
    """The usual seconds from one Sync to the next: without the longest, or without the times in which nothing
    at all came."""
    lives = sync.first_s, sync.last_s
    away = [end - start for start, end in silences(wire, *lives) if end - start >= FEW_SYNCS * says]
    if len(away) < 2:
        away = [sync.longest_interval_s]
    return (lives[1] - lives[0] - sum(away)) / max(sync.count - 1 - len(away), 1)


def _jumped(domain: _Domain, wire: Wire) -> Iterator[Saw]:
    """A clock whose time jumps: receivers mute until they follow it anew."""
    for master in domain.masters:
        for told in filter(None, (domain.sent(master, kind) for kind in ("Sync", "Follow_Up"))):
            if told.jumped_s is None:
                continue
            often = "" if told.jumps == 1 else f" {counted(told.jumps, 'time')}, the last time"
            runs = _audio_runs(wire, told.jumped_s - 1.0, told.jumped_s)
            yield trouble(
                Outcome.FAIL if runs else Outcome.CAUTION,
                f"The time of {_named(master)} jumped{often} by {_so_much(abs(told.jump_s))}.",
                [
                    Evidence(
                        f"{'forth' if told.jump_s > 0 else 'back'} from one {told.kind} to the next"
                        + (", while streams went on" if runs else ""),
                        told.jumped_frame,
                        told.jumped_s,
                    )
                ],
                culprits=[master.hardware],
                spans=[(told.jumped_s, told.jumped_s)],
                fixes=JUMP_FIXES,
            )


def _so_much(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds < 60 else span_text(seconds)


def _apart(domains: list[_Domain]) -> Iterator[Saw]:
    """Clocks that cannot hear one another, by version or transport, and lead side by side. One box may serve
    both, or follow the one and pass it on as the other."""
    for a, b in combinations((domain for domain in domains if not domain.gptp), 2):
        if a.whole.version == b.whole.version and a.whole.domain != b.whole.domain:
            continue  # domains are meant to be apart
        if a.whole.vlan != b.whole.vlan:
            continue  # as VLANs are
        one, other = a.leader, b.leader
        if one.hardware == other.hardware or a.followed_by(other.hardware) or b.followed_by(one.hardware):
            continue
        if grandmaster(one) != grandmaster(other):
            yield caution(
                f"Two clocks lead that do not hear each other: {a.name} and {b.name}.",
                [Evidence(f"{d.name}: {_named(d.leader)}", d.leader.first_frame) for d in (a, b)],
                culprits=(one.hardware, other.hardware),
                fixes=ONE_CLOCK_FIXES,
            )


def _interval(port: ClockPort) -> float:
    """Seconds from one announcement (version 1: Sync) to the next: as it says, else as it does."""
    if port.version == 2 and port.interval_log2 in SENSIBLE_LOG2:
        return float(2.0**port.interval_log2)
    if port.count > 2:
        return max((port.last_s - port.first_s - port.longest_interval_s) / (port.count - 2), 0.001)
    return DEFAULT_INTERVAL_S


def _silence(port: ClockPort) -> Span:
    return port.longest_interval_at_s, port.longest_interval_at_s + port.longest_interval_s


def _leads(port: ClockPort) -> str:
    if port.steps_removed:
        steps = counted(port.steps_removed, "step")
        made_of = hardware_of(port.grandmaster)
        clock = f"of {who(made_of)}" if made_of else port.grandmaster
        return f"{_named(port)} passes on the clock {clock}, {steps} away"
    return f"{_named(port)} leads"


def _named(port: ClockPort) -> str:
    return who(port.hardware) if port.hardware.strip("0:") else f"clock {port.clock}"


def _described(port: ClockPort) -> str:
    return f"priority1 {port.priority1}, class {port.clock_class}, priority2 {port.priority2}, clock {port.grandmaster}"


def _audio_runs(wire: Wire, start: float, stop: float) -> bool:
    """Whether a stream or another steady flow went on in that time."""
    return any(
        (flow.stream or flow.steady)
        and not flow.clock
        and flow.first_s <= start + 1.0
        and flow.last_s >= stop - 1.0
        for flow in wire.tally.flows
    )
