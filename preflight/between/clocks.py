"""How two clocks stand to one another, and which way the senders' frames go, from contents that both captures
hold once.

Strategy: the difference of the two times of one content is the clocks' offset, and the time on the way. Its
median in each of some stretches of time gives points that a busy moment hardly moves; the median of the
slopes between them is the drift (Theil and Sen). Time on the way and offset cannot be told apart by frames
that go one way. But where two devices talk to each other through both places, one's frames go from A to B and
the other's from B to A: the one with the larger difference goes from A to B, whatever the offset, and the
offset lies in the middle.
"""

from dataclasses import dataclass, replace

import numpy as np

from preflight.between import kernels as x

LEAST_CONTENTS = 8  # fewer prove nothing. Common practice.
STRETCHES = 64
PER_STRETCH = 8
# a clock that is off by more is broken: 100 parts in a million at each end (IEEE 802.3), and room for slewing
MAX_DRIFT = 500e-6
SET_SHARE = 0.05  # of all contents, that lie elsewhere. Common practice.
FAR_NS = 1_000_000_000  # further from the others, a pair is one by chance
FEW = 8
LEAST_APART_NS = 1000.0  # times closer than this are the captures' own


@dataclass(frozen=True)
class Aligned:
    """What takes a time of B to A's clock: less `offset_ns`, less `drift` of it. `times` are of A, `spans`
    what A to B took by A's clock, of the contents `rows` (of A's table); `ways` is 1 (A to B) or -1 for
    senders of which it is known."""

    offset_ns: int
    drift: float
    uncertainty_ns: float
    bend_ns: float
    a_rows: np.ndarray
    spans: np.ndarray
    ways: dict[int, int]

    @property
    def drift_32(self) -> int:
        """As the kernel takes it."""
        return round(self.drift * 2**32)


class ClockSet(Exception):
    """One of the clocks was set while it captured: by so many seconds."""

    def __init__(self, jump_s: float) -> None:
        super().__init__(jump_s)
        self.jump_s = jump_s


def aligned(
    a: np.ndarray, b: np.ndarray, one_clock_ns: int | None, mirrored: tuple[bool, bool]
) -> Aligned | None:
    """From the tables of contents of both sides; None where too little is in both. `one_clock_ns` is the
    offset where it is known, for both captures have one clock. Raises ClockSet."""
    a, b = _once(a, mirrored[0]), _once(b, mirrored[1])
    _, at, to = np.intersect1d(a[:, x.Q_KEY], b[:, x.Q_KEY], assume_unique=True, return_indices=True)
    if len(at) < LEAST_CONTENTS:
        return None
    a, b = a[at], b[to]
    a[:, x.Q_OUT] -= b[:, x.Q_OUT]  # -1: the computer at B sent it
    times = b[:, x.Q_NS].astype(np.float64)
    apart = (b[:, x.Q_NS] - a[:, x.Q_NS]).astype(np.float64)
    if one_clock_ns is not None:
        near = np.abs(apart - one_clock_ns) <= FAR_NS
        fitted = Aligned(one_clock_ns, 0.0, 0.0, 0.0, a[near], apart[near] - one_clock_ns, {})
        return None if np.count_nonzero(near) < LEAST_CONTENTS else _directed(fitted, 0.0, 0.0)
    length = float(times.max() - times.min())
    near = np.abs(apart - _mode(apart, MAX_DRIFT * length + FAR_NS)) <= MAX_DRIFT * length + FAR_NS
    if np.count_nonzero(near) < LEAST_CONTENTS:
        return None
    if np.count_nonzero(~near) >= max(LEAST_CONTENTS, SET_SHARE * len(near)):
        raise ClockSet(abs(float(np.median(apart[~near]) - np.median(apart[near]))) / 1e9)
    a, times, apart = a[near], times[near], apart[near]
    centres, middles, errors = _stretches(times, apart)
    drift = _slope(centres, middles)
    left = middles - drift * centres
    offset = float(np.median(left))
    spread = 1.4826 * float(np.median(np.abs(left - offset)))
    uncertainty = max(spread / np.sqrt(len(left)), float(np.median(errors)), 1.0)
    spans = apart - drift * times - offset
    bend = float(np.max(np.abs(left - offset))) if len(left) > 2 else 0.0
    return _directed(Aligned(round(offset), drift, uncertainty, bend, a, spans, {}), None, uncertainty)


def _once(table: np.ndarray, mirrored: bool) -> np.ndarray:
    """The contents that came once; a mirror shows each twice."""
    used = table[table[:, x.Q_KEY] != 0]
    once = used[:, x.Q_COUNT] == 1
    if mirrored:
        once |= _twin(used)
    return used[once]


def _twin(used: np.ndarray) -> np.ndarray:
    return (used[:, x.Q_COUNT] == 2) & (used[:, x.Q_GAP_NS] <= x.TWIN_NS)


def is_mirror(table: np.ndarray) -> bool:
    """Whether a side shows frames twice, as the tally has it (`Copies.mirrored`)."""
    used = table[table[:, x.Q_KEY] != 0]
    return len(used) >= 20 and int(np.count_nonzero(_twin(used))) >= 0.4 * len(used)


def _mode(values: np.ndarray, width: float) -> float:
    """The middle of the `width` in which most values lie: pairs by chance lie anywhere."""
    ordered = np.sort(values)
    ends = np.searchsorted(ordered, ordered + width, side="right")
    best = int(np.argmax(ends - np.arange(len(ordered))))
    return float(np.median(ordered[best : ends[best]]))


def _stretches(times: np.ndarray, apart: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For stretches of like many contents: mean time, median difference, and how far off that may be."""
    order = np.argsort(times, kind="stable")
    parts = np.array_split(order, max(1, min(STRETCHES, len(order) // PER_STRETCH)))
    middles = [float(np.median(apart[part])) for part in parts]
    errors = [
        1.2533 * 1.4826 * float(np.median(np.abs(apart[part] - middle))) / np.sqrt(len(part))
        for part, middle in zip(parts, middles, strict=True)
    ]
    return np.array([times[part].mean() for part in parts]), np.array(middles), np.array(errors)


def _slope(at: np.ndarray, values: np.ndarray) -> float:
    first, second = np.triu_indices(len(at), 1)
    run = at[second] - at[first]
    slopes = (values[second] - values[first])[run > 0] / run[run > 0]
    return float(np.clip(np.median(slopes), -MAX_DRIFT, MAX_DRIFT)) if len(slopes) else 0.0


def _directed(fitted: Aligned, centre: float | None, uncertainty: float) -> Aligned:
    """The same with the senders' ways. `centre` is the span of a frame that takes no time, where it is
    known."""
    rows, spans = fitted.a_rows, fitted.spans
    senders = {int(src): spans[rows[:, x.Q_SRC] == src] for src in np.unique(rows[:, x.Q_SRC])}
    middle = {src: float(np.median(each)) for src, each in senders.items()}
    far = {src: float(np.median(np.abs(each - middle[src]))) for src, each in senders.items()}
    usual = float(np.median(list(far.values())))  # few frames do not tell how far they may be off
    blur = {
        src: LEAST_APART_NS + 4 * 1.86 * max(far[src], usual if len(each) < FEW else 0.0) / np.sqrt(len(each))
        for src, each in senders.items()
    }
    half = 0.0
    if centre is None:
        unicast = rows[rows[:, x.Q_CAST] == 0]
        pairs = {(int(src), int(dst)) for src, dst in np.unique(unicast[:, [x.Q_SRC, x.Q_DST]], axis=0)}
        pairs = {(a, b) for a, b in pairs if b in middle}
        apart = [
            (max(middle[a], middle[b]), min(middle[a], middle[b]))
            for a, b in pairs
            if abs(middle[a] - middle[b]) > blur[a] + blur[b]
        ]
        if not apart:
            return replace(fitted, ways=_sent_here(rows))
        centre = float(np.median([(high + low) / 2 for high, low in apart]))
        half = float(np.median([(high - low) / 2 for high, low in apart]))
    ways = {
        src: 1 if at > centre else -1
        for src, at in middle.items()
        if abs(at - centre) > max(blur[src], half / 4)
    }
    if half:  # what goes both ways tells the offset itself
        fitted = replace(
            fitted,
            offset_ns=fitted.offset_ns + round(centre),
            spans=spans - centre,
            uncertainty_ns=uncertainty + half,
        )
    return replace(fitted, ways=ways | _sent_here(rows))


def _sent_here(rows: np.ndarray) -> dict[int, int]:
    """Senders that are a capturing computer themselves: theirs go to the other end, whatever the times
    say."""
    return {
        int(src): int(way)
        for src, way in np.unique(rows[rows[:, x.Q_OUT] != 0][:, [x.Q_SRC, x.Q_OUT]], axis=0)
    }


def floors(fitted: Aligned) -> dict[int, tuple[int, int]]:
    """For each flow of A (by its key) which way it goes, and the least time that its frames took that way."""
    found: dict[int, tuple[int, int]] = {}
    flows = fitted.a_rows[:, x.Q_FLOW]
    for key in np.unique(flows):
        mine = flows == key
        way = fitted.ways.get(int(fitted.a_rows[mine][0, x.Q_SRC]), 1)
        found[int(key)] = way, round(float((fitted.spans[mine] * way).min()))
    return found
