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
    data = alike[:, :DATA].astype(np.int64)
    best, rank = None, (MOST, 0, False)
    for bits, low, high in _places():
        values = data[:, low] if high < 0 else data[:, low] | data[:, high] << 8
        if bits == 16 and any((data[:, at] == data[0, at]).all() for at in (low, high)):
            continue
        mask = (1 << bits) - 1
        steps = np.diff(values) & mask
        step = int(np.bincount(steps).argmax())
        turn = (1 << bits) // (step & -step) if step else 0
        share = float(np.mean(steps == step))
        if turn >= LEAST_TURN and (share, bits, step == 1) > rank:
            best, rank = (bits, low, high, step, values), (share, bits, step == 1)
    if best is None:
        return None
    bits, low, high, step, _ = best
    fits = _in_turn(frames, sizes == common, low, high, step, (1 << bits) - 1)
    return Counter(
        low=low,
        high=high,
        bits=bits,
        step=step,
        size=common,
        values=tuple(value for value, _ in fits),
        times_ns=tuple(time for _, time in fits),
        before=int(data[-1, low - 1]) if low else -1,
        behind=int(data[-1, low + 1]) if low + 1 < DATA else -1,
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


def _places() -> list[tuple[int, int, int]]:
    """Bits, offset of the low byte, of the high byte or -1."""
    eight = [(8, at, -1) for at in range(DATA)]
    return eight + [(16, at + 1, at) for at in range(DATA - 1)] + [(16, at, at + 1) for at in range(DATA - 1)]
