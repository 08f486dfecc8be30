"""Whether clock and audio carry the priority marks by which switches let them go first.

Strategy: the tally kept the mark of most of a flow's frames and counted those marked otherwise. PTP event
messages and RTP streams are judged, but for telephones, which have a mark of their own (RFC 4594 section
4.1); what else there is (IGMP, ARP) tells whether a switch clears marks. Never a fail: on a link with room to
spare marks change nothing, and one on which audio had to wait fails by its own checks.
"""

from collections.abc import Iterable, Iterator

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, counted, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, unproven
from preflight.checks.see.flows import shown
from preflight.checks.see.streams import SEEN_WHERE, SPEECH_HZ, heard_streams
from preflight.checks.step import before_doors, managed, now, unmanaged
from preflight.tally.facts import Flow

CLOCK, AUDIO = "clock flow", "audio stream"

CHECK = Check(
    name="priority",
    subject="wire",
    order=350,
    asks=Wire,
    question="Are clock and audio marked to go first?",
    looks_at=(
        "The DSCP mark of PTP event messages and of RTP streams. For a clock that is not IP: the priority "
        "in its VLAN tag."
    ),
    why="A busy switch sends what is marked first. Audio without a mark waits behind file copies; the "
    "clock then wanders.",
    limits=(
        Limit("clock_dscp", 46, "DSCP of PTP event messages (EF)", "AES67 (from memory); RFC 3246"),
        Limit("media_dscp", 34, "DSCP of audio (AF41)", "AES67 (from memory); RFC 2597"),
        Limit(
            "quiet_share",
            0.1,
            "share of the link in its busiest second, below which a missing mark makes nothing wait",
            "common practice",
        ),
        Limit("changed_share", 0.01, "share of a flow that is marked otherwise", "common practice"),
    ),
    sources=(
        "RFC 2474: the DSCP field; 0 is best effort, with no precedence",
        "AES67: clock EF (46), media AF41 (34) (from memory)",
    ),
    fixes=(
        "Set the marks in the sender named here: clock 46, audio 34, or what the maker of the system asks "
        "for.",
        managed(
            before_doors(
                "If all senders show 0, a switch clears the marks: have it trust DSCP on every port."
            )
        ),
        managed(before_doors("Give each mark its own queue in every switch, strict priority, clock first.")),
        unmanaged(now("It has no queues to set. Keep all that is no audio off it.")),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=SEEN_WHERE,
)

EVENT_PORT = 319
SHOWN = 6


def judge(wire: Wire, limits: Limits) -> Says:
    flows = wire.tally.flows
    clock = [f for f in flows if f.clock and f.destination_port == EVENT_PORT and f.dscp is not None]
    off_ip = [f for f in flows if f.clock and f.dscp is None]
    tagged = [f for f in off_ip if f.pcp is not None]
    streams = {
        flow.first_frame: flow for stream, flow in heard_streams(wire) if stream.clock_hz not in SPEECH_HZ
    }
    media = [flow for flow in streams.values() if flow.dscp is not None]
    clock_marks, media_marks = {f.dscp or 0 for f in clock}, {f.dscp or 0 for f in media}
    cleared = "every IP frame here has mark 0: a switch clears the marks, or no sender sets any"
    yield Measured(
        {"clock_dscp": sorted(clock_marks), "media_dscp": sorted(media_marks)},
        (Evidence(cleared),) if _all_cleared(flows) and (clock or media) else (),
    )
    if not clock and not media and not tagged:
        reason = "The clock heard is not IP and has no VLAN tag, so it cannot be marked." if off_ip else ""
        yield unproven(reason or "Neither a clock nor a stream was heard.")
        return
    most_bit_s = 8 * wire.tally.rates.peaks["bytes"].in_1s
    quiet = most_bit_s < limits["quiet_share"] * wire.link_mbps * 1e6
    yield from _wrong_marks(CLOCK, clock, limits["clock_dscp"], limits, quiet)
    yield from _wrong_marks(AUDIO, media, limits["media_dscp"], limits, quiet)
    if low := [f for f in tagged if f.pcp == 0]:
        yield _marked_wrong(
            f"{_which(CLOCK, low, tagged)} not marked (VLAN priority 0).",
            ((f, "clock marked with VLAN priority 0") for f in low),
        )
    if clock_marks & media_marks - {0}:
        yield _marked_wrong(
            "Clock and audio carry the same mark: the clock waits behind the audio.",
            ((f, f"clock marked {f.dscp}, as the audio is") for f in clock if f.dscp in media_marks),
        )
    yield passed(_marked(clock, media, tagged), _unusual(clock, media, limits))


def _wrong_marks(kind: str, found: list[Flow], right: float, limits: Limits, quiet: bool) -> Iterator[Saw]:
    """What is marked wrongly. On a link that is nearly empty (`quiet`) nothing waits, marked or not."""
    name = kind.split()[0]
    marks = [f.dscp for f in found if f.dscp]
    expected = right if right in marks else max(marks, key=marks.count, default=None)
    zero = [f for f in found if f.dscp == 0]
    changing = [f for f in found if f.dscp and f.other_marks > limits["changed_share"] * f.frames]
    other = [f for f in found if f.dscp and f.dscp != expected and f not in changing]
    usual = f"the usual is {right:g}"
    if zero and not quiet:
        yield _marked_wrong(
            f"{_which(kind, zero, found)} not marked (DSCP 0).",
            ((f, f"{name} marked 0, {usual}") for f in zero),
        )
    if changing:
        yield _marked_wrong(
            f"The marks of {counted(len(changing), kind)} change on the way.",
            (
                (f, f"{name} marked {f.dscp}, but {count_text(f.other_marks)} frames are not")
                for f in changing
            ),
        )
    if other:
        yield _marked_wrong(
            f"{_which(kind, other, found)} marked otherwise than the rest.",
            ((f, f"{name} marked {f.dscp}, {usual}") for f in other),
        )


def _marked_wrong(headline: str, wrong: Iterable[tuple[Flow, str]]) -> Saw:
    """A caution with one line for each sender and what is wrong with its marks."""
    by_sender: dict[tuple[str, str], list[Flow]] = {}
    for flow, words in wrong:
        by_sender.setdefault((flow.source, words), []).append(flow)
    evidence = [
        shown(
            f"{who(source, several[0].source_ip)}: {words}"
            + (f" in {len(several)} flows" if len(several) > 1 else ""),
            several[0],
        )
        for (source, words), several in list(by_sender.items())[:SHOWN]
    ]
    return caution(headline, evidence, culprits=(source for source, _ in by_sender if source))


def _all_cleared(flows: Iterable[Flow]) -> bool:
    """Whether several senders are heard by IP, and none shows a mark."""
    ip = [f for f in flows if f.dscp is not None]
    return len({f.source for f in ip}) > 1 and not any(f.dscp or f.other_marks for f in ip)


def _which(kind: str, some: list[Flow], of: list[Flow]) -> str:
    if len(some) == len(of):
        return f"The {kind.split()[0]} is"
    return f"{len(some)} of {len(of)} {kind}s {'is' if len(some) == 1 else 'are'}"


def _marked(clock: list[Flow], media: list[Flow], tagged: list[Flow]) -> str:
    if not any(f.dscp for f in clock + media) and not tagged:
        return "Nothing is marked (DSCP 0), but this link is nearly empty: nothing waits here."
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


def _unusual(clock: list[Flow], media: list[Flow], limits: Limits) -> tuple[Evidence, ...]:
    """Marks that are set and agree, but are not those of AES67: right where the switches know them."""
    return tuple(
        Evidence(f"{kind} is marked {found[0].dscp}, not {right:g}: see that the switches know that mark")
        for kind, found, right in (
            ("clock", clock, limits["clock_dscp"]),
            ("audio", media, limits["media_dscp"]),
        )
        if found and found[0].dscp != right
    )
