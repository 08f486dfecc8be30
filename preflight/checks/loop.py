"""A loop: the same frame goes round for ever. Told from mirrors, keep-alives and announcements by how copies come.

Strategy: the tally has counted contents that came eight times or more at 5 ms or less from copy to copy. A mirror
shows pairs, an announcement comes three times: neither is counted there. A keep-alive that never changes is one
content of one flow at a steady pace; a loop sends round whatever enters it, so it shows in contents that change, or at
a rate that no keep-alive has, or as this computer's own frames coming back.
"""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.describe import count_text, what, who
from preflight.checks.finding import Check, Evidence, Finding, Limit, Outcome
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

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
        Limit("contents", 2, "different frames that come so often", "common practice"),
        Limit("one_content_per_s", 2000, "copies a second when it is only one frame", "common practice"),
    ),
    sources=("IEEE 802.1D-1998: a bridge keeps no count of hops, so a frame in a loop never dies",),
    fixes=(
        "Look for two cables between the same two switches, or a cable with both ends in one switch. Pull one of them.",
        "Look for a box, desk or wireless bridge whose two network ports both go to the LAN. Pull one cable.",
        "If the lamps calm down, that was it. If not, put it back and pull the next.",
        "Run the line check again. Turn on spanning tree where a ring is wanted.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen until at least one broadcast or multicast frame has passed, with whole frames.",
)


def _keep_alive(flow: Flow) -> bool:
    """A steady flow of equal frames, slower than 4 000 a second."""
    return flow.steady and flow.bin_mean < 400


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    tally, copies = facts.tally, facts.tally.copies
    limits = {limit.name: limit.value for limit in CHECK.limits}
    looped = [f for f in tally.flows if f.repeated and not _keep_alive(f)]
    contents = sum(f.repeated for f in looped)
    per_s = 0.0
    most = copies.most_example
    if most is not None and (most.flow is None or not _keep_alive(tally.flows[most.flow])):
        per_s = (copies.most - 1) / max(most.last_s - most.first_s, 0.001)
    returned = copies.returned if facts.vantage != "mirror" else 0
    measured = {
        "frames_that_repeat": contents,
        "most_copies_of_one": copies.most,
        "copies_per_s_of_that": round(per_s),
        "own_frames_returned": returned,
        "share_seen_exactly_twice": round(copies.pairs / copies.distinct, 3) if copies.distinct else 0,
    }
    fast = copies.most >= 200 and per_s >= limits["one_content_per_s"]
    if not (contents >= limits["contents"] or fast or returned >= limits["copies"]):
        rates = tally.rates.peaks
        if rates["broadcast"].total + rates["discovery"].total + rates["multicast"].total == 0:
            return _unproven("No broadcast or multicast frame was heard; only these show a loop.", measured)
        if copies.cut > 0.5 * facts.source.frames:
            return _unproven("The frames are cut too short to tell whether they are the same.", measured)
        headline = "No frame goes round."
        if facts.vantage == "mirror" and copies.pairs:
            headline = "No frame goes round. Frames seen exactly twice come from the mirror port."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    evidence = []
    if most is not None:
        flow = tally.flows[most.flow] if most.flow is not None else None
        evidence.append(
            Evidence(
                f"one frame came {count_text(copies.most)} times, {count_text(per_s)} a second"
                + (f": {what(flow)} from {who(flow.source, flow.source_ip)}" if flow else ""),
                frame=most.first_frame,
                time_s=most.first_s,
            )
        )
    for example in copies.examples[:3]:
        evidence.append(
            Evidence(
                f"frame {example.first_frame} came again, for the eighth time as frame {example.last_frame}, "
                f"{(example.last_s - example.first_s) * 1000:.1f} ms later",
                frame=example.last_frame,
                time_s=example.last_s,
            )
        )
    if returned:
        evidence.append(
            Evidence(
                f"{count_text(returned)} frames that this computer sent came back to it",
                frame=copies.returned_frame,
                time_s=copies.returned_s,
            )
        )
    span = copies.span_s or ((copies.returned_s or 0.0), facts.source.duration_s)
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        f"There is a loop: {count_text(max(contents, 1))} different frames go round, "
        f"one of them {count_text(copies.most)} times."
        if contents
        else "There is a loop: this computer's own frames come back to it.",
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        spans=(span,),
    )


def _unproven(reason: str, measured: dict) -> Finding:
    return Finding(CHECK.name, Outcome.UNPROVEN, reason, measured=measured, fixes=(CHECK.unproven,))
