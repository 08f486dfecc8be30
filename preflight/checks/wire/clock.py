"""The PTP clock of each domain: is there one all the time, only one, the right one, and does it keep its pace.

Strategy: announcements are grouped by transport, version, transportSpecific and domain: what does not share these does
not hear one another. In a group, ports that announce the same grandmaster are ways to one clock, as boundary clocks
make them, and no rivals. Two grandmasters are two at once where both announce for longer than a receiver takes to give
one up; otherwise the clock was handed over. Silence of announcements is a lost clock only while other frames came by.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, who
from preflight.checks.see.best_master import best, reason
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.tally.facts import ClockPort

CHECK = Check(
    name="clock",
    subject="wire",
    order=320,
    asks=View,
    watch="caution",
    soak="run",
    question="Does one PTP clock lead, all the time?",
    looks_at=(
        "PTP messages, version 1, version 2 and IEEE 802.1AS, over UDP and Ethernet. Who announces itself as master, who "
        "should win, hand-overs, times without a master, the pace of Sync and its follow-ups."
    ),
    why="All boxes play by one clock. With none or with two they drift apart: clicks first, then dropouts.",
    limits=(
        Limit(
            "announce_timeout",
            3,
            "announce intervals without any: the clock is lost; two that announce for longer are two at once",
            "IEEE 1588-2008 9.2.6.11 and J.3.2 (announceReceiptTimeout), from memory",
        ),
        Limit(
            "sync_timeout_v1",
            10,
            "Sync intervals, for version 1",
            "IEEE 1588-2002 (PTP_SYNC_RECEIPT_TIMEOUT), from memory",
        ),
        Limit(
            "sync_off",
            0.30,
            "share that Sync is slower or faster than it says, on average",
            "IEEE 1588-2008 9.5.9.2, from memory",
        ),
        Limit(
            "sync_gap",
            3,
            "Sync intervals without a Sync, and at least 100 ms",
            "IEEE 802.1AS-2011 10.6.3 (syncReceiptTimeout), from memory; 100 ms: common practice",
        ),
        Limit("missing_follow_ups", 0.01, "share of two-step Syncs, and at least two", "common practice"),
    ),
    sources=(
        "IEEE 1588-2008 9.3.4, figures 27 and 28: data set comparison",
        "IEEE 1588-2008 clause 13 and annexes D, E, F: messages over UDP and Ethernet",
        "IEEE 802.1AS: the same over Ethernet, from one box to the next",
    ),
    fixes=(
        "Decide which box leads. Give it the lowest priority1; leave all others as they came.",
        "Set any other box that does not have to lead to follower (slave only).",
        "Check the cable and the power of the box that fell silent.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for ten seconds at a port of a box that follows the clock, or where the switch sends PTP too.",
)
ONE_CLOCK_FIXES = (
    "Are they in one network? Look for a switch that holds PTP back (multicast settings) between the two.",
    "Set the box that should not lead to follower (slave only), or turn its clock off.",
    "Run the line check again.",
)
PACE_FIXES = (
    "Is the leading box overloaded, or the link full? Mend what else is listed here first.",
    "Set the clock messages' priority on the switches, or choose another box to lead.",
    "Run the line check again.",
)
MOST = 32  # masters and domains that are compared: a flood of made-up ones must not stall the verdict
SENSIBLE_LOG2 = range(-7, 5)  # seven a millisecond to one in 16 s; 127 says nothing (unicast)
DEFAULT_INTERVAL_S = 2.0  # logAnnounceInterval 1, IEEE 1588-2008 J.3.2, from memory
Span = tuple[float, float]


@dataclass(frozen=True)
class _Trouble:
    """One thing that is wrong; the gravest gives the headline."""

    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...] = ()
    culprits: tuple[str, ...] = ()
    span: Span | None = None
    fixes: tuple[str, ...] = CHECK.fixes


@dataclass(frozen=True)
class _Domain:
    """What shares transport, version, transportSpecific and domain. `masters` are the ports that announce (in version 1:
    that send Sync), `whole` their announcements together."""

    masters: tuple[ClockPort, ...]
    whole: ClockPort
    others: tuple[ClockPort, ...]

    @property
    def gptp(self) -> bool:
        return self.whole.sdo == 1

    @property
    def name(self) -> str:
        kind = "IEEE 802.1AS" if self.gptp else f"PTP version {self.whole.version}"
        return f"{kind} over {self.whole.transport}, domain {self.whole.domain}"

    @property
    def timeout_s(self) -> float:
        """How long a receiver waits before it gives a master up."""
        many = CHECK.limit("sync_timeout_v1" if self.whole.version == 1 else "announce_timeout")
        return many * max(_interval(port) for port in self.masters)

    def clocks(self) -> dict[str, list[ClockPort]]:
        """The masters by the grandmaster that they announce."""
        found: dict[str, list[ClockPort]] = defaultdict(list)
        for port in sorted(self.masters, key=lambda port: port.first_s):
            found[_grandmaster(port)].append(port)
        return found

    def of(self, master: ClockPort, kind: str) -> ClockPort | None:
        same = (o for o in self.others if o.kind == kind and (o.clock, o.port) == (master.clock, master.port))
        return next(same, None)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    domains = _domains(facts.tally.clocks)
    if not domains:
        said = "PTP was heard, but no master that announces itself." if facts.tally.clocks else None
        said = said or "No PTP clock was heard. Rigs that keep time in another way have none."
        return Finding(CHECK.name, Outcome.UNPROVEN, said, fixes=(CHECK.unproven,))
    troubles = [*_apart(domains)]
    for domain in domains:
        troubles += [*_masters(domain, facts), *_lost(domain, facts), *_pace(domain, facts)]
    measured = {
        "domains": len(domains),
        "masters": sorted({_grandmaster(port) for domain in domains for port in domain.masters}),
        "longest_without_master_s": round(max(_without(domain, facts) for domain in domains), 3),
        "versions": sorted({f"802.1AS over {d.whole.transport}" if d.gptp else d.name for d in domains}),
    }
    limits = CHECK.values()
    leading = [Evidence(f"{d.name}: {_leads(d)}", _leader(d).first_frame) for d in domains]
    if not troubles:
        if short := enough(CHECK, facts, min(domain.timeout_s for domain in domains)):
            return short
        names = sorted({_named(_leader(domain)) for domain in domains})
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"One clock leads: {names[0]}." if len(names) == 1 else f"Clocks lead: {'; '.join(names)}.",
            evidence=tuple(leading),
            measured=measured,
            limits=limits,
        )
    troubles.sort(key=lambda trouble: trouble.outcome != Outcome.FAIL)  # stable
    gravest = [trouble for trouble in troubles if trouble.outcome == troubles[0].outcome]
    return Finding(
        CHECK.name,
        troubles[0].outcome,
        troubles[0].headline,
        evidence=(
            *troubles[0].evidence,
            *(e for t in troubles[1:] for e in (Evidence(t.headline), *t.evidence)),
            *leading,
        )[:16],
        measured=measured,
        limits=limits,
        fixes=troubles[0].fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(culprit for trouble in gravest for culprit in trouble.culprits)),
        spans=tuple(sorted({trouble.span for trouble in gravest if trouble.span is not None})),
    )


def _domains(ports: Iterable[ClockPort]) -> list[_Domain]:
    groups: dict[tuple, list[ClockPort]] = defaultdict(list)
    for port in ports:
        groups[(port.version, port.sdo, port.domain, port.transport)].append(port)
    found = []
    for key, group in sorted(groups.items()):
        announces = "Sync" if key[0] == 1 else "Announce"
        masters = tuple(sorted((p for p in group if p.kind == announces), key=lambda p: -p.count)[:MOST])
        whole = next((port for port in group if port.kind == "any master"), None)
        if whole is not None and masters:
            found.append(_Domain(masters, whole, tuple(group)))
    return sorted(found, key=lambda domain: -domain.whole.count)[:MOST]


def _masters(domain: _Domain, facts: Facts) -> Iterable[_Trouble]:
    """Rivals, hand-overs and announcements that changed."""
    for port in domain.masters:
        if port.changes and port.changed_s is not None:
            yield _Trouble(
                Outcome.CAUTION,
                f"What {_named(port)} announces of its clock changed while listening.",
                (
                    Evidence(
                        f"changed {'once' if port.changes == 1 else f'{count_text(port.changes)} times'}, "
                        f"the last time to: {_told(port)}",
                        port.changed_frame,
                        port.changed_s,
                    ),
                ),
                span=(port.changed_s, port.changed_s),
            )
    # A mirror of several cables shows several links at once, and 802.1AS goes from one box to the next only.
    if domain.gptp and facts.vantage == "mirror":
        return
    clocks = domain.clocks()
    if len(clocks) < 2:
        return
    firsts = [ports[0] for ports in clocks.values()]
    known = domain.whole.version == 2 and all(port.grandmaster for port in firsts)
    order = best(firsts) if known else None
    evidence = tuple(
        Evidence(
            f"{_named(port)} from {port.first_s:.1f} s to {max(p.last_s for p in clocks[_grandmaster(port)]):.1f} s"
            + (f": {_told(port)}" if known else ""),
            port.first_frame,
            port.first_s,
        )
        for port in firsts
    )
    last = max(firsts, key=lambda port: max(p.last_s for p in clocks[_grandmaster(port)]))
    if order is not None and order is not last:
        evidence += (Evidence(f"{_named(order)} should lead: {reason(order, last)} (IEEE 1588-2008 9.3.4)"),)
    rivals = [
        (a, b, both)
        for a, b in combinations(firsts, 2)
        for both in [_both(clocks[_grandmaster(a)], clocks[_grandmaster(b)], domain.timeout_s)]
        if sum(end - start for start, end in both) > domain.timeout_s
    ]
    if rivals:
        a, b, both = rivals[0]
        extra = [port for port in (a, b) if port is not order] if order in (a, b) else [a, b]
        yield _Trouble(
            Outcome.FAIL,
            f"Two clocks lead at once: {_named(a)} and {_named(b)}.",
            evidence,
            tuple(port.hardware for port in extra),
            (both[0][0], both[-1][1]),
        )
        return
    came = max(firsts, key=lambda port: port.first_s)
    ends = max(p.last_s for p in clocks[_grandmaster(came)])
    if came is not last and came is order and ends < last.last_s:
        headline = f"The wrong clock leads: {_named(last)}. {_named(order)} came and went."
        culprit = last
    else:
        headline = f"The clock changed hands at {came.first_s:.1f} s: {_named(came)} came."
        culprit = came
    yield _Trouble(
        Outcome.CAUTION, headline, evidence, (culprit.hardware,), (came.first_s, max(came.first_s, ends))
    )


def _both(a: list[ClockPort], b: list[ClockPort], timeout_s: float) -> list[Span]:
    """The stretches in which both announce. Ports that come and go without end count as handing over."""
    if any(_flaps(ports) for ports in (a, b)):
        return []
    return [
        (max(one[0], other[0]), min(one[1], other[1]))
        for one in _present(a, timeout_s)
        for other in _present(b, timeout_s)
        if max(one[0], other[0]) < min(one[1], other[1])
    ]


def _present(ports: list[ClockPort], timeout_s: float) -> list[Span]:
    """When it announces: from its first to its last, without its longest silence where that is a real one."""
    first, last = min(p.first_s for p in ports), max(p.last_s for p in ports)
    silent = ports[0] if len(ports) == 1 and ports[0].longest_interval_s > timeout_s else None
    if silent is None:
        return [(first, last)]
    begins, ends = silent.longest_interval_at_s, silent.longest_interval_at_s + silent.longest_interval_s
    return [(first, begins), (ends, last)]


def _flaps(ports: list[ClockPort]) -> bool:
    """Whether less than half of its announcements came, beside its longest silence."""
    port = ports[0]
    span = port.last_s - port.first_s - port.longest_interval_s
    return len(ports) == 1 and port.count < 0.5 * span / _interval(port)


def _lost(domain: _Domain, facts: Facts) -> Iterable[_Trouble]:
    """Times without any master."""
    assert facts.source is not None and facts.tally is not None
    whole, end = domain.whole, facts.source.duration_s
    silences = [(whole.longest_interval_at_s, whole.longest_interval_at_s + whole.longest_interval_s)]
    if end - whole.last_s > domain.timeout_s:
        silences.append((whole.last_s, end))
    dropped = _dropped(facts)
    for start, stop in silences:
        if stop - start <= domain.timeout_s or _hole(facts, start, stop):
            continue
        earlier = [port for port in domain.masters if port.first_s <= start] or domain.masters
        before = max(earlier, key=lambda port: port.last_s)
        runs = _audio_runs(facts, start, stop)
        back = "It did not come back." if stop == end else f"It came back after {stop - start:.1f} s."
        yield _Trouble(
            Outcome.FAIL if runs and not dropped else Outcome.CAUTION,
            f"The clock was lost at {start:.1f} s. {back}",
            (
                Evidence(f"last announcement of {_named(before)}: {start:.1f} s", time_s=start),
                Evidence(
                    f"no master for {stop - start:.1f} s; receivers give up after {domain.timeout_s:g} s"
                    + (", while streams went on" if runs else "")
                    + (". The capture itself lost frames" if dropped else "")
                ),
            ),
            span=(start, stop),
            fixes=(CHECK.fixes[2], *CHECK.fixes[:2], CHECK.fixes[3]),
        )
    if whole.first_s > domain.timeout_s and _audio_runs(facts, 0.0, whole.first_s):
        yield _Trouble(
            Outcome.CAUTION,
            f"No clock led for the first {whole.first_s:.1f} s, while streams went on.",
            (Evidence("first announcement of any master", whole.first_frame, whole.first_s),),
            span=(0.0, whole.first_s),
        )


def _pace(domain: _Domain, facts: Facts) -> Iterable[_Trouble]:
    """Sync as often as announced, and each with its follow-up. A capture that lost frames cannot tell."""
    assert facts.source is not None
    if _dropped(facts) or facts.source.steps_back or domain.whole.version != 2:
        return
    for master in domain.masters:
        sync, follow = domain.of(master, "Sync"), domain.of(master, "Follow_Up")
        if sync is None:
            if master.count >= 4:
                yield _Trouble(
                    Outcome.CAUTION,
                    f"{_named(master)} announces itself as master, but sends no Sync.",
                    culprits=(master.hardware,),
                )
            continue
        missing = sync.count - (follow.count if follow else 0) - 1  # one may lie outside of the capture
        if sync.two_step and missing >= 2 and missing > CHECK.limit("missing_follow_ups") * sync.count:
            yield _Trouble(
                Outcome.CAUTION,
                f"{count_text(missing)} of {count_text(sync.count)} Syncs of {_named(master)} got no follow-up.",
                culprits=(master.hardware,),
                fixes=PACE_FIXES,
            )
        if sync.count < 8 or sync.interval_log2 not in SENSIBLE_LOG2:
            continue
        says, begins = 2.0**sync.interval_log2, sync.longest_interval_at_s
        mean = (sync.last_s - sync.first_s - sync.longest_interval_s) / (sync.count - 2)
        if abs(mean - says) > CHECK.limit("sync_off") * says:
            yield _Trouble(
                Outcome.CAUTION,
                f"{_named(master)} sends Sync every {mean * 1000:.1f} ms, but says every {says * 1000:g} ms.",
                culprits=(master.hardware,),
                fixes=PACE_FIXES,
            )
        longest = sync.longest_interval_s
        gone = longest > domain.timeout_s or _hole(facts, begins, begins + longest)  # told elsewhere
        if longest > max(CHECK.limit("sync_gap") * says, 0.1) and not gone:
            yield _Trouble(
                Outcome.CAUTION,
                f"{_named(master)} sent no Sync for {longest * 1000:.0f} ms; it says one every {says * 1000:g} ms.",
                (Evidence("the gap begins", time_s=begins),),
                (master.hardware,),
                (begins, begins + longest),
                PACE_FIXES,
            )


def _apart(domains: list[_Domain]) -> Iterable[_Trouble]:
    """Clocks that cannot hear one another, by version or transport, and lead side by side. One box may serve both."""
    plain = [domain for domain in domains if not domain.gptp]
    for a, b in combinations(plain, 2):
        versions = a.whole.version != b.whole.version
        if not versions and a.whole.domain != b.whole.domain:
            continue  # domains are meant to be apart
        one, other = _leader(a), _leader(b)
        if one.hardware == other.hardware or _grandmaster(one) == _grandmaster(other):
            continue
        yield _Trouble(
            Outcome.CAUTION,
            f"Two clocks lead that do not hear each other: {a.name} and {b.name}.",
            (
                Evidence(f"{a.name}: {_named(one)}", one.first_frame),
                Evidence(f"{b.name}: {_named(other)}", other.first_frame),
            ),
            (one.hardware, other.hardware),
            fixes=ONE_CLOCK_FIXES,
        )


def _interval(port: ClockPort) -> float:
    """Seconds from one announcement (version 1: Sync) to the next: as it says, else as it does."""
    if port.version == 2 and port.interval_log2 in SENSIBLE_LOG2:
        return float(2.0**port.interval_log2)
    if port.count > 2:
        return max((port.last_s - port.first_s - port.longest_interval_s) / (port.count - 2), 0.001)
    return DEFAULT_INTERVAL_S


def _grandmaster(port: ClockPort) -> str:
    """The clock that it leads with; its own where the capture cut the announcement, and in version 1."""
    return port.grandmaster if port.grandmaster.strip("0") else port.clock


def _leader(domain: _Domain) -> ClockPort:
    """Who announced last; among ways to one clock the nearest."""
    last = max(domain.masters, key=lambda port: port.last_s)
    same = [port for port in domain.masters if _grandmaster(port) == _grandmaster(last)]
    return min(same, key=lambda port: port.steps_removed)


def _leads(domain: _Domain) -> str:
    port = _leader(domain)
    if port.steps_removed:
        steps = f"{port.steps_removed} step{'s' if port.steps_removed > 1 else ''}"
        return f"{_named(port)} passes on the clock {port.grandmaster}, {steps} away"
    return f"{_named(port)} leads"


def _named(port: ClockPort) -> str:
    return who(port.hardware) if port.hardware.strip("0:") else f"clock {port.clock}"


def _told(port: ClockPort) -> str:
    return f"priority1 {port.priority1}, class {port.clock_class}, priority2 {port.priority2}, clock {port.grandmaster}"


def _without(domain: _Domain, facts: Facts) -> float:
    assert facts.source is not None
    whole = domain.whole
    return max(whole.first_s, whole.longest_interval_s, facts.source.duration_s - whole.last_s)


def _dropped(facts: Facts) -> bool:
    """Whether the capture itself may have lost what is missing."""
    return facts.source is not None and bool(facts.source.dropped)


def _hole(facts: Facts, start: float, stop: float) -> bool:
    """Whether nothing at all came by for most of that time."""
    assert facts.tally is not None
    begins = facts.tally.rates.longest_gap_at_s
    ends = begins + facts.tally.rates.longest_gap_s
    return min(stop, ends) - max(start, begins) > 0.5 * (stop - start)


def _audio_runs(facts: Facts, start: float, stop: float) -> bool:
    """Whether a stream or another steady flow went on in that time."""
    assert facts.tally is not None
    return any(
        (flow.stream or flow.steady)
        and not flow.clock
        and flow.first_s <= start + 1.0
        and flow.last_s >= stop - 1.0
        for flow in facts.tally.flows
    )
