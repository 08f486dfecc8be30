"""Unicast between two others at a device's own port: a switch that does not know where the addressee is.

Strategy: first which station is ours: the adapter itself, what the capture marks as sent, or else the only one that all
conversations share. A switch learns an address from the first frame that its owner sends (IEEE 802.1D), so a few
stray frames are natural, and a conversation that is seen both ways is no flood but a mirror port. What goes on one way
is flooded: its addressee never speaks, or the switch forgets.
"""

from collections import defaultdict

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

CHECK = Check(
    name="unicast-flood",
    subject="wire",
    order=300,
    asks=View,
    question="Do frames meant for other devices come by here?",
    looks_at="Unicast from one other device to another, at a port where only this computer's own should come by.",
    why=(
        "A switch sends a frame out of every port while it does not know where the addressee is. Such a stream loads every "
        "link as a broadcast does."
    ),
    limits=(
        Limit("fail_frames", 100, "frames one way between two others", "common practice"),
        Limit("fail_s", 2, "s that they go on", "common practice"),
        Limit("caution_frames", 20, "frames one way between two others", "common practice"),
    ),
    sources=("IEEE 802.1D: a bridge floods what it has not learnt, and forgets an address after 300 s",),
    fixes=(
        "Look at the addressee: is it switched off, unplugged, or replaced? Then stop the stream to it.",
        "Is it there? Let it speak now and then: turn its keep-alive or link test on, or give it an address by hand.",
        "Look in the switch's address table whether it is full, or forgets within seconds.",
        "Run the line check again.",
    ),
    cautions=("Stopping a stream stops its sound: agree on it first.",),
    unproven="Run the line check at a device's own port, not at a mirror port, while this computer talks to two devices.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    talks: dict[tuple[str, str], list[Flow]] = defaultdict(list)
    for flow in facts.tally.flows:
        if flow.cast == "unicast" and flow.source and flow.destination and flow.source != flow.destination:
            talks[flow.source, flow.destination].append(flow)
    ours = _ours(facts, talks)
    others = {ends: flows for ends, flows in talks.items() if ours.isdisjoint(ends)}
    both_ways = {ends for ends in others if ends[::-1] in others and _frames(others[ends]) >= 4}
    one_way = {ends: flows for ends, flows in others.items() if ends[::-1] not in others}
    measured = {
        "own_station": sorted(ours)[:4],
        "one_way_pairs": len(one_way),
        "one_way_frames": sum(map(_frames, one_way.values())),
        "both_way_pairs": len(both_ways) // 2,
    }
    copies = facts.tally.copies
    mirrored = copies.distinct >= 20 and copies.pairs - copies.returned >= 0.4 * copies.distinct
    if mirrored or both_ways:
        return _unproven("Whole conversations of others come by, as at a mirror port.", measured, limits)
    if not ours:
        return _unproven("Nothing tells which device's port this is.", measured, limits)
    flooded = sorted(
        (each for each in one_way.items() if _frames(each[1]) >= limits["caution_frames"]),
        key=lambda each: -_frames(each[1]),
    )
    if not flooded:
        if short := enough(CHECK, facts, limits["fail_s"]):
            return short
        return Finding(
            CHECK.name,
            Outcome.PASS,
            "A few frames for others came by, as is natural." if one_way else "No frame for others comes by.",
            measured=measured,
            limits=limits,
        )
    failed = any(
        _frames(flows) >= limits["fail_frames"] and end - start >= limits["fail_s"]
        for _, flows in flooded
        for start, end in [_span(flows)]
    )
    (source, destination), most = flooded[0]
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"The switch floods frames that {who(source, most[0].source_ip)} sends to {who(destination)}.",
        evidence=tuple(
            Evidence(
                f"{count_text(_frames(flows))} frames from {who(ends[0], flows[0].source_ip)} to {who(ends[1])}, "
                f"none back; the most are {what(max(flows, key=lambda f: f.frames))}",
                frame=min(f.first_frame for f in flows),
                time_s=_span(flows)[0],
            )
            for ends, flows in flooded[:6]
        ),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(ends[0] for ends, _ in flooded))[:16],
        spans=tuple(sorted(_span(flows) for _, flows in flooded))[:16],
    )


def _ours(facts: Facts, talks: dict[tuple[str, str], list[Flow]]) -> frozenset[str]:
    """The stations at this very port: adapters of this computer, senders of frames that the capture marks as sent, or the
    one station that at least two conversations share. None where nothing tells."""
    assert facts.tally is not None
    sent = {talker.hardware for talker in facts.tally.talkers if talker.own}
    if facts.host is not None:
        sent |= {a.hardware_address.lower() for a in facts.host.adapters if a.hardware_address}
    if sent:
        return frozenset(sent)
    conversations = [frozenset(ends) for ends in talks if ends[::-1] in talks]
    if len(set(conversations)) < 2:
        return frozenset()
    return frozenset.intersection(*conversations)


def _frames(flows: list[Flow]) -> int:
    return sum(f.frames for f in flows)


def _span(flows: list[Flow]) -> tuple[float, float]:
    return min(f.first_s for f in flows), max(f.last_s for f in flows)


def _unproven(headline: str, measured: dict, limits: dict) -> Finding:
    return Finding(
        CHECK.name, Outcome.UNPROVEN, headline, measured=measured, limits=limits, fixes=(CHECK.unproven,)
    )
