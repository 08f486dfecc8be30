"""What several checks of two captures look for: which flows are judged, and words for them."""

from collections.abc import Sequence
from dataclasses import replace

from preflight.between.facts import BetweenFacts, End, Gap, Here, Lone, Path
from preflight.checks.finding import Evidence
from preflight.checks.say import counted, what, who
from preflight.checks.step import managed, now
from preflight.wire.datagram import IGMP

PASSED_ON = 0.5  # of a unicast flow: with less it is only flooded this way now and then. Common practice.
FEW_STREAM = 100  # frames of a multicast that is no RTP, from which on it may be missed. Common practice.
SHOWN = 5
CABLE_BETWEEN = now("Look at the cable and the switches between these two places.")
PORT_COUNTERS = managed(
    now(
        "Read the error counters of every port on the way. CRC errors mean a bad cable, plug or fibre. "
        "Drops mean a full port."
    )
)
SWAP = "Swap the cable between them, then the switch port at each end, one at a time."
HALVE = now("Not found? Capture at a place half-way, and run `preflight between` on each half.")
TAKE_AGAIN = now("Capture again at both places at the same time, then run `preflight between` again.")


def called(path: Path | Lone) -> str:
    """A flow in a sentence: what it is, where it goes, who sends it."""
    return f"{title(path)} from {who(path.source, path.source_ip)}"


def title(path: Path | Lone) -> str:
    """The same in a headline, which leaves out who sends it."""
    if path.rtp:
        return f"the stream to {path.destination_ip} port {path.destination_port}"
    to = "" if path.protocol is not None else f" to {path.destination}" if path.destination else ""
    return f"{what(path)}{to}"


def titles(some: Sequence[Path | Lone], thing: str, worst: str = "worst") -> str:
    """Some flows in a headline: one by what it is, of several how many they are and the first of them, which
    is the `worst`; where that is "", none is named: what all of them share is no fault of one."""
    if len(some) == 1:
        return title(some[0])
    return counted(len(some), thing) + (f" ({worst}: {title(some[0])})" if worst else "")


def judged_paths(between: BetweenFacts) -> list[Path]:
    """The flows whose loss would be one: what a switch holds back, or floods now and then, is none."""
    # A snooping switch passes IGMP on only to where it must (RFC 4541).
    told = (_turned(path, between) for path in between.paths if path.protocol != IGMP)
    return [path for path in told if not _flooded(path)]


def _turned(path: Path, between: BetweenFacts) -> Path:
    """Where nothing tells which way a flow goes, and only A lacks frames though its capture says that it
    dropped none, they were lost on their way to A."""
    lost_at_a = path.way is None and path.b.only > 0 == path.a.only and between.a.source.dropped == 0
    return replace(path, way="B to A") if lost_at_a else path


def _flooded(path: Path) -> bool:
    known = path.matched + path.sent.only
    return path.cast == "unicast" and path.matched < PASSED_ON * known


def pair_of(between: BetweenFacts) -> list[Path]:
    """The streams that both networks carry."""
    return [path for path in between.paths if path.rtp]


def is_stream(path: Path) -> bool:
    return path.rtp or (path.cast == "multicast" and path.matched >= FEW_STREAM)


def ends(between: BetweenFacts, path: Path) -> tuple[tuple[str, End], tuple[str, End]]:
    """The names and captures of the end nearer to the sender and of the other; A and B where that is not
    known."""
    a, b = ("A", between.a), ("B", between.b)
    return (b, a) if path.way == "B to A" else (a, b)


def until_s(between: BetweenFacts) -> float:
    """When the first of the two captures ends."""
    return min(between.a.last_s, between.b.last_s)


def where(gap: Gap, here: str, there: str) -> str:
    """A run of frames that one end lacks, with the frames of both around it."""
    first = f"frame {gap.frame} of {here}" + (f" and {gap.frames - 1} after it" if gap.frames > 1 else "")
    return f"{first}: missing between frames {gap.other_before} and {gap.other_after} of {there}"


def gap_evidence(path: Path, lacking: Here, here: str, there: str, few: int = 2) -> list[Evidence]:
    """What one end has and the other lacks of a flow: in all, and the first runs of it."""
    share = f"{lacking.only} of {path.matched + lacking.only}"
    row = f", {lacking.longest} of them in a row" if lacking.longest > 1 else ""
    alike = (
        f" ({lacking.alike} of them have a content that repeats: how many is sure, which ones is not)"
        if lacking.alike
        else ""
    )
    told = [
        Evidence(
            f"{called(path)}: {share} frames{row}{alike}",
            None,
            lacking.gaps[0].at_s if lacking.gaps else None,
        )
    ]
    return told + [Evidence(where(gap, here, there), None, gap.at_s) for gap in lacking.gaps[:few]]
