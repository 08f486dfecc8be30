"""What several checks ask of flows, and how they tell of them."""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable

from preflight.checks.finding import Evidence
from preflight.checks.rule import Limit
from preflight.checks.says import Span
from preflight.tally.facts import ClockPort, Flow

SILENCE = Limit(
    "silence_per_s",
    8500,
    "frames a second that one steady flow with room for audio stays below, though all are the same: "
    "digital silence",
    "common practice; streams of class A send 8 000 a second (IEEE 802.1BA, from memory)",
)
MAC_CONTROL = 0x8808  # pause frames: IEEE 802.3 annex 31A


def hidden(flow: Flow) -> bool:
    """Whether the snap length may have cut off what tells one frame of `flow` from the next. An RTP number
    that goes on is in what was kept."""
    return flow.cut > 0.5 * flow.frames and flow.sequence_steps == 0


def shown(text: str, first: Flow | ClockPort) -> Evidence:
    """`text`, and where the first frame of it came."""
    return Evidence(text, first.first_frame, first.first_s)


def lived(flows: Collection[Flow]) -> tuple[float, float]:
    """From the first frame of any to the last, in seconds. Raises ValueError where there are none."""
    return min(flow.first_s for flow in flows), max(flow.last_s for flow in flows)


def before_audio(flows: Iterable[Flow], at_s: float) -> bool:
    """Whether audio was heard, and all of it began later: what changed until then, as a rig starts, disturbed
    nobody."""
    begins = [flow.first_s for flow in flows if (flow.stream or flow.steady) and not flow.clock]
    return bool(begins) and min(begins) > at_s


def active(flow: Flow) -> tuple[float, float]:
    """When a flow sends: all its life, but where its frames go round only while that lasts."""
    if flow.repeats is not None and not flow.steady:
        return flow.repeats.first_s, flow.repeats.last_s
    return flow.first_s, flow.last_s


def busiest_second(flows: Collection[Flow]) -> tuple[float, float]:
    """When the flows together send most, and how many frames in that second. Each counts with the most it
    sent in its own busiest second, and in the others that it lived in with its mean of the rest."""
    changes: dict[float, float] = defaultdict(float)
    for flow in flows:
        start, end = (float(math.floor(t)) for t in active(flow))
        rest = (flow.frames - flow.most_in_1s) / (end - start) if end > start else 0.0
        for at, change in (
            (start, rest),
            (end + 1, -rest),
            (flow.most_in_1s_at_s, flow.most_in_1s - rest),
            (flow.most_in_1s_at_s + 1, rest - flow.most_in_1s),
        ):
            changes[at] += change
    best, now, best_at = 0.0, 0.0, 0.0
    for at in sorted(changes):
        now += changes[at]
        if now > best + 1e-6:
            best, best_at = now, at
    return best_at, best


def joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Stretches of time in order; those less than a second apart, which is what rates are counted in, are
    one."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return tuple(found)
