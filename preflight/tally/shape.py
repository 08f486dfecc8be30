"""What only pictures need, counted by `shape_kernels` in tables of fixed size: a tally of its own, which can
be fed with chosen stretches of a capture, too."""

import numpy as np

from preflight.frames.batch import Batch
from preflight.frames.tables import zeros
from preflight.tally import kernels as k
from preflight.tally import shape_kernels as z
from preflight.tally.facts import Shape
from preflight.tally.rows import mac_text

BIN_S = k.BIN_NS / 1e9
NOTHING = bytes(8 * k.MEASURES * z.MS)  # the milliseconds of a stretch without a frame


class Shapes:
    """Feed batches in order with `add`."""

    def __init__(self) -> None:
        self._state = np.zeros(z.SHAPE_STATE, np.int64)
        self._state[z.Z_WIDTH] = 1
        self._counts = np.zeros(k.MEASURES * z.MS, np.int64)
        self._close = zeros((z.CLOSE_ROWS, z.CLOSE_COLUMNS))
        self._senders = zeros((z.SENDER_ROWS, z.SENDER_COLUMNS))
        self._others = np.zeros(z.LOADS, np.int64)

    def add(self, batch: Batch) -> None:
        batch.engine.shape(
            batch.columns, batch.rows, self._state, self._counts, self._close, self._senders, self._others
        )

    def facts(self) -> Shape:
        state = self._state
        count = int(state[z.Z_KEPT])
        kept = self._close[: count + 1].copy()
        if count < z.CLOSE_ROWS:  # there is room for the open bin, however little stands out in it
            kept[count, z.Y_BIN] = state[z.Z_BIN]
            kept[count, z.Y_COUNTS :] = self._counts
        else:
            z.keep_bin(state.copy(), self._counts.copy(), kept)
        kept = kept[np.argsort(kept[:, z.Y_BIN])]
        columns = int(state[z.Z_BIN]) // int(state[z.Z_WIDTH]) + 1
        heard = self._senders[self._senders[:, z.O_KEY] != 0]
        loads = [(mac_text(int(row[z.O_KEY]) - 1), row[1 : 1 + columns].tobytes()) for row in heard]
        if self._others.any():
            loads.append(("", self._others[:columns].tobytes()))
        return Shape(
            close=tuple((int(row[z.Y_BIN]) * BIN_S, row[z.Y_COUNTS :].tobytes()) for row in kept),
            width_s=int(state[z.Z_WIDTH]) * BIN_S,
            senders=tuple(sorted(loads)),
        )
