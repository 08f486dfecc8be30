"""Whether clock and audio carry the priority marks by which switches let them go first.

Strategy: the tally kept the mark of each flow's first frame and counted frames marked otherwise. PTP event messages and RTP
streams are judged; what else there is (IGMP, ARP) tells whether a switch clears marks. Never a fail: on a link with room to
spare marks change nothing, and one on which audio had to wait fails by its own checks.
"""

from collections import defaultdict

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, who
from preflight.checks.see.streams import SEEN_WHERE, heard_streams
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

CHECK = Check(
    name="priority",
    subject="wire",
    order=350,
    asks=View,
    question="Are clock and audio marked to go first?",
    looks_at=(
        "The DSCP mark of PTP event messages and of RTP streams. For a clock that is not IP: the priority in its VLAN tag."
    ),
    why="A busy switch sends what is marked first. Audio without a mark waits behind file copies; the clock then wanders.",
    limits=(
        Limit("clock_dscp", 46, "DSCP of PTP event messages (EF)", "AES67 (from memory); RFC 3246"),
        Limit("media_dscp", 34, "DSCP of audio (AF41)", "AES67 (from memory); RFC 2597"),
        Limit("changed_share", 0.01, "share of a flow that is marked otherwise", "common practice"),
    ),
    sources=(
        "RFC 2474: the DSCP field; 0 is best effort, with no precedence",
        "AES67: clock EF (46), media AF41 (34) (from memory)",
    ),
    fixes=(
        "Set the marks in the sender named here: clock 46, audio 34, or what the maker of the system asks for.",
        "If all senders show 0, a switch clears the marks: have it trust DSCP on every port.",
        "Give each mark its own queue in every switch, strict priority, clock first. Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=SEEN_WHERE,
)

EVENT_PORT = 319
SHOWN = 6


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    flows = facts.tally.flows
    clock = [f for f in flows if f.clock and f.destination_port == EVENT_PORT and f.dscp is not None]
    off_ip = [f for f in flows if f.clock and f.dscp is None]
    media = list(
        {flow.first_frame: flow for _, flow in heard_streams(facts) if flow.dscp is not None}.values()
    )
    clock_marks, media_marks = {f.dscp for f in clock}, {f.dscp for f in media}
    measured = {"clock_dscp": sorted(clock_marks), "media_dscp": sorted(media_marks)}  # type: ignore[type-var]
    tagged = [f for f in off_ip if f.pcp is not None]
    if not clock and not media and not tagged:
        reason = "The clock heard is not IP and has no VLAN tag, so it cannot be marked." if off_ip else ""
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            reason or "Neither a clock nor a stream was heard.",
            measured=measured,
            fixes=(CHECK.unproven,),
        )
    wrong: list[tuple[Flow, str]] = []
    words: list[str] = []
    for kind, found, right in (
        ("clock", clock, limits["clock_dscp"]),
        ("audio", media, limits["media_dscp"]),
    ):
        zero = [f for f in found if f.dscp == 0]
        changing = [f for f in found if f.dscp and f.other_marks > limits["changed_share"] * f.frames]
        usual = max(
            (f.dscp for f in found if f.dscp),
            key=lambda mark: sum(f.dscp == mark for f in found),
            default=None,
        )
        expected = right if any(f.dscp == right for f in found) else usual
        other = [f for f in found if f.dscp and f.dscp != expected and f not in changing]
        if zero:
            words.append(f"{_which(kind, zero, found)} not marked (DSCP 0).")
        if changing:
            words.append(f"The marks of {_number(kind, changing)} change on the way.")
        if other:
            words.append(f"{_which(kind, other, found)} marked otherwise than the rest.")
        wrong += [(f, f"{kind} marked {f.dscp}, the usual is {right:g}") for f in zero + other]
        wrong += [
            (f, f"{kind} marked {f.dscp}, but {count_text(f.other_marks)} frames are not") for f in changing
        ]
    low = [f for f in tagged if f.pcp == 0]
    if low:
        words.append(f"{_which('clock', low, tagged)} not marked (VLAN priority 0).")
        wrong += [(f, "clock marked with VLAN priority 0") for f in low]
    if clock_marks & media_marks - {0}:
        words.append("Clock and audio carry the same mark: the clock waits behind the audio.")
        wrong += [(f, f"clock marked {f.dscp}, as the audio is") for f in clock if f.dscp in media_marks]
    if not wrong:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            _marked(clock, media, tagged),
            evidence=_unusual(clock, media, limits),
            measured=measured,
            limits=limits,
        )
    evidence = []
    by_sender: dict[tuple[str, str], list[Flow]] = defaultdict(list)
    for flow, what in wrong:
        by_sender[flow.source, what].append(flow)
    for (source, what), several in list(by_sender.items())[:SHOWN]:
        of = f" in {len(several)} flows" if len(several) > 1 else ""
        evidence.append(
            Evidence(
                f"{who(source, several[0].source_ip)}: {what}{of}",
                frame=several[0].first_frame,
                time_s=several[0].first_s,
            )
        )
    ip = [f for f in flows if f.dscp is not None]
    if len({f.source for f in ip}) > 1 and not any(f.dscp or f.other_marks for f in ip):
        evidence.append(
            Evidence("every IP frame here has mark 0: a switch clears the marks, or no sender sets any")
        )
    return Finding(
        CHECK.name,
        Outcome.CAUTION,
        " ".join(words[:2]),
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(flow.source for flow, _ in wrong if flow.source)),
    )


def _which(kind: str, some: list[Flow], of: list[Flow]) -> str:
    if len(some) == len(of):
        return "The clock is" if kind == "clock" else "The audio is"
    return f"{len(some)} of {len(of)} {'clock flows' if kind == 'clock' else 'audio streams'} {'is' if len(some) == 1 else 'are'}"


def _number(kind: str, flows: list[Flow]) -> str:
    name = "clock flow" if kind == "clock" else "audio stream"
    return f"1 {name}" if len(flows) == 1 else f"{len(flows)} {name}s"


def _marked(clock: list[Flow], media: list[Flow], tagged: list[Flow]) -> str:
    parts = []
    if clock:
        parts.append(f"clock {_marks(clock)}")
    if tagged:
        parts.append(f"clock by VLAN priority {min(f.pcp or 0 for f in tagged)}")
    if media:
        parts.append(f"audio {_marks(media)}")
    left = [name for name, flows in (("clock", clock + tagged), ("stream", media)) if not flows]
    unheard_words = f" No {left[0]} was heard." if left else ""
    return f"Marked to go first: {', '.join(parts)}.{unheard_words}"


def _marks(flows: list[Flow]) -> str:
    return "DSCP " + " and ".join(str(mark) for mark in sorted({f.dscp or 0 for f in flows}))


def _unusual(clock: list[Flow], media: list[Flow], limits: dict[str, float]) -> tuple[Evidence, ...]:
    """Marks that are set and agree, but are not those of AES67: right where the switches know them."""
    return tuple(
        Evidence(f"{kind} is marked {found[0].dscp}, not {right:g}: see that the switches know that mark")
        for kind, found, right in (
            ("clock", clock, limits["clock_dscp"]),
            ("audio", media, limits["media_dscp"]),
        )
        if found and found[0].dscp != right
    )
