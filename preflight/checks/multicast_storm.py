"""Multicast that is no stream: discovery, and what nobody can name. Streams may be many and are no storm."""

from collections import defaultdict

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.describe import count_text, what, who
from preflight.checks.finding import Check, Evidence, Finding, Limit, Outcome
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

CHECK = Check(
    name="multicast-storm",
    subject="wire",
    question="Is there a flood of multicast that is no stream?",
    looks_at=(
        "Multicast frames in every second, without the streams. A stream is a multicast flow whose content changes with "
        "every frame and which counts its packets as RTP does, or keeps a steady pace."
    ),
    why="Discovery in floods loads the small processors of boxes and every port of a switch, as broadcast does.",
    limits=(
        Limit(
            "fail_per_s", 1000, "multicast frames in one second that belong to no stream", "common practice"
        ),
        Limit(
            "caution_per_s", 100, "multicast frames in one second that belong to no stream", "common practice"
        ),
    ),
    sources=(
        "RFC 5771 and the IANA registry: groups and ports of discovery",
        "RFC 3550: how RTP counts its packets",
    ),
    fixes=(
        "Find the sender's port in the switch's address table, or unplug one cable at a time and watch the rate.",
        "Close the program, or take the device, that asks so often.",
        "Run the line check again.",
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
    multicast = [flow for flow in facts.tally.flows if flow.cast == "multicast"]
    streams = [flow for flow in multicast if flow.stream]
    # A flow must be watched for some bins before it can be called no stream.
    unknown = [f for f in multicast if not f.stream and not f.discovery and f.bins >= 3]
    by_second: dict[float, list[Flow]] = defaultdict(list)
    for flow in unknown:
        by_second[flow.most_in_1s_at_s].append(flow)
    at_s, together = max(
        by_second.items(), key=lambda item: sum(f.most_in_1s for f in item[1]), default=(0.0, [])
    )
    unknown_most = sum(f.most_in_1s for f in together)
    second = max(discovery.in_1s, unknown_most) * share
    limits = {limit.name: limit.value for limit in CHECK.limits}
    all_bytes = sum(f.bytes for f in multicast)
    duration = max(facts.source.duration_s, 0.001)
    measured = {
        "most_discovery_in_1s": round(discovery.in_1s * share),
        "most_unknown_in_1s": round(unknown_most * share),
        "streams": len(streams),
        "multicast_share_of_link": round(all_bytes * share * 8 / duration / (facts.link_mbps * 1e6), 4),
    }
    if second < limits["caution_per_s"]:
        if short := enough(CHECK, facts, 1.0):
            return short
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"At most {count_text(second)} multicast frames in a second beside {len(streams)} streams.",
            measured=measured,
            limits=limits,
        )
    failed = second >= limits["fail_per_s"]
    if discovery.in_1s >= unknown_most:
        flows = [f for f in multicast if f.discovery]
        at_s, kind = discovery.in_1s_at_s, "discovery"
        spans = rates.spans("discovery", limits["caution_per_s"])
    else:
        flows, kind = together, "unknown multicast"
        spans = tuple((f.first_s, f.last_s) for f in together)
    senders: dict[str, list[Flow]] = defaultdict(list)
    for flow in flows:
        senders[flow.source].append(flow)
    ranked = sorted(senders.items(), key=lambda item: -sum(f.most_in_1s for f in item[1]))
    total = sum(f.most_in_1s for f in flows) or 1
    loud = [(s, fs) for s, fs in ranked[:5] if sum(f.most_in_1s for f in fs) >= 0.1 * total]
    evidence = [Evidence(f"{count_text(second)} frames of {kind} in the busiest second", time_s=at_s)]
    for source, sent in loud:
        most = max(sent, key=lambda f: f.frames)
        evidence.append(
            Evidence(
                f"{who(source, most.source_ip)} sent {count_text(sum(f.frames for f in sent) * share)}, "
                f"mostly {what(most)}",
                frame=most.first_frame,
                time_s=most.first_s,
            )
        )
    name = who(loud[0][0]) if len(loud) == 1 else f"{len(ranked)} devices"
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{'Multicast storm' if failed else 'Much multicast'}: {count_text(second)} frames of {kind} in one second, "
        f"from {name}.",
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(source for source, _ in loud if source),
        spans=spans,
    )
