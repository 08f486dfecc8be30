"""Spanning tree: who is root, whether the tree changes while listening, and how long it holds a port back.

Strategy: each switch repeats the root it believes in every two seconds. Another root in its words is a
change; a better one than before is a takeover. What comes before all audio is a rig that starts. The
topology-change flag alone is no event, for switches set it for half a minute after they came up: only a flag
that was off and goes on, or a switch that asks for a change, is one.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import groupby, pairwise

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, heard_only, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, trouble, unproven
from preflight.checks.see.flows import before_audio
from preflight.checks.step import before_doors, managed, now, unmanaged
from preflight.wire.stp import Bpdu, BridgeId

CHECK = Check(
    name="spanning-tree",
    subject="wire",
    order=230,
    asks=Wire,
    explains=(Explains(("unicast-flood", *KEEPS_TIME), "time"),),
    question="Is the spanning tree calm, and quick?",
    looks_at=(
        "What switches tell each other of the spanning tree (BPDUs): the root, changes of it and of the "
        "topology, and how long a port waits before it forwards."
    ),
    why=(
        "While the tree changes, switches stop forwarding: for a second or two, with the old standard for "
        "up to 50 s. With the old standard a box that is plugged in waits 30 s until it is heard."
    ),
    limits=(
        Limit(
            "slow_s",
            10,
            "s that a port of the old spanning tree waits (twice the forward delay)",
            "common practice; the standard's own default is 2 x 15 s: IEEE 802.1D-1998 8.10.2, from memory",
        ),
        Limit("often", 5, "topology changes within a minute: something comes and goes", "common practice"),
        Limit("settled", 2, "times that a root was told before another took over", "common practice"),
    ),
    sources=(
        "IEEE 802.1D-1998 clauses 8 and 9",
        "IEEE 802.1w (rapid), IEEE 802.1s (multiple)",
    ),
    fixes=(
        before_doors(
            "Was a switch plugged in just now? Take it out, or give it a higher priority number than the "
            "others."
        ),
        managed(
            before_doors(
                "Give the switch in the middle of the rig the lowest priority number, so that it stays root."
            )
        ),
        "Look for a cable between switches that comes and goes. Replace it.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven=(
        "Listen for ten seconds at a switch port. No BPDU then? Spanning tree is off, or not spoken on this "
        "port. That is all right as long as no two ways lead to any switch."
    ),
)
MINUTE_S = 60.0
TOGETHER_S = 1.0  # what switches tell so close together is one change. Common practice.
NOT_ON_THE_SHEET = unmanaged(
    now("One that speaks spanning tree has settings: find the switch that the rig sheet does not name.")
)
CHANGE_FIXES = (
    now(
        "Did you plug in or pull a switch or a cable while this listened? Then all is well: run the line "
        "check again."
    ),
    CHECK.fixes[2],
    managed(
        before_doors(
            "Set the ports of boxes and computers to edge port (PortFast), so that they do not count as "
            "changes."
        )
    ),
    AGAIN,
)
SLOW_FIXES = (
    managed(before_doors("Set the switches to rapid spanning tree (RSTP).")),
    managed(
        before_doors(
            "Set every port that a box or computer uses to edge port (PortFast). Never do so on a cable "
            "between switches."
        )
    ),
    managed(before_doors("No spare cable anywhere in the rig? Then spanning tree may be off as well.")),
    NOT_ON_THE_SHEET,
    AGAIN,
)
HELD_FIXES = (
    now(
        "Did you plug in this cable or start the switch just now? Wait half a minute, then run the line "
        "check again."
    ),
    SLOW_FIXES[1],
    AGAIN,
)
PORT = 0x0FFF  # of a port identifier; above stands its priority: IEEE 802.1t, from memory
QUICK_S = 2.0  # the rapid standards settle within: common practice
VERSIONS = {0: "old spanning tree (802.1D)", 2: "rapid spanning tree", 3: "multiple spanning tree"}


def judge(wire: Wire, limits: Limits) -> Says:
    heard = wire.heard(Bpdu)
    if not heard:
        yield unproven("No switch speaks spanning tree here.")
        return
    told = [bpdu for bpdu in heard if bpdu.root]
    yield Measured(
        {
            "roots": sorted({bpdu.root.hardware for bpdu in told if bpdu.root}),
            "switches": sorted({bpdu.bridge.hardware for bpdu in told if bpdu.bridge}),
            "versions": sorted({bpdu.version for bpdu in told}),
            "wait_s": max((2 * bpdu.forward_delay_s for bpdu in told), default=0),
            "bpdus": len(heard),
        },
        tuple({bpdu.vlan: _tree(bpdu) for bpdu in told}.values())[:4],
    )
    wrong = [
        *_roots(told, wire, limits["settled"]),
        *_changes(heard, wire, limits["often"]),
        *_slow(told, limits["slow_s"]),
        *_held_back(told),
    ]
    yield from wrong
    if wrong:
        return
    heard_s, least_s = wire.source.duration_s, 2 * min(min(max(bpdu.hello_s, 1.0), 10.0) for bpdu in told)
    if round(heard_s, 1) < least_s:
        yield unproven(heard_only(heard_s, least_s))
    yield passed(f"The {_version(told[-1])} is calm; {_switch(told[-1].root)} is root.")


def _roots(told: list[Bpdu], wire: Wire, settled: float) -> Iterator[Saw]:
    """Changes of the root, as each switch tells it."""
    by_switch: dict[tuple, list[Bpdu]] = defaultdict(list)
    for bpdu in told:
        by_switch[(bpdu.vlan, bpdu.bridge)].append(bpdu)
    news: dict[tuple, Saw] = {}
    for (vlan, _), words in by_switch.items():
        runs = [list(run) for _, run in groupby(words, key=lambda bpdu: bpdu.root)]
        for before, (bpdu, *_) in pairwise(runs):
            since, now = before[0], bpdu.seen.time_s
            if before_audio(wire.tally.flows, now + _holds_back_s(bpdu)):
                continue
            took_over = _beats(bpdu, since) and len(before) >= settled
            new, old = _switch(bpdu.root), _switch(since.root)
            text = f"{_switch(bpdu.bridge)} first told of root {_id(since.root)}, then of {_id(bpdu.root)}"
            saw = trouble(
                Outcome.FAIL if took_over else Outcome.CAUTION,
                f"Another switch took over as root{{at}}: {new}."
                if took_over
                else f"The root changed{{at}}, from {old} to {new}.",
                [_heard(text, bpdu)],
                at=f" at {now:.1f} s",
                culprits=[bpdu.root.hardware] if took_over and bpdu.root else [],
                spans=[(max(now - bpdu.hello_s, 0.0), now + _holds_back_s(bpdu))],
            )
            news.setdefault((vlan, bpdu.root), saw)
    yield from news.values()
    if news or wire.vantage == "mirror":
        return
    last = {key: words[-1] for key, words in by_switch.items() if len(words) > 1}
    for vlan in dict.fromkeys(vlan for vlan, _ in last):
        one, *others = [bpdu for (v, _), bpdu in last.items() if v == vlan]
        other = next((bpdu for bpdu in others if bpdu.root != one.root), None)
        if other is not None:
            text = f"{_switch(other.bridge)} tells of root {_id(other.root)}, {_switch(one.bridge)} of {_id(one.root)}"
            yield caution(
                f"Switches do not agree on the root: {_switch(one.root)} or {_switch(other.root)}.",
                [_heard(text, other)],
            )


def _beats(new: Bpdu, old: Bpdu) -> bool:
    return new.root is not None and old.root is not None and new.root.rank < old.root.rank


def _changes(heard: Iterable[Bpdu], wire: Wire, often: float) -> Iterator[Saw]:
    """Topology changes: a flag that goes on, or stays on, or a switch that asks for one. One change keeps the
    flag for maximum age and forward delay (IEEE 802.1D-1998 8.5.3.13, from memory), with the rapid standards
    for less."""
    flag_since: dict[tuple, float | None] = {}
    events: list[tuple[Bpdu, float, str]] = []  # what told it, when ports began to wait at the earliest
    for bpdu in heard:
        now = bpdu.seen.time_s
        if bpdu.kind == "topology change":
            events.append((bpdu, now, f"{who(bpdu.seen.src)} asks for a topology change"))
            continue
        key = (bpdu.vlan, bpdu.bridge, bpdu.port)
        lasts, began = bpdu.max_age_s + bpdu.forward_delay_s, now - _holds_back_s(bpdu)
        was_off, since = key in flag_since, flag_since.get(key)
        if not bpdu.topology_change:
            flag_since[key] = None
        elif since is None:
            flag_since[key] = now
            if was_off:
                events.append((bpdu, began, f"{_switch(bpdu.bridge)} tells of a topology change"))
        elif now - since > lasts + bpdu.hello_s / 2:
            flag_since[key] = now
            text = f"{_switch(bpdu.bridge)} tells of topology changes for longer than one lasts ({lasts:g} s)"
            events.append((bpdu, began - lasts, text))
    if events and not before_audio(wire.tally.flows, events[-1][0].seen.time_s):
        first, began, text = events[0]
        more = f"; {count_text(len(events))} such in all" if len(events) > 1 else ""
        most = _most_within(MINUTE_S, [bpdu.seen.time_s for bpdu, _, _ in events])
        yield trouble(
            Outcome.FAIL if most >= often else Outcome.CAUTION,
            f"The topology changes again and again, {most} times within a minute: a cable or a switch comes "
            "and goes."
            if most >= often
            else "The topology changed{at}: a cable or a switch came or went.",
            [_heard(text + more, first)],
            at=f", told at {first.seen.time_s:.1f} s",
            spans=[(max(began, 0.0), events[-1][0].seen.time_s)],
            fixes=CHANGE_FIXES,
        )


def _most_within(seconds: float, times: list[float]) -> int:
    """The most moments in any stretch so long. Several switches tell of one change, so that those close
    together are one."""
    moments = [at for n, at in enumerate(times) if n == 0 or at - times[n - 1] > TOGETHER_S]
    return max(sum(start <= at <= start + seconds for at in moments) for start in moments)


def _holds_back_s(bpdu: Bpdu) -> float:
    """How long a port waits before it forwards again; only then a change is told (IEEE 802.1D-1998 8.4,
    8.6.14, from memory)."""
    return 2 * bpdu.forward_delay_s if bpdu.version == 0 else QUICK_S


def _slow(told: Iterable[Bpdu], slow_s: float) -> Iterator[Saw]:
    slow = [bpdu for bpdu in told if bpdu.version == 0 and 2 * bpdu.forward_delay_s >= slow_s]
    if slow:
        wait_s, first = 2 * slow[0].forward_delay_s, slow[0]
        text = f"{_switch(first.bridge)} speaks version 0, forward delay {first.forward_delay_s:g} s"
        yield caution(
            f"The old spanning tree holds every box back for {wait_s:g} s after it is plugged in.",
            [_heard(f"{text} (an edge port would not wait; that cannot be seen)", first)],
            fixes=SLOW_FIXES,
        )


def _held_back(told: Iterable[Bpdu]) -> Iterator[Saw]:
    """Ports that a rapid switch does not open for longer than it takes two switches to agree: what is plugged
    in there is not heard."""
    ports: dict[tuple, list[Bpdu]] = defaultdict(list)
    for bpdu in told:
        ports[(bpdu.bridge, bpdu.port & PORT)].append(bpdu)
    for words in ports.values():
        held = [bpdu for bpdu in words if bpdu.held_back]
        if not held or held[-1].seen.time_s - held[0].seen.time_s < QUICK_S:
            continue
        first, last = held[0], held[-1]
        still = last.seen.time_s >= words[-1].seen.time_s - TOGETHER_S
        yield caution(
            f"{_switch(first.bridge)} {'holds' if still else 'held'} a port back{{at}}: what is plugged in "
            f"there is cut off for up to {2 * first.forward_delay_s:g} s.",
            [_heard("it tells that its port does not pass frames on yet", first)],
            at=f" for {last.seen.time_s - first.seen.time_s:.0f} s",
            spans=[(first.seen.time_s, last.seen.time_s)],
            fixes=HELD_FIXES,
        )


def _heard(text: str, bpdu: Bpdu) -> Evidence:
    return Evidence(text, bpdu.seen.frame, bpdu.seen.time_s)


def _tree(bpdu: Bpdu) -> Evidence:
    where = f" of VLAN {bpdu.vlan}" if bpdu.vlan is not None else ""
    return _heard(
        f"{_version(bpdu)}{where}: root {_id(bpdu.root)}, told by {_id(bpdu.bridge)}, cost {bpdu.cost}", bpdu
    )


def _version(bpdu: Bpdu) -> str:
    return VERSIONS.get(bpdu.version, f"spanning tree version {bpdu.version}")


def _switch(bridge: BridgeId | None) -> str:
    return who(bridge.hardware) if bridge else "a switch"


def _id(bridge: BridgeId | None) -> str:
    return f"{bridge.hardware} (priority {bridge.priority})" if bridge else "unknown"
