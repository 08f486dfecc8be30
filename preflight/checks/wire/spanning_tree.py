"""Spanning tree: who is root, whether the tree changes while listening, and how long it holds a port back.

Strategy: each switch repeats the root it believes in every two seconds. Another root in its words is a change; a better
one than before is a takeover. The topology-change flag alone is no event, for switches set it for half a minute after
they came up: only a flag that was off and goes on, or a switch that asks for a change, is one.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, who
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.wire.stp import Bpdu, BridgeId

CHECK = Check(
    name="spanning-tree",
    subject="wire",
    order=230,
    asks=View,
    explains=(Explains(("unicast-flood", *KEEPS_TIME), "time"),),
    question="Is the spanning tree calm, and quick?",
    looks_at=(
        "What switches tell each other of the spanning tree (BPDUs): the root, changes of it and of the topology, and "
        "how long a port waits before it forwards."
    ),
    why=(
        "While the tree changes, switches stop forwarding: for a second or two, with the old standard for up to 50 s. "
        "With the old standard a box that is plugged in waits 30 s until it is heard."
    ),
    limits=(
        Limit(
            "slow_s",
            10,
            "s that a port of the old spanning tree waits (twice the forward delay)",
            "common practice; the standard's own default is 2 x 15 s: IEEE 802.1D-1998 8.10.2, from memory",
        ),
        Limit("settled", 2, "times that a root was told before another took over", "common practice"),
    ),
    sources=(
        "IEEE 802.1D-1998 clauses 8 and 9",
        "IEEE 802.1w (rapid), IEEE 802.1s (multiple)",
    ),
    fixes=(
        "Was a switch plugged in just now? Take it out, or give it a higher priority number than the others.",
        "Give the switch in the middle of the rig the lowest priority number, so that it stays root.",
        "Look for a cable between switches that comes and goes. Replace it.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven=(
        "Listen for ten seconds at a switch port. No BPDU then? Spanning tree is off, or not spoken on this port. "
        "That is all right as long as no two ways lead to any switch."
    ),
)
CHANGE_FIXES = (
    "Did you plug in or pull a switch or a cable while this listened? Then all is well: run the line check again.",
    CHECK.fixes[2],
    "Set the ports of boxes and computers to edge port (PortFast), so that they do not count as changes.",
    CHECK.fixes[3],
)
SLOW_FIXES = (
    "Set the switches to rapid spanning tree (RSTP).",
    "Set every port that a box or computer uses to edge port (PortFast). Never do so on a cable between switches.",
    "No spare cable anywhere in the rig? Then spanning tree may be off as well.",
    "Run the line check again.",
)
QUICK_S = 2.0  # the rapid standards settle within: common practice
VERSIONS = {0: "old spanning tree (802.1D)", 2: "rapid spanning tree", 3: "multiple spanning tree"}


@dataclass(frozen=True)
class _Trouble:
    outcome: Outcome
    headline: str
    evidence: Evidence
    culprits: tuple[str, ...] = ()
    span: tuple[float, float] | None = None
    fixes: tuple[str, ...] = CHECK.fixes


def judge(facts: Facts) -> Finding | None:
    if facts.source is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    heard = facts.heard(Bpdu)
    told = [bpdu for bpdu in heard if bpdu.root is not None]
    if not heard:
        return Finding(
            CHECK.name, Outcome.UNPROVEN, "No switch speaks spanning tree here.", fixes=(CHECK.unproven,)
        )
    troubles = [*_roots(told, facts), *_changes(heard), *_slow(told)]
    measured = {
        "roots": sorted({bpdu.root.hardware for bpdu in told if bpdu.root}),
        "switches": sorted({bpdu.bridge.hardware for bpdu in told if bpdu.bridge}),
        "versions": sorted({bpdu.version for bpdu in told}),
        "wait_s": max((2 * bpdu.forward_delay_s for bpdu in told), default=0),
        "bpdus": len(heard),
    }
    limits = CHECK.values()
    trees = tuple({bpdu.vlan: _tree(bpdu) for bpdu in told}.values())[:4]
    if not troubles:
        if not told:
            return Finding(CHECK.name, Outcome.UNPROVEN, "No switch said who is root.", measured=measured)
        if short := enough(CHECK, facts, 2 * min(min(max(bpdu.hello_s, 1.0), 10.0) for bpdu in told)):
            return short
        last = told[-1]
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"The {_version(last)} is calm; {_root(last.root)} is root.",
            evidence=trees,
            measured=measured,
            limits=limits,
        )
    troubles.sort(key=lambda trouble: trouble.outcome != Outcome.FAIL)
    first = troubles[0]
    return Finding(
        CHECK.name,
        first.outcome,
        first.headline,
        evidence=(*(trouble.evidence for trouble in troubles[:8]), *trees),
        measured=measured,
        limits=limits,
        fixes=first.fixes,
        cautions=CHECK.cautions,
        culprits=first.culprits,
        spans=tuple(t.span for t in troubles if t.span is not None and t.outcome == first.outcome),
    )


def _roots(told: list[Bpdu], facts: Facts) -> Iterable[_Trouble]:
    """Changes of the root, as each switch tells it."""
    by_switch: dict[tuple, list[Bpdu]] = defaultdict(list)
    for bpdu in told:
        by_switch[(bpdu.vlan, bpdu.bridge)].append(bpdu)
    news: dict[tuple, _Trouble] = {}
    for (vlan, _), words in by_switch.items():
        since = words[0]
        count = 1
        for bpdu in words[1:]:
            if bpdu.root == since.root:
                count += 1
                continue
            assert bpdu.root is not None and since.root is not None
            takeover = bpdu.root.rank < since.root.rank and count >= CHECK.limit("settled")
            if takeover:
                headline = (
                    f"Another switch took over as root at {bpdu.seen.time_s:.1f} s: {_root(bpdu.root)}."
                )
            else:
                headline = f"The root changed at {bpdu.seen.time_s:.1f} s, from {_root(since.root)} to {_root(bpdu.root)}."
            text = f"{_root(bpdu.bridge)} first told of root {_text(since.root)}, then of {_text(bpdu.root)}"
            news.setdefault(
                (vlan, bpdu.root),
                _Trouble(
                    Outcome.FAIL if takeover else Outcome.CAUTION,
                    headline,
                    Evidence(text, bpdu.seen.frame, bpdu.seen.time_s),
                    (bpdu.root.hardware,) if takeover else (),
                    (max(bpdu.seen.time_s - bpdu.hello_s, 0.0), bpdu.seen.time_s + _holds_back_s(bpdu)),
                ),
            )
            since, count = bpdu, 1
    yield from news.values()
    if news or facts.vantage == "mirror":
        return
    last: dict[tuple, Bpdu] = {key: words[-1] for key, words in by_switch.items() if len(words) > 1}
    for vlan in dict.fromkeys(vlan for vlan, _ in last):
        words = [bpdu for (v, _), bpdu in last.items() if v == vlan]
        other = next((bpdu for bpdu in words if bpdu.root != words[0].root), None)
        if other is not None:
            yield _Trouble(
                Outcome.CAUTION,
                f"Switches do not agree on the root: {_root(words[0].root)} or {_root(other.root)}.",
                Evidence(
                    f"{_root(other.bridge)} tells of root {_text(other.root)}, "
                    f"{_root(words[0].bridge)} of {_text(words[0].root)}",
                    other.seen.frame,
                    other.seen.time_s,
                ),
            )


def _changes(heard: Iterable[Bpdu]) -> Iterable[_Trouble]:
    """Topology changes: a flag that goes on, or stays on, or a switch that asks for one. One change keeps the flag for
    maximum age and forward delay (IEEE 802.1D-1998 8.5.3.13, from memory), with the rapid standards for less."""
    flag_since: dict[tuple, float | None] = {}
    events: list[tuple[Bpdu, float, str]] = []  # what told it, when ports began to wait at the earliest
    for bpdu in heard:
        now = bpdu.seen.time_s
        if bpdu.kind == "topology change":
            events.append((bpdu, now, f"{who(bpdu.seen.src)} asks for a topology change"))
            continue
        key = (bpdu.vlan, bpdu.bridge, bpdu.port)
        lasts = bpdu.max_age_s + bpdu.forward_delay_s
        was_off = key in flag_since and flag_since[key] is None
        since = flag_since.get(key)
        if not bpdu.topology_change:
            flag_since[key] = None
        elif since is None:
            flag_since[key] = now
            if was_off:
                text = f"{_root(bpdu.bridge)} tells of a topology change"
                events.append((bpdu, now - _holds_back_s(bpdu), text))
        elif now - since > lasts + bpdu.hello_s / 2:
            flag_since[key] = now
            text = f"{_root(bpdu.bridge)} tells of topology changes for longer than one lasts ({lasts:g} s)"
            events.append((bpdu, now - lasts - _holds_back_s(bpdu), text))
    if not events:
        return
    first, began, text = events[0]
    more = f"; {count_text(len(events))} such in all" if len(events) > 1 else ""
    yield _Trouble(
        Outcome.CAUTION,
        f"The topology changed, told at {first.seen.time_s:.1f} s: a cable or a switch came or went.",
        Evidence(text + more, first.seen.frame, first.seen.time_s),
        span=(max(began, 0.0), events[-1][0].seen.time_s),
        fixes=CHANGE_FIXES,
    )


def _holds_back_s(bpdu: Bpdu) -> float:
    """How long a port waits before it forwards again; only then a change is told (IEEE 802.1D-1998 8.4, 8.6.14, from memory)."""
    return 2 * bpdu.forward_delay_s if bpdu.version == 0 else QUICK_S


def _slow(told: Iterable[Bpdu]) -> Iterable[_Trouble]:
    slow = [b for b in told if b.version == 0 and 2 * b.forward_delay_s >= CHECK.limit("slow_s")]
    if slow:
        first, wait = slow[0], 2 * slow[0].forward_delay_s
        yield _Trouble(
            Outcome.CAUTION,
            f"The old spanning tree holds every box back for {wait:g} s after it is plugged in.",
            Evidence(
                f"{_root(first.bridge)} speaks version 0, forward delay {first.forward_delay_s:g} s "
                "(an edge port would not wait; that cannot be seen)",
                first.seen.frame,
                first.seen.time_s,
            ),
            fixes=SLOW_FIXES,
        )


def _tree(bpdu: Bpdu) -> Evidence:
    where = f" of VLAN {bpdu.vlan}" if bpdu.vlan is not None else ""
    return Evidence(
        f"{_version(bpdu)}{where}: root {_text(bpdu.root)}, told by {_text(bpdu.bridge)}, cost {bpdu.cost}",
        bpdu.seen.frame,
        bpdu.seen.time_s,
    )


def _version(bpdu: Bpdu) -> str:
    return VERSIONS.get(bpdu.version, f"spanning tree version {bpdu.version}")


def _root(bridge: BridgeId | None) -> str:
    return who(bridge.hardware) if bridge is not None else "a switch"


def _text(bridge: BridgeId | None) -> str:
    return f"{bridge.hardware} (priority {bridge.priority})" if bridge is not None else "unknown"
