"""Whether a flow is periodic, from the times of its first frames. Own method.

A flow may send several frames in a beat: then its intervals fall into two heaps far apart, those within a beat and those
between beats. The period is the median time between beats, mended by counting beats that are missing in between. A flow is
periodic when four fifths of its beats come within three tenths of a period of their place: frames that come by chance
do so in six tenths only (what is left of an interval after whole periods is then spread evenly).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

SHORTEST_NS, LONGEST_NS = 15_000, 2_500_000_000
LEAST_BEATS = 8
HEAPS_APART = 5.0
NEAR = 0.3
REGULAR = 0.8
SEARCH = 0.05
MOST_FRAMES = 4096  # in a block


@dataclass(frozen=True)
class Learned:
    """`period_ns`, from the first to the last frame of a beat (ns), frames in it, beats seen, missing among them, and the time of the
    frame before the longest wait (ns)."""

    period_ns: int
    span_ns: int
    per_beat: int
    beats: int
    missing: int
    missing_ns: int | None


def learn(times: np.ndarray) -> Learned | None:
    """The beat of a flow with frames at `times` (ns, int64, at least LEAST_BEATS of them), or None without one."""
    times = np.sort(times)
    intervals = np.diff(times)
    if len(intervals) < LEAST_BEATS - 1:
        return None
    heaps = np.sort(np.maximum(intervals, 1000))
    rise = heaps[1:] / heaps[:-1]
    rare = max(len(heaps) // 16, 1)  # fewer than this are stragglers, not a heap
    rise[: rare - 1] = 0
    rise[len(rise) - rare + 1 :] = 0
    top = int(np.argmax(rise))
    starts, per_beat, span = times, 1, 0
    if rise[top] >= HEAPS_APART:
        edge = np.sqrt(float(heaps[top]) * float(heaps[top + 1]))
        first = np.concatenate(([True], intervals > edge))
        sizes = np.diff(np.flatnonzero(np.append(first, True)))
        starts = times[first]
        if len(sizes) > 2:
            inner = sizes[1:-1]
            common = int(np.bincount(inner).argmax())
            per_beat = common if np.mean(inner == common) >= REGULAR else 1
            ends = times[np.flatnonzero(np.append(first, True))[1:] - 1]
            span = int(np.median(ends - starts)) if per_beat > 1 else 0
    between = np.diff(starts)
    if len(between) < LEAST_BEATS - 1:
        return None
    period = float(np.median(between))
    if not SHORTEST_NS <= period <= LONGEST_NS:
        return None
    steps = np.rint(between / period)
    if np.mean(np.abs(between - np.maximum(steps, 1) * period) <= NEAR * period) < REGULAR:
        return None
    # The median is good to a few hundredths, which adds up over many beats. Of the periods near it, that one is right
    # on which the beats agree best in phase. Late beats that come close together keep their count in this way.
    since = (starts - starts[0]).astype(np.float64)
    near = period * (1 + SEARCH * np.linspace(-1, 1, 2 * len(since) + 1))
    period = float(near[np.argmax(np.abs(np.exp(2j * np.pi * since / near[:, None]).sum(axis=1)))])
    period = float(np.polyfit(np.rint(since / period), since, 1)[0])
    beats = round(since[-1] / period) + 1
    # Late beats that came in one bunch have one start, but all their frames; the first and the last beat may be in part.
    missing = max(min(beats - len(starts), (beats * per_beat - len(times)) // per_beat), 0)
    longest = int(np.argmax(between))
    return Learned(
        period_ns=round(period),
        span_ns=span,
        per_beat=per_beat,
        beats=beats,
        missing=missing,
        missing_ns=int(starts[longest]) if missing else None,
    )


def edge(times: np.ndarray) -> int:
    """The interval in ns, between the usual and the longest of a flow's first frames, that may part two blocks; 0 where none is
    HEAPS_APART of the usual."""
    intervals = np.maximum(np.diff(np.sort(times)), 1000)
    usual, longest = float(np.median(intervals)), float(intervals.max())
    return round(math.sqrt(usual * longest)) if longest >= HEAPS_APART * usual else 0


def learn_blocks(blocks: np.ndarray) -> Learned | None:
    """The beat of a flow by its blocks (int64, a row each: begin and end in ns, frames), where they come by the clock and most hold as
    many frames; or None."""
    begins, ends, frames = blocks.T
    if len(begins) < LEAST_BEATS:
        return None
    common = int(np.bincount(np.minimum(frames, MOST_FRAMES)).argmax())
    found = learn(begins)
    if found is None or common == 1 or np.mean(frames == common) < REGULAR:
        return None
    span = int(np.median(ends - begins))
    return replace(found, per_beat=common, span_ns=span) if span < found.period_ns else None
