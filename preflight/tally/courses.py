"""The pace of counts over their whole run, and how surely it is known, from the points that the kernel kept
of them.

The pace is the median of the slopes between any two points, which single packets that were held up cannot
bend; how far it may be off is told by the spread of these slopes (P. K. Sen, Journal of the American
Statistical Association 63, 1968: 95 % by Kendall's tau). Beyond that a clock of the capture that ticks slowly
hides a tick, and any an adapter's hesitation at one end.
"""

import numpy as np

from preflight.tally import course_kernels as c
from preflight.tally.facts import Course

LEAST_POINTS = 8
NORMAL_95 = 1.96
# how much later than others an adapter may stamp a frame, as a driver batches them. Common practice.
HESITATES_NS = 10_000
SLOWEST_TICK_NS = 1_000_000  # of a capture's clock. Common practice.


def courses(rows: np.ndarray) -> list[Course | None]:
    """Of each row of course columns (int64) its pace, or None where too few points are kept to tell it."""
    found: list[Course | None] = [None] * len(rows)
    kept = rows[:, c.G_KEPT]
    for count in sorted(set(kept[kept >= LEAST_POINTS].tolist())):
        which = np.flatnonzero(kept == count)
        points = rows[which, c.G_POINTS : c.G_POINTS + count * c.POINT_COLUMNS]
        points = points.reshape(len(which), count, c.POINT_COLUMNS)
        told = _paces(points[:, :, c.Q_NS], points[:, :, c.Q_UNITS], rows[which, c.G_ORIGIN_NS])
        for at, course in zip(which.tolist(), told, strict=True):
            found[at] = course
    return found


def _paces(times: np.ndarray, units: np.ndarray, origins: np.ndarray) -> list[Course | None]:
    """Of counts with as many points each: a row of `times` (ns since the origin) and one of `units`."""
    count = times.shape[1]
    one, other = np.triu_indices(count, 1)
    went = (units[:, other] - units[:, one]).astype(np.float64)
    passed = (times[:, other] - times[:, one]).astype(np.float64)
    forward = (went > 0).all(axis=1) & (passed > 0).all(axis=1)
    slopes = np.sort(passed / np.where(went > 0, went, 1.0), axis=1)
    pairs = slopes.shape[1]
    spread = NORMAL_95 * np.sqrt(count * (count - 1) * (2 * count + 5) / 18)
    low = max(int((pairs - spread) / 2), 0)
    middle = (slopes[:, (pairs - 1) // 2] + slopes[:, pairs // 2]) / 2  # np.median would load numpy.ma for it
    half = (slopes[:, pairs - 1 - low] - slopes[:, low]) / 2
    span = (times[:, -1] - times[:, 0]).astype(np.float64)
    tick = np.minimum(np.gcd.reduce(np.diff(times, axis=1), axis=1), SLOWEST_TICK_NS)
    with np.errstate(divide="ignore", invalid="ignore"):
        unsure = 1e6 * (half / middle + (tick + HESITATES_NS) / span)
    return [
        Course(
            1e9 / middle[at],
            float(unsure[at]),
            float(origins[at]) / 1e9,
            float(origins[at] + times[at, -1]) / 1e9,
        )
        if forward[at]
        else None
        for at in range(len(times))
    ]
