"""The kernels that know flows, one after another in one call: for a short batch, calling them takes longer
than they do.

`rates` and `shape` stand apart, for they know no flows: a thread of its own runs them, as neither half reads
what the other writes.
"""

from preflight.frames.compile import BYTES, ROW, TABLE, kernel
from preflight.tally.clock_kernels import clocks
from preflight.tally.kernels import copies, count
from preflight.tally.stream_kernels import streams


@kernel(
    f"void({BYTES}, {TABLE}, int64, int64, {TABLE}, {TABLE}, {ROW}, {TABLE}, {ROW}, {ROW}, {TABLE}, "
    f"{TABLE}, {TABLE})"
)
def follow(b, cols, rows, first, flows, talkers, totals, seen, began, copied, rtp, ptp, taken):
    """Who sends what, what comes again, RTP and PTP."""
    count(b, cols, rows, first, flows, talkers, totals, taken)
    copies(cols, rows, first, seen, began, flows, copied)
    streams(b, cols, rows, first, rtp, taken)
    clocks(b, cols, rows, first, ptp, taken)
