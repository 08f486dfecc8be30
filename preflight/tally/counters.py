"""Whether the frames of a flow hold a counter, from the first data bytes of some of them. Own method.

Every place is read as a number of 8 bits, and of 16 in either byte order. It is a counter when most frames go on from the one before by
the same step; the others may have lost some in between. It may be in frames of another length, too, that fit in between. One of 16 bits is believed only where both its bytes moved:
else it is one of 8 bits beside a constant, and the kernel widens that when it sees it carry.
"""

from dataclasses import dataclass

import numpy as np

from preflight.tally.counter_kernels import DATA, KEPT, LEARN

MOST = 0.5  # of the frames go on by the step: common practice
LEAST_TURN = 128  # numbers until it comes round
# Bits, offset of the low byte, of the high byte or -1.
PLACES = (
    *((8, at, -1) for at in range(DATA)),
    *((16, at + 1, at) for at in range(DATA - 1)),
    *((16, at, at + 1) for at in range(DATA - 1)),
)
MASKS = np.array([[(1 << bits) - 1] for bits, _, _ in PLACES])


@dataclass(frozen=True)
class Counter:
    """Offsets of its low and high byte in a frame's data (high: -1 with 8 bits); `step` from frame to frame, modulo 2^bits. `size`
    is the length on the wire of most frames that have it. Of all these frames: `values`, and `times_ns`."""

    low: int
    high: int
    bits: int
    step: int
    size: int
    values: tuple[int, ...]
    times_ns: tuple[int, ...]
    before: int
    behind: int


def learn(kept: np.ndarray) -> Counter | None:
    """The counter in `kept` (uint8, LEARN frames of KEPT bytes as the kernel keeps them), or None."""
    frames = kept.reshape(LEARN, KEPT)
    sizes = np.ascontiguousarray(frames[:, DATA : DATA + 2]).view("<u2")[:, 0]
    common = int(np.bincount(sizes).argmax())
    alike = frames[sizes == common]
    if len(alike) < 2 * LEARN / 3:
        return None
    data = np.ascontiguousarray(alike[:, :DATA].T).astype(np.int64)
    # A row for each of PLACES: the numbers there, and by how much they go on.
    numbers = np.concatenate((data, data[1:] | data[:-1] << 8, data[:-1] | data[1:] << 8))
    steps = np.sort(np.diff(numbers) & MASKS, axis=1)
    alike_steps = (steps[:, :, None] == steps[:, None, :]).sum(axis=2)
    usual = alike_steps.argmax(axis=1)
    moved = (data != data[:, :1]).any(axis=1)
    shares = alike_steps.max(axis=1) / steps.shape[1]
    shares[DATA:][~np.tile(moved[1:] & moved[:-1], 2)] = 0
    best, rank = None, (MOST, 0, False)
    for place in np.flatnonzero(shares >= MOST).tolist():
        bits, low, high = PLACES[place]
        step, share = int(steps[place, usual[place]]), float(shares[place])
        turn = (1 << bits) // (step & -step) if step else 0
        if turn >= LEAST_TURN and (share, bits, step == 1) > rank:
            best, rank = (bits, low, high, step), (share, bits, step == 1)
    if best is None:
        return None
    bits, low, high, step = best
    fits = _in_turn(frames, sizes == common, low, high, step, (1 << bits) - 1)
    return Counter(
        low=low,
        high=high,
        bits=bits,
        step=step,
        size=common,
        values=tuple(value for value, _ in fits),
        times_ns=tuple(time for _, time in fits),
        before=int(data[low - 1, -1]) if low else -1,
        behind=int(data[low + 1, -1]) if low + 1 < DATA else -1,
    )


def _in_turn(
    frames: np.ndarray, alike: np.ndarray, low: int, high: int, step: int, mask: int
) -> list[tuple[int, int]]:
    """Value and time (ns) of the frames of the common length, and of those of another whose value is the next."""
    data = frames[:, :DATA].astype(np.int64)
    values = (data[:, low] if high < 0 else data[:, low] | data[:, high] << 8).tolist()
    times = np.ascontiguousarray(frames[:, DATA + 2 : DATA + 10]).view("<i8")[:, 0].tolist()
    found: list[tuple[int, int]] = []
    for value, time, same in zip(values, times, alike.tolist(), strict=True):
        if same or (found and value == (found[-1][0] + step) & mask):
            found.append((value, time))
    return found
