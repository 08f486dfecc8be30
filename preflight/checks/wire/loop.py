"""A loop: the same frame goes round for ever. Told from mirrors, keep-alives and announcements by how copies
come.

Strategy: the tally has counted contents that came eight times or more at 5 ms or less from copy to copy; of
what asks and answers for the network, and of packets that are numbered as RTP's are, at 60 ms or less. A
mirror shows pairs, an announcement comes three times: neither is counted there. A burst of ten announcements
ends; circling frames go on, so the copies must be many or the contents must interleave. A keep-alive is a
steady flow of frames that an open standard does not name; but what discovers or resolves addresses is never
sent again for ever, so there steadiness is no excuse. Or this computer's own frames come back.
"""

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, counted, what, who
from preflight.checks.says import Limits, Measured, Saw, Says, fail, passed, unproven
from preflight.checks.see.flows import MAC_CONTROL, SILENCE, hidden, joined
from preflight.checks.step import before_doors, managed, now
from preflight.tally.facts import Flow, Repeats

BY_TURNS = 8  # contents. Common practice.

CHECK = Check(
    name="loop",
    subject="wire",
    order=90,
    asks=Wire,
    explains=(
        Explains(
            (
                "broadcast-storm",
                "multicast-storm",
                "link-load",
                "unicast-flood",
                "asked-in-vain",
                "spanning-tree",
                *KEEPS_TIME,
            ),
            "time",
        ),
    ),
    soak="run",
    question="Does any frame go round in a loop?",
    looks_at=(
        "Frames that come again byte for byte within some 50 milliseconds: how many different ones, how "
        "often, how fast. And this computer's own frames coming back to it."
    ),
    why="Switches never drop a circling frame. One broadcast is enough to fill every link until the loop "
    "is opened.",
    limits=(
        Limit("copies", 8, "frames that this computer sent and that came back to it", "common practice"),
        Limit(
            "copies_on_average",
            24,
            f"copies of each that repeats, or {BY_TURNS} that repeat by turns",
            "common practice: a burst of ten announcements is twenty frames at a mirror port",
        ),
        Limit("contents", 2, "different frames that come so often", "common practice"),
        Limit(
            "slow_per_s",
            200,
            "copies a second of one frame, below which frames of several devices must repeat: a loop "
            "through slow bridges or Wi-Fi",
            "common practice",
        ),
        Limit("one_content_per_s", 2000, "copies a second when it is only one frame", "common practice"),
        Limit(
            "keep_alive_per_s",
            4000,
            "frames a second that a steady keep-alive stays below",
            "common practice",
        ),
        SILENCE,
    ),
    sources=("IEEE 802.1D-1998: a bridge keeps no count of hops, so a frame in a loop never dies",),
    fixes=(
        now(
            "Look for two cables between the same two switches, or a cable with both ends in one switch. "
            "Pull one of them."
        ),
        now(
            "Look for a box, desk or wireless bridge whose two network ports both go to the LAN. Pull one "
            "cable."
        ),
        now("If the lamps of the switch calm down, that was it. If not, put it back and pull the next."),
        AGAIN,
        managed(
            before_doors("Where you want a ring as a spare way, turn on spanning tree in every switch of it.")
        ),
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for a minute, and capture whole frames (snap length 0).",
)

# One content is told by its speed only after so many copies: common practice.
ENOUGH_COPIES = 200
ARP = 0x0806
DHCP = (67, 68, 546, 547)
SHOWN = 4


def judge(wire: Wire, limits: Limits) -> Says:
    copies = wire.tally.copies
    looped = [(f, f.repeats) for f in wire.tally.flows if f.repeats and _circles(f, f.repeats, limits)]
    # One device may ask again and again. What comes back slowly is a loop only where the frames of several
    # do.
    slow = [(flow, repeats) for flow, repeats in looped if _per_s(repeats) < limits["slow_per_s"]]
    if len({flow.source for flow, _ in slow}) < limits["contents"]:
        looped = [pair for pair in looped if pair not in slow]
    looped.sort(key=lambda pair: -pair[1].most)
    contents = sum(repeats.contents for _, repeats in looped)
    most = looped[0][1].most if looped else 0
    returned = copies.returned if wire.vantage != "mirror" else 0
    yield Measured(
        {
            "frames_that_repeat": contents,
            "most_copies_of_one": most,
            "copies_per_s_of_that": round(max((_per_s(repeats) for _, repeats in looped), default=0.0)),
            "own_frames_returned": returned,
            "share_seen_exactly_twice": round(copies.pairs / copies.distinct, 3) if copies.distinct else 0,
        }
    )
    # A keep-alive that begins to circle has a slow past: its busiest second tells.
    fast = any(
        r.most >= ENOUGH_COPIES and max(_per_s(r), f.most_in_1s) >= limits["one_content_per_s"]
        for f, r in looped
    )
    if contents >= limits["contents"] or fast:
        several = f"{counted(contents, 'frame')} go round, one of them"
        headline = f"{'one frame goes round,' if contents == 1 else several} {count_text(most)} times"
    elif returned >= limits["copies"]:
        headline = "this computer's own frames come back to it"
    else:
        yield _no_loop(wire)
        return
    evidence = [
        Evidence(
            f"one frame came {count_text(repeats.most)} times, {count_text(_per_s(repeats))} a second: "
            f"{what(flow)} from {who(flow.source, flow.source_ip)}"
            + (
                f"; {counted(repeats.contents - 1, 'frame')} more of it repeat"
                if repeats.contents > 1
                else ""
            ),
            repeats.most_frame,
            repeats.most_first_s,
        )
        for flow, repeats in looped[:SHOWN]
    ]
    for _, repeats in looped[:1]:
        evidence.append(
            Evidence("the first frame to come for the eighth time", repeats.eighth_frame, repeats.eighth_s)
        )
    if returned:
        text = f"{counted(returned, 'frame')} that this computer sent came back to it"
        evidence.append(Evidence(text, copies.returned_frame, copies.returned_s))
    spans = joined((repeats.first_s, repeats.last_s) for _, repeats in looped) or [
        (copies.returned_s or 0.0, wire.source.duration_s)
    ]
    yield fail(f"There is a loop: {headline}.", evidence, spans=spans)


def _no_loop(wire: Wire) -> Saw:
    peaks, copies = wire.tally.rates.peaks, wire.tally.copies
    if peaks["broadcast"].total + peaks["discovery"].total + peaks["multicast"].total == 0:
        return unproven("No broadcast or multicast frame was heard; only these show a loop.")
    flooded = [f for f in wire.tally.flows if f.cast != "unicast"]
    unseen = sum(f.frames for f in flooded if hidden(f))
    if unseen > 0.5 * sum(f.frames for f in flooded) or copies.cut > 0.5 * wire.source.frames:
        return unproven("The frames are cut too short to tell whether they are the same.")
    twice = " Frames seen exactly twice come from the mirror port."
    return passed(f"No frame goes round.{twice if wire.vantage == 'mirror' and copies.pairs else ''}")


def _circles(flow: Flow, repeats: Repeats, limits: Limits) -> bool:
    """Whether the copies in `flow` are those of a loop: many, and no keep-alive's."""
    by_turns = repeats.contents >= BY_TURNS and flow.changes - flow.distinct > 0.5 * flow.copies
    # Unicast is sent again for many reasons (TCP asks for it so), and a loop always shows in what is flooded.
    # No switch passes a pause frame on (IEEE 802.3 annex 31B), so that none can circle, however often the
    # port sends it.
    if flow.cast == "unicast" or hidden(flow) or flow.ethertype == MAC_CONTROL:
        return False
    if repeats.copies < limits["copies_on_average"] * repeats.contents and not by_turns:
        return False
    named = flow.discovery or flow.ethertype == ARP or flow.destination_port in DHCP
    # Steady, or seen too briefly to tell: a keep-alive at the edge of a capture.
    even = flow.steady or flow.bins < 3
    below = limits["silence_per_s" if flow.has_room else "keep_alive_per_s"]
    return named or by_turns or not even or flow.per_s >= below


def _per_s(repeats: Repeats) -> float:
    """Copies a second of the content that came most often."""
    return (repeats.most - 1) / max(repeats.most_last_s - repeats.most_first_s, 0.001)
