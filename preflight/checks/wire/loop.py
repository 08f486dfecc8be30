"""A loop: the same frame goes round for ever. Told from mirrors, keep-alives and announcements by how copies come.

Strategy: the tally has counted contents that came eight times or more at 5 ms or less from copy to copy. A mirror
shows pairs, an announcement comes three times: neither is counted there. A burst of ten announcements ends;
circling frames go on, so the copies must be many or the contents must interleave. A keep-alive is a steady flow of
frames that an open standard does not name; but what discovers or resolves addresses is never sent again
for ever, so there steadiness is no excuse. Or this computer's own frames come back.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.see.flows import hidden
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow, Repeats

CHECK = Check(
    name="loop",
    subject="wire",
    order=90,
    asks=View,
    explains=(
        Explains(
            (
                "broadcast-storm",
                "multicast-storm",
                "link-load",
                "unicast-flood",
                "spanning-tree",
                *KEEPS_TIME,
            ),
            "time",
        ),
    ),
    soak="run",
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
ARP, MAC_CONTROL = 0x0806, 0x8808
DHCP = (67, 68, 546, 547)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    tally, copies = facts.tally, facts.tally.copies
    limits = CHECK.values()
    looped = [(f, f.repeats) for f in tally.flows if f.repeats is not None and _circles(f, f.repeats)]
    looped.sort(key=lambda pair: -pair[1].most)
    contents = sum(repeats.contents for _, repeats in looped)
    most = looped[0][1] if looped else None
    per_s = max((_per_s(repeats) for _, repeats in looped), default=0.0)
    # A keep-alive that begins to circle has a slow past: its busiest second tells.
    fast = any(
        r.most >= ENOUGH_COPIES and max(_per_s(r), f.most_in_1s) >= limits["one_content_per_s"]
        for f, r in looped
    )
    returned = copies.returned if facts.vantage != "mirror" else 0
    came_back = returned >= limits["copies"]
    measured = {
        "frames_that_repeat": contents,
        "most_copies_of_one": most.most if most else 0,
        "copies_per_s_of_that": round(per_s),
        "own_frames_returned": returned,
        "share_seen_exactly_twice": round(copies.pairs / copies.distinct, 3) if copies.distinct else 0,
    }
    if not (contents >= limits["contents"] or fast or came_back):
        peaks = tally.rates.peaks
        if peaks["broadcast"].total + peaks["discovery"].total + peaks["multicast"].total == 0:
            return _unproven("No broadcast or multicast frame was heard; only these show a loop.", measured)
        flooded = [f for f in tally.flows if f.cast != "unicast"]
        unseen = sum(f.frames for f in flooded if hidden(f))
        if unseen > 0.5 * sum(f.frames for f in flooded) or copies.cut > 0.5 * facts.source.frames:
            return _unproven("The frames are cut too short to tell whether they are the same.", measured)
        headline = "No frame goes round."
        if facts.vantage == "mirror" and copies.pairs:
            headline = "No frame goes round. Frames seen exactly twice come from the mirror port."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    evidence = []
    for flow, repeats in looped[:4]:
        evidence.append(
            Evidence(
                f"one frame came {count_text(repeats.most)} times, {count_text(_per_s(repeats))} a second: {_from(flow)}"
                + (f"; {_frames(repeats.contents - 1)} more of it repeat" if repeats.contents > 1 else ""),
                frame=repeats.most_frame,
                time_s=repeats.most_first_s,
            )
        )
    for _, repeats in looped[:1]:
        evidence.append(
            Evidence(
                "the first frame to come for the eighth time",
                frame=repeats.eighth_frame,
                time_s=repeats.eighth_s,
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
        times = f", one of them {count_text(most.most)} times" if most else ""
        headline = f"There is a loop: {_frames(contents)} {'goes' if contents == 1 else 'go'} round{times}."
        if contents == 1 and most:
            headline = f"There is a loop: one frame goes round, {count_text(most.most)} times."
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
        spans=_spans([repeats for _, repeats in looped])
        or ((copies.returned_s or 0.0, facts.source.duration_s),),
    )


def _circles(flow: Flow, repeats: Repeats) -> bool:
    """Whether the copies in `flow` are those of a loop: many, and no keep-alive's."""
    by_turns = repeats.contents >= 8 and flow.changes - flow.distinct > 0.5 * flow.copies
    # Unicast is sent again for many reasons (TCP asks for it so), and a loop always shows in what is flooded.
    # No switch passes a pause frame on (IEEE 802.3 annex 31B), so that none can circle, however often the port sends it.
    if flow.cast == "unicast" or hidden(flow) or flow.ethertype == MAC_CONTROL:
        return False
    if repeats.copies < CHECK.limit("copies_on_average") * repeats.contents and not by_turns:
        return False
    named = flow.discovery or flow.ethertype == ARP or flow.destination_port in DHCP
    # Steady, or seen too briefly to tell: a keep-alive at the edge of a capture.
    even = flow.steady or flow.bins < 3
    return named or by_turns or not even or flow.per_s >= CHECK.limit("keep_alive_per_s")


def _per_s(repeats: Repeats) -> float:
    """Copies a second of the content that came most often."""
    return (repeats.most - 1) / max(repeats.most_last_s - repeats.most_first_s, 0.001)


def _spans(looped: list[Repeats]) -> tuple[tuple[float, float], ...]:
    """When any frame went round; stretches less than a second apart are one."""
    spans: list[tuple[float, float]] = []
    for start, end in sorted((repeats.first_s, repeats.last_s) for repeats in looped):
        if spans and start <= spans[-1][1] + 1:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((start, end))
    return tuple(spans)


def _from(flow: Flow) -> str:
    return f"{what(flow)} from {who(flow.source, flow.source_ip)}"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count_text(count)} frames"


def _unproven(reason: str, measured: dict) -> Finding:
    return Finding(CHECK.name, Outcome.UNPROVEN, reason, measured=measured, fixes=(CHECK.unproven,))
