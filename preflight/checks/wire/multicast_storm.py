"""Multicast that is no stream: discovery, and what nobody can name. Streams may be many and are no storm.

Strategy: every multicast flow is discovery, a stream, a beat, undecided or unknown; only discovery and unknown count.
A beat is a clock, or a steady flow whose content need not change, as meters and keep-alives of rigs are. What repeats
by the clock at a few hundred a second is how a device was built, not a fault, so it is no storm; at a thousand a second
from one flow nobody builds it so: a jammed sender or a loop is more likely, and that is told. Undecided is what
was heard too briefly at an edge of the capture, or is cut so short that nobody can tell whether it changes.
"""

import math
from collections import defaultdict

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.see.flows import hidden
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

CHECK = Check(
    name="multicast-storm",
    subject="wire",
    order=280,
    asks=View,
    explains=(Explains(("link-load", *KEEPS_TIME), "time"),),
    soak="run",
    question="Is there a flood of multicast that is no stream?",
    looks_at=(
        "Multicast frames in every second, without the streams and steady beats. A stream is a multicast flow whose "
        "content changes with every frame and which counts its packets as RTP does, or keeps a steady pace. A beat is a "
        "clock (PTP), or a slower flow that keeps a steady pace."
    ),
    why="A flood of multicast reaches most devices, as broadcast does, and takes time that they need for audio.",
    limits=(
        Limit(
            "fail_per_s", 1000, "multicast frames in one second that belong to no stream", "common practice"
        ),
        Limit(
            "caution_per_s", 100, "multicast frames in one second that belong to no stream", "common practice"
        ),
        Limit(
            "beat_per_s",
            1000,
            "frames a second that one steady beat stays below",
            "common practice; a PTP clock sends at most some hundreds (IEEE 1588, from memory)",
        ),
    ),
    sources=(
        "RFC 5771 and the IANA registry: groups and ports of discovery",
        "RFC 3550: how RTP counts its packets",
    ),
    fixes=(
        "Look up the sender named here in the switch's address table: that tells the port.",
        "No table? Unplug one cable at a time, and run the line check after each.",
        "Close the program that sends so much, or take that device off the audio LAN. Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for at least one second.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    share = 0.5 if facts.vantage == "mirror" else 1.0
    rates = facts.tally.rates
    discovery = rates.peaks["discovery"]
    flooded = [flow for flow in facts.tally.flows if flow.cast == "multicast"]
    # Pause frames stay on their cable, and have a check of their own.
    multicast = [flow for flow in flooded if flow.ethertype != MAC_CONTROL]
    kinds = {kind: [f for f in multicast if _kind(f, facts, share) == kind] for kind in KINDS}
    unknown = kinds["unknown"]
    # Clocks that measure the cable use a group of the discovery range, 224.0.0.107 (IEEE 1588), and never pause.
    apart = [f for f in flooded if f.ethertype == MAC_CONTROL] + kinds["beat"]
    discovery_most = max(discovery.in_1s - sum(f.most_in_1s for f in apart if f.discovery), 0)
    unknown_at_s, unknown_most = _busiest_second(unknown)
    unknown_most = min(unknown_most, rates.peaks["multicast"].in_1s)
    second = max(discovery_most, unknown_most) * share
    limits = CHECK.values()
    all_bytes = sum(f.bytes for f in multicast)
    duration = max(facts.source.duration_s, 0.001)
    measured = {
        "most_discovery_in_1s": round(discovery_most * share),
        "most_unknown_in_1s": round(unknown_most * share),
        "streams": len(kinds["stream"]),
        "beats": len(kinds["beat"]),
        "multicast_share_of_link": round(all_bytes * share * 8 / duration / (facts.link_mbps * 1e6), 4),
    }
    if second < limits["caution_per_s"]:
        if short := enough(CHECK, facts, 1.0):
            return short
        cut_short = _busiest_second([f for f in kinds["undecided"] if hidden(f)])[1] * share
        if cut_short >= limits["caution_per_s"]:
            return Finding(
                CHECK.name,
                Outcome.UNPROVEN,
                f"{count_text(cut_short)} multicast frames a second are cut too short to tell a stream from a flood.",
                measured=measured,
                limits=limits,
                fixes=("Capture again with whole frames (snap length 0).",),
            )
        beside = [_number(kinds[kind], kind) for kind in ("stream", "beat") if kinds[kind]]
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"At most {count_text(second)} multicast frames in a second"
            + (f" beside {' and '.join(beside)}." if beside else "."),
            measured=measured,
            limits=limits,
        )
    failed = second >= limits["fail_per_s"]
    if discovery_most >= unknown_most:
        flows, kind = kinds["discovery"], "discovery frames"
        at_s = discovery.in_100ms_at_s
        spans = rates.spans("discovery", limits["caution_per_s"] / share)
    else:
        flows, kind = unknown, "multicast frames outside any stream"
        at_s, spans = unknown_at_s, _joined([_active(f) for f in unknown])
    senders: dict[str, list[Flow]] = defaultdict(list)
    for flow in flows:
        senders[flow.source].append(flow)
    ranked = sorted(senders.items(), key=lambda item: -sum(f.most_in_1s for f in item[1]))
    total = sum(f.most_in_1s for f in flows) or 1
    loud = [(s, fs) for s, fs in ranked[:5] if sum(f.most_in_1s for f in fs) >= 0.1 * total] or ranked[:3]
    evidence = [Evidence(f"{count_text(second)} {kind} in the busiest second", time_s=at_s)]
    for source, sent in loud:
        most = max(sent, key=lambda f: f.frames)
        evidence.append(
            Evidence(
                f"{who(source, most.source_ip)} sent {count_text(sum(f.frames for f in sent) * share)} in all, "
                f"mostly {what(most)}",
                frame=most.first_frame,
                time_s=most.first_s,
            )
        )
    most_of_it = sum(f.most_in_1s for _, sent in loud for f in sent) > 0.9 * total
    name = who(loud[0][0]) if len(loud) == 1 else f"{len(loud if most_of_it else ranked)} devices"
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{'Multicast storm' if failed else 'Much multicast'}: {count_text(second)} {kind} in one second, "
        f"from {name}.",
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(source for source, _ in loud if source),
        spans=spans,
    )


MAC_CONTROL = 0x8808  # IEEE 802.3 annex 31A
KINDS = ("discovery", "stream", "beat", "undecided", "unknown")
# A stream that starts or stops at the capture's edge is not known by so few bins: common practice.
EDGE_S = 0.5


def _kind(flow: Flow, facts: Facts, share: float) -> str:
    assert facts.source is not None
    limit = CHECK.limit("beat_per_s")
    if flow.clock and flow.most_in_1s * share < limit:
        return "beat"
    if flow.discovery:
        return "discovery"
    if flow.stream:
        return "stream"
    if flow.steady and flow.per_s * share < limit:
        return "beat"
    at_edge = flow.first_s < EDGE_S or flow.last_s > facts.source.duration_s - EDGE_S
    if hidden(flow) or (flow.bins < 3 and flow.frames > 1 and at_edge):
        return "undecided"
    return "unknown"


def _active(flow: Flow) -> tuple[float, float]:
    """When a flow sends: all its life, but where its frames go round only while that lasts."""
    if flow.repeats is not None and not flow.steady:
        return flow.repeats.first_s, flow.repeats.last_s
    return flow.first_s, flow.last_s


def _busiest_second(flows: list[Flow]) -> tuple[float, float]:
    """When the flows together send most, and how many frames in that second. Each counts with the most it sent in its
    own busiest second, and in the others that it lived in with its mean of the rest."""
    changes: dict[float, float] = defaultdict(float)
    for flow in flows:
        start, end = (float(math.floor(t)) for t in _active(flow))
        rest = (flow.frames - flow.most_in_1s) / (end - start) if end > start else 0.0
        for at, change in (
            (start, rest),
            (end + 1, -rest),
            (flow.most_in_1s_at_s, flow.most_in_1s - rest),
            (flow.most_in_1s_at_s + 1, rest - flow.most_in_1s),
        ):
            changes[at] += change
    best, now, best_at = 0.0, 0.0, 0.0
    for at in sorted(changes):
        now += changes[at]
        if now > best + 1e-6:
            best, best_at = now, at
    return best_at, best


def _joined(spans: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    joined: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1] + 1:  # a second is what is counted
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def _number(flows: list[Flow], name: str) -> str:
    return f"1 {name}" if len(flows) == 1 else f"{len(flows)} {name}s"
