"""A loop: the same frame goes round for ever. Told from mirrors, keep-alives and announcements by how copies come.

Strategy: the tally has counted contents that came eight times or more at 5 ms or less from copy to copy. A mirror
shows pairs, an announcement comes three times: neither is counted there. A burst of ten announcements ends;
circling frames go on, so the copies must be many or the contents must interleave. A keep-alive is a steady flow of
frames that an open standard does not name; but what discovers or resolves addresses is never sent again
for ever, so there steadiness is no excuse. Or this computer's own frames come back.
"""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.describe import count_text, what, who
from preflight.checks.finding import Check, Evidence, Finding, Limit, Outcome
from preflight.checks.wire_subject import hidden, unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow, Repeat

CHECK = Check(
    name="loop",
    subject="wire",
    question="Does any frame go round in a loop?",
    looks_at=(
        "Frames that come again byte for byte within milliseconds: how many different ones, how often, how fast. And "
        "this computer's own frames coming back to it."
    ),
    why="Switches never drop a circling frame. One broadcast is enough to fill every link until the loop is opened.",
    limits=(
        Limit("copies", 8, "copies of one frame, 5 ms or less apart on average", "common practice"),
        Limit(
            "copies_on_average",
            24,
            "copies of each that repeats, or eight that repeat by turns",
            "common practice: a burst of ten announcements is twenty frames at a mirror port",
        ),
        Limit("contents", 2, "different frames that come so often", "common practice"),
        Limit("one_content_per_s", 2000, "copies a second when it is only one frame", "common practice"),
        Limit(
            "keep_alive_per_s",
            4000,
            "frames a second that a steady keep-alive stays below",
            "common practice",
        ),
    ),
    sources=("IEEE 802.1D-1998: a bridge keeps no count of hops, so a frame in a loop never dies",),
    fixes=(
        "Look for two cables between the same two switches, or a cable with both ends in one switch. Pull one of them.",
        "Look for a box, desk or wireless bridge whose two network ports both go to the LAN. Pull one cable.",
        "If the lamps of the switch calm down, that was it. If not, put it back and pull the next.",
        "Run the line check again. Where you want a ring as a spare way, turn on spanning tree in every switch of it.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for a minute, and capture whole frames (snap length 0).",
)


# One content is told by its speed only after so many copies: common practice.
ENOUGH_COPIES = 200
ARP = 0x0806
DHCP = (67, 68, 546, 547)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    tally, copies = facts.tally, facts.tally.copies
    limits = {limit.name: limit.value for limit in CHECK.limits}
    looped = [f for f in tally.flows if f.repeated and _circles(f, facts)]
    looped.sort(key=lambda f: -f.copies)
    contents = sum(f.repeated for f in looped)
    most = copies.most_example
    if most is not None and (most.flow is None or tally.flows[most.flow] not in looped):
        most = None  # a keep-alive has more copies than what circles
    per_s = (copies.most - 1) / max(most.last_s - most.first_s, 0.001) if most else 0.0
    fast = (copies.most >= ENOUGH_COPIES and per_s >= limits["one_content_per_s"]) or any(
        f.copies >= ENOUGH_COPIES and f.most_in_1s >= limits["one_content_per_s"] for f in looped
    )
    returned = copies.returned if facts.vantage != "mirror" else 0
    came_back = returned >= limits["copies"]
    measured = {
        "frames_that_repeat": contents,
        "most_copies_of_one": copies.most if most else 0,
        "copies_per_s_of_that": round(per_s),
        "own_frames_returned": returned,
        "share_seen_exactly_twice": round(copies.pairs / copies.distinct, 3) if copies.distinct else 0,
    }
    if not (contents >= limits["contents"] or fast or came_back):
        peaks = tally.rates.peaks
        if peaks["broadcast"].total + peaks["discovery"].total + peaks["multicast"].total == 0:
            return _unproven("No broadcast or multicast frame was heard; only these show a loop.", measured)
        flooded = [f for f in tally.flows if f.cast != "unicast"]
        unseen = sum(f.frames for f in flooded if hidden(f, facts))
        if unseen > 0.5 * sum(f.frames for f in flooded) or copies.cut > 0.5 * facts.source.frames:
            return _unproven("The frames are cut too short to tell whether they are the same.", measured)
        headline = "No frame goes round."
        if facts.vantage == "mirror" and copies.pairs:
            headline = "No frame goes round. Frames seen exactly twice come from the mirror port."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    evidence = []
    if most is not None:
        evidence.append(
            Evidence(
                f"one frame came {count_text(copies.most)} times, {count_text(per_s)} a second: "
                f"{_from(tally.flows[most.flow or 0])}",
                frame=most.first_frame,
                time_s=most.first_s,
            )
        )
    for flow in [f for f in looped if most is None or f is not tally.flows[most.flow or 0]][:3]:
        evidence.append(
            Evidence(
                f"{_from(flow)}: {count_text(flow.copies)} of {count_text(flow.frames)} frames are copies of one just before",
                frame=flow.first_frame,
                time_s=flow.first_s,
            )
        )
    examples = [e for e in copies.examples if e.flow is not None and tally.flows[e.flow] in looped]
    for example in examples[:3]:
        evidence.append(
            Evidence(
                f"frame {example.first_frame} came for the eighth time as frame {example.last_frame}, "
                f"{(example.last_s - example.first_s) * 1000:.1f} ms later",
                frame=example.last_frame,
                time_s=example.last_s,
            )
        )
    if returned:
        evidence.append(
            Evidence(
                f"{_frames(returned)} that this computer sent came back to it",
                frame=copies.returned_frame,
                time_s=copies.returned_s,
            )
        )
    if contents >= limits["contents"] or fast:
        times = f", one of them {count_text(copies.most)} times" if most else ""
        headline = f"There is a loop: {_frames(contents)} {'goes' if contents == 1 else 'go'} round{times}."
        if contents == 1 and most:
            headline = f"There is a loop: one frame goes round, {count_text(copies.most)} times."
    else:
        headline = "There is a loop: this computer's own frames come back to it."
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        headline,
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        spans=(_span(facts, looped, examples),),
    )


def _circles(flow: Flow, facts: Facts) -> bool:
    """Whether the copies in `flow` are those of a loop: many, and no keep-alive's."""
    by_turns = flow.repeated >= 8 and flow.changes - flow.distinct > 0.5 * flow.copies
    # Unicast is sent again for many reasons (TCP asks for it so), and a loop always shows in what is flooded.
    if flow.cast == "unicast" or hidden(flow, facts):
        return False
    if flow.copies < CHECK.limit("copies_on_average") * flow.repeated and not by_turns:
        return False
    named = flow.discovery or flow.ethertype == ARP or flow.destination_port in DHCP
    # Steady, or seen too briefly to tell: a keep-alive at the edge of a capture.
    even = flow.steady or flow.bins < 3
    return named or by_turns or not even or flow.per_s >= CHECK.limit("keep_alive_per_s")


def _span(facts: Facts, looped: list[Flow], examples: list[Repeat]) -> tuple[float, float]:
    """From the first frame that goes round to the last, as far as keep-alives do not blur it."""
    assert facts.source is not None and facts.tally is not None
    copies = facts.tally.copies
    if not looped or copies.span_s is None:
        return copies.returned_s or 0.0, facts.source.duration_s
    start = min((e.first_s for e in examples), default=copies.span_s[0])
    return start, max(start, min(copies.span_s[1], max(f.last_s for f in looped)))


def _from(flow: Flow) -> str:
    return f"{what(flow)} from {who(flow.source, flow.source_ip)}"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count_text(count)} frames"


def _unproven(reason: str, measured: dict) -> Finding:
    return Finding(CHECK.name, Outcome.UNPROVEN, reason, measured=measured, fixes=(CHECK.unproven,))
