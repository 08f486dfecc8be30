"""What only pictures need of every frame: the milliseconds of the moments that stand out, and each sender's
load over time.

Strategy: every 100 ms is counted by milliseconds, measure by measure. Of these, as many as the table holds
are kept: all of a minute, and of a longer time the most notable, by how much came, how much it differs from
the 100 ms before, and its busiest millisecond, each against the mean until then. So the beginning of a flood
is kept although most of the flood is not. The load by sender has columns that grow wider with the time, as
the time line's rows do.
"""

from preflight.frames.compile import ROW, TABLE, Columns, kernel
from preflight.frames.kernels import BROADCAST, CAP, CAST, DISCOVERY, MULTICAST, OUT, REL, SRC, WIRE, slot_of
from preflight.tally.kernels import (
    BIN_NS,
    MEASURES,
    MS_NS,
    R_BROADCAST,
    R_BYTES,
    R_DISCOVERY,
    R_MULTICAST,
    R_SENT_BYTES,
    R_UNICAST,
    on_wire,
)

MS = 100  # milliseconds in a bin
_close = Columns()
Y_BIN, Y_NOTABLE = _close.take(2)
(Y_COUNTS,) = _close.take(1, width=MEASURES * MS)  # measure by measure
CLOSE_COLUMNS = _close.size
CLOSE_ROWS = 600

_shape = Columns()
Z_BIN, Z_KEPT, Z_WIDTH = _shape.take(
    3
)  # the open bin, how many are kept; bins in a column of the senders' loads
(Z_SUM,) = _shape.take(1, width=MEASURES)
(Z_LAST,) = _shape.take(1, width=MEASURES)
SHAPE_STATE = _shape.size

O_KEY = 0
SENDER_ROWS, LOADS = 512, 128
SENDER_COLUMNS = 1 + LOADS
# So many frames, or bytes, in 100 ms are nothing much, whatever the mean is. Common practice.
FEW_FRAMES, FEW_BYTES = 10, 10_000


@kernel()
def keep_bin(state, counts, close):
    """Close the open bin: keep it, in place of the least notable where there is no room. `counts` is left
    empty."""
    notable = 0
    now = int(state[Z_BIN])
    for m in range(MEASURES):
        total = 0
        most = 0
        for ms in range(MS):
            count = int(counts[m * MS + ms])
            total += count
            most = max(most, count)
        mean = int(state[Z_SUM + m]) // (now + 1)
        few = FEW_FRAMES if m < R_BYTES else FEW_BYTES
        stands_out = max(total, max(2 * abs(total - int(state[Z_LAST + m])), 10 * most))
        notable = max(notable, 1000 * stands_out // (mean + few))
        state[Z_SUM + m] += total
        state[Z_LAST + m] = total
    at = int(state[Z_KEPT])
    if at < close.shape[0]:
        state[Z_KEPT] += 1
    else:
        at = 0
        for row in range(1, close.shape[0]):
            if close[row, Y_NOTABLE] < close[at, Y_NOTABLE]:
                at = row
        if notable <= close[at, Y_NOTABLE]:
            at = -1
    for n in range(MEASURES * MS):
        if at >= 0:
            close[at, Y_COUNTS + n] = counts[n]
        counts[n] = 0
    if at >= 0:
        close[at, Y_BIN] = now
        close[at, Y_NOTABLE] = notable


@kernel()
def widen(senders, others):
    """Two columns of loads become one."""
    for row in range(senders.shape[0]):
        if senders[row, O_KEY] != 0:
            for c in range(LOADS):
                pair = 0
                if 2 * c + 1 < LOADS:
                    pair = int(senders[row, 1 + 2 * c]) + int(senders[row, 2 + 2 * c])
                senders[row, 1 + c] = pair
    for c in range(LOADS):
        others[c] = int(others[2 * c]) + int(others[2 * c + 1]) if 2 * c + 1 < LOADS else 0


@kernel(f"void({TABLE}, int64, {ROW}, {ROW}, {TABLE}, {TABLE}, {ROW})")
def shape(cols, rows, state, counts, close, senders, others):
    """Count frames and bytes by the millisecond, and bytes by sender; `others` are those of senders that
    found no row."""
    before = int(state[Z_BIN])
    column = before // int(state[Z_WIDTH])
    known = 0  # the sender of the frame before, and its row: often the same
    at = -1
    for i in range(rows):
        rel = max(int(cols[REL, i]), 0)
        now = rel // BIN_NS
        if now > before:
            keep_bin(state, counts, close)
            state[Z_BIN] = now
            if now > before + 1:  # a silence
                for m in range(MEASURES):
                    state[Z_LAST + m] = 0
            before = now
            column = now // int(state[Z_WIDTH])
            while column >= LOADS:
                widen(senders, others)
                state[Z_WIDTH] *= 2
                column = now // int(state[Z_WIDTH])
        ms = max(rel - before * BIN_NS, 0) // MS_NS
        nbytes = on_wire(int(cols[WIRE, i]), int(cols[CAP, i]))
        cast = int(cols[CAST, i])
        m = R_UNICAST
        if cast == BROADCAST:
            m = R_BROADCAST
        elif cols[DISCOVERY, i] != 0:
            m = R_DISCOVERY
        elif cast == MULTICAST:
            m = R_MULTICAST
        counts[m * MS + ms] += 1
        m = R_SENT_BYTES if cols[OUT, i] != 0 else R_BYTES
        counts[m * MS + ms] += nbytes

        key = int(cols[SRC, i]) + 1
        if key != known:
            known = key
            at = slot_of(senders, key)
        if at < 0:
            others[column] += nbytes
        else:
            senders[at, O_KEY] = key
            senders[at, 1 + column] += nbytes
