"""Unicast between two others at a device's own port: a switch that does not know where the addressee is.

Strategy: first which station is ours: the adapter itself, what the capture marks as sent, or else the only
one that all conversations share. A switch learns an address from the first frame that its owner sends (IEEE
802.1D), so a few stray frames are natural, and a conversation that is seen both ways is no flood but a mirror
port. What goes on one way is flooded: its addressee never speaks, or the switch forgets.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable

from preflight.checks.asks import Wire
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, what, who
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.addresses import own_hardware
from preflight.checks.see.flows import lived, shown
from preflight.checks.step import managed, now
from preflight.tally.facts import Flow

Ends = tuple[str, str]  # hardware addresses of sender and addressee

CHECK = Check(
    name="unicast-flood",
    subject="wire",
    order=300,
    asks=Wire,
    question="Do frames meant for other devices come by here?",
    looks_at="Unicast from one other device to another, at a port where only this computer's own should "
    "come by.",
    why=(
        "A switch sends a frame out of every port while it does not know where the addressee is. Such a "
        "stream loads every link as a broadcast does."
    ),
    limits=(
        Limit("fail_frames", 100, "frames one way between two others", "common practice"),
        Limit("fail_s", 2, "s that they go on", "common practice"),
        Limit("caution_frames", 20, "frames one way between two others", "common practice"),
    ),
    least_s="fail_s",
    sources=("IEEE 802.1D: a bridge floods what it has not learnt, and forgets an address after 300 s",),
    fixes=(
        "Look at the addressee: is it switched off, unplugged, or replaced? Then stop the stream to it.",
        "Is it there? Let it speak now and then: turn its keep-alive or link test on, or give it an "
        "address by hand.",
        managed(now("Look in the switch's address table whether it is full, or forgets within seconds.")),
        AGAIN,
    ),
    cautions=("Stopping a stream stops its sound: agree on it first.",),
    unproven="Run the line check at a device's own port, not at a mirror port, while this computer talks "
    "to two devices.",
)


TALK = 4  # frames one way, and any back: a conversation. Common practice.


def judge(wire: Wire, limits: Limits) -> Says:
    talks: dict[Ends, list[Flow]] = defaultdict(list)
    for flow in wire.tally.flows:
        if flow.cast == "unicast" and flow.source and flow.destination and flow.source != flow.destination:
            talks[flow.source, flow.destination].append(flow)
    ours = _ours(wire, talks)
    others = {ends: flows for ends, flows in talks.items() if ours.isdisjoint(ends)}
    both_ways = {ends for ends in others if ends[::-1] in others and _frames(others[ends]) >= TALK}
    one_way = {ends: flows for ends, flows in others.items() if ends[::-1] not in others}
    yield Measured(
        {
            "own_station": sorted(ours),
            "one_way_pairs": len(one_way),
            "one_way_frames": sum(map(_frames, one_way.values())),
            "both_way_pairs": len(both_ways) // 2,
        }
    )
    if wire.tally.copies.mirrored or both_ways:
        yield unproven("Whole conversations of others come by, as at a mirror port.")
        return
    if not ours:
        yield unproven("Nothing tells which device's port this is.")
        return
    flooded = sorted(
        ((ends, flows) for ends, flows in one_way.items() if _frames(flows) >= limits["caution_frames"]),
        key=lambda each: -_frames(each[1]),
    )
    if not flooded:
        yield passed(
            "A few frames for others came by, as is natural." if one_way else "No frame for others comes by."
        )
        return
    spans = [lived(flows) for _, flows in flooded]
    failed = any(
        _frames(flows) >= limits["fail_frames"] and end - start >= limits["fail_s"]
        for (_, flows), (start, end) in zip(flooded, spans, strict=True)
    )
    (source, destination), most = flooded[0]
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"The switch floods frames that {who(source, most[0].source_ip)} sends to {who(destination)}.",
        [_flood(*each) for each in flooded],
        culprits=list(dict.fromkeys(ends[0] for ends, _ in flooded))[:16],
        spans=sorted(spans)[:16],
    )


def _flood(ends: Ends, flows: list[Flow]) -> Evidence:
    most = max(flows, key=lambda flow: flow.frames)
    way = f"from {who(ends[0], flows[0].source_ip)} to {who(ends[1])}, none back"
    first = min(flows, key=lambda flow: flow.first_frame)
    return shown(f"{counted(_frames(flows), 'frame')} {way}; the most are {what(most)}", first)


def _ours(wire: Wire, talks: Collection[Ends]) -> frozenset[str]:
    """The stations at this very port: adapters of this computer, senders of frames that the capture marks as
    sent, or the one station that at least two conversations share. None where nothing tells."""
    own = own_hardware(wire)
    conversations = {frozenset(ends) for ends in talks if ends[::-1] in talks}
    return frozenset(own) if own or len(conversations) < 2 else frozenset.intersection(*conversations)


def _frames(flows: Iterable[Flow]) -> int:
    return sum(flow.frames for flow in flows)
