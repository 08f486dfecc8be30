"""Multicast that is no stream: discovery, and what nobody can name. Streams may be many and are no storm.

Strategy: every multicast flow is discovery, a stream, a beat, a burst, undecided or unknown; only discovery
and unknown count. A beat is a clock, or a steady flow whose content need not change, as meters and
keep-alives of rigs are. What repeats by the clock at a few hundred a second is how a device was built, not a
fault, so it is no storm; at a thousand a second from one flow nobody builds it so: a jammed sender or a loop
is more likely, and that is told. Undecided is what was heard too briefly at an edge of the capture, or is cut
so short that nobody can tell whether it changes.
"""

from collections import defaultdict

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, counted
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.flows import MAC_CONTROL, SILENCE, active, busiest_second, hidden, joined
from preflight.checks.see.loudest import loudest, sent
from preflight.checks.step import ONE_BY_ONE, PORT_OF_SENDER
from preflight.tally.facts import Flow

CHECK = Check(
    name="multicast-storm",
    subject="wire",
    order=280,
    asks=Wire,
    explains=(Explains(("link-load", *KEEPS_TIME), "time"),),
    soak="run",
    question="Is there a flood of multicast that is no stream?",
    looks_at=(
        "Multicast frames in every second, without the streams and steady beats. A stream is a multicast "
        "flow whose content changes with every frame and which counts its packets as RTP does, or keeps a "
        "steady pace. A beat is a clock (PTP), or a slower flow that keeps a steady pace."
    ),
    why="A flood of multicast reaches most devices, as broadcast does, and takes time that they need for "
    "audio.",
    limits=(
        Limit("fail_per_s", 1000, "multicast frames of no stream in one second", "common practice"),
        Limit("caution_per_s", 100, "multicast frames of no stream in one second", "common practice"),
        Limit(
            "beat_per_s",
            1000,
            "frames a second that one steady beat stays below",
            "common practice; a PTP clock sends at most some hundreds (IEEE 1588, from memory)",
        ),
        SILENCE,
        Limit("least_s", 1, "s of listening, to show that there is none", "common practice"),
    ),
    least_s="least_s",
    sources=(
        "RFC 5771 and the IANA registry: groups and ports of discovery",
        "RFC 3550: how RTP counts its packets",
    ),
    fixes=(
        PORT_OF_SENDER,
        ONE_BY_ONE,
        "Close the program that sends so much, or take that device off the audio LAN. Run the line check "
        "again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for at least one second.",
)


def judge(wire: Wire, limits: Limits) -> Says:
    share = 0.5 if wire.vantage == "mirror" else 1.0  # such a mirror shows every frame twice
    rates = wire.tally.rates
    discovery = rates.peaks["discovery"]
    kinds: dict[str, list[Flow]] = defaultdict(list)
    for flow in wire.tally.flows:
        if flow.cast == "multicast":
            below = limits["silence_per_s" if flow.has_room and not hidden(flow) else "beat_per_s"]
            kinds[_kind(flow, wire, below / share, limits["fail_per_s"] / share)].append(flow)
    # Clocks that measure the cable use a group of the discovery range, 224.0.0.107 (IEEE 1588).
    apart = sum(f.most_in_1s for f in kinds["pause"] + kinds["beat"] if f.discovery)
    discovery_most = max(discovery.in_1s - apart, 0)
    unknown_at_s, unknown_most = busiest_second(kinds["unknown"])
    unknown_most = min(unknown_most, rates.peaks["multicast"].in_1s)
    most = max(discovery_most, unknown_most)
    together = min(discovery_most, unknown_most) * share >= limits["caution_per_s"]
    if together:  # a loop takes all that is flooded round with it, of both kinds at once
        both_at_s, both_most = busiest_second(kinds["discovery"] + kinds["unknown"])
        most = max(most, min(both_most, discovery_most + unknown_most))
    second = most * share
    bits = sum(f.bytes for kind, flows in kinds.items() if kind != "pause" for f in flows) * share * 8
    link_bits = wire.link_mbps * 1e6 * max(wire.source.duration_s, 0.001)
    yield Measured(
        {
            "most_discovery_in_1s": round(discovery_most * share),
            "most_unknown_in_1s": round(unknown_most * share),
            "streams": len(kinds["stream"]),
            "beats": len(kinds["beat"]),
            "multicast_share_of_link": round(bits / link_bits, 4),
        }
    )
    if second < limits["caution_per_s"]:
        cut_short = busiest_second([f for f in kinds["undecided"] if hidden(f)])[1] * share
        if cut_short >= limits["caution_per_s"]:
            yield unproven(
                f"{count_text(cut_short)} multicast frames a second are cut too short to tell a stream "
                "from a flood.",
                fixes=["Capture again with whole frames (snap length 0)."],
            )
        beside = [counted(len(kinds[kind]), kind) for kind in ("stream", "beat") if kinds[kind]]
        yield passed(
            f"At most {count_text(second)} multicast frames in a second"
            + (f" beside {' and '.join(beside)}." if beside else ".")
        )
        return
    failed = second >= limits["fail_per_s"]
    if together:
        flows, kind, at_s = kinds["discovery"] + kinds["unknown"], OUTSIDE, both_at_s
        spans = joined([active(f) for f in flows])
    elif discovery_most >= unknown_most:
        flows, kind, at_s = kinds["discovery"], "discovery frames", discovery.in_100ms_at_s
        spans = rates.spans("discovery", limits["caution_per_s"] / share)
    else:
        flows, kind, at_s = kinds["unknown"], OUTSIDE, unknown_at_s
        spans = joined([active(f) for f in flows])
    senders: dict[str, list[Flow]] = defaultdict(list)
    for flow in flows:
        senders[flow.source].append(flow)
    loud, name = loudest({sender: sum(f.most_in_1s for f in own) for sender, own in senders.items()})
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{'Multicast storm' if failed else 'Much multicast'}: {count_text(second)} {kind} in one second, "
        f"from {name}.",
        [
            Evidence(f"{count_text(second)} {kind} in the busiest second", time_s=at_s),
            *(sent(s, sum(f.frames for f in senders[s]) * share, senders[s]) for s in loud),
        ],
        culprits=filter(None, loud),
        spans=spans,
    )


# A stream that starts or stops at the capture's edge is not known by so few bins: common practice.
EDGE_S = 0.5
OUTSIDE = "multicast frames outside any stream"


def _kind(flow: Flow, wire: Wire, beat_below: float, burst_below: float) -> str:
    if flow.ethertype == MAC_CONTROL:
        return "pause"  # stays on its cable, and has a check of its own
    if flow.clock and flow.most_in_1s < beat_below:
        return "beat"
    if flow.discovery:
        return "discovery"
    if flow.stream:
        return "stream"
    if flow.steady and flow.per_s < beat_below:
        return "beat"
    if flow.frames <= 2 * flow.most_in_1s < 2 * burst_below and 0 < flow.bins <= 4:
        # once or twice, and over within two tenths of a second: a scene is recalled, a box starts
        return "burst"
    at_edge = flow.first_s < EDGE_S or flow.last_s > wire.source.duration_s - EDGE_S
    if hidden(flow) or (flow.bins < 3 and flow.frames > 1 and at_edge):
        return "undecided"
    return "unknown"
