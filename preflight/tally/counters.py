"""Whether the frames of a flow hold a counter, from the first data bytes of some of them. Own method.

Every place is read as a number of 8 bits, and of 16 in either byte order. It is a counter when most frames go
on from the one before by the same step; the others may have lost some in between. It may be in frames of
another length, too, that fit in between. One of 16 bits is believed only where both its bytes moved: else it
is one of 8 bits beside a constant, and the kernel widens that when it sees it carry.

Kernels, for a capture may have thousands of flows. A number of 16 bits goes on by one step as often as its
low byte does, at most: so few places are looked at twice. The table `work` is what they reckon in, as in
`periodic`.
"""

from preflight.frames.compile import SELDOM, Columns, kernel
from preflight.frames.kernels import le16, u8

LEARN = 24  # frames
DATA = 38  # bytes of each that may hold the counter
# A kept frame: its data, then its length on the wire (2 bytes) and its time (8), both little-endian.
KEPT = DATA + 10
LEAST_TURN = 128  # numbers until it comes round

# Rows of `work`: where the frames of one length lie in what is kept; numbers to compare; of each place how
# many frames go on by one step, and whether its byte moved; what was found.
ALIKE, STEPS, SHARES, MOVED, FOUND = range(5)
# Offsets of its low and high byte in a frame's data (high: -1 with 8 bits), step from frame to frame, modulo
# 2^bits, the length on the wire of most frames that have it, and the last such one's bytes before and behind
# it.
_found = Columns()
C_LOW, C_HIGH, C_BITS, C_STEP, C_SIZE, C_BEFORE, C_BEHIND = _found.take(7)


@kernel()
def how_many(work, count, number):
    """How many of `count` STEPS are this number."""
    found = 0
    for i in range(count):
        if work[STEPS, i] == number:
            found += 1
    return found


@kernel()
def usual(work, count):
    """The number that half of `count` STEPS are, or more; the less of two; -1 where there is none. Two
    candidates are enough, as a third would leave no room (Misra and Gries)."""
    one, two, ones, twos = -1, -1, 0, 0
    for i in range(count):
        step = int(work[STEPS, i])
        if step == one:
            ones += 1
        elif step == two:
            twos += 1
        elif ones == 0:
            one, ones = step, 1
        elif twos == 0:
            two, twos = step, 1
        else:
            ones -= 1
            twos -= 1
    ones, twos = how_many(work, count, one), how_many(work, count, two)
    if twos > ones or (twos == ones and two < one):
        one, ones = two, twos
    return one if 2 * ones >= count else -1


@kernel()
def number_at(kept, frame, low, high):
    """The number in a kept frame whose bytes stand there."""
    number = int(u8(kept, frame + low))
    return number | int(u8(kept, frame + high)) << 8 if high >= 0 else number


@kernel(SELDOM)
def learn(kept, flow, work):
    """The counter in what is kept of a flow (LEARN frames of KEPT bytes). Returns whether there is one; FOUND
    then has it."""
    for n in range(LEARN):
        work[STEPS, n] = int(le16(kept, (flow * LEARN + n) * KEPT + DATA))
    size = usual(work, LEARN)
    alike = 0
    for n in range(LEARN):
        if work[STEPS, n] == size:
            work[ALIKE, alike] = (flow * LEARN + n) * KEPT
            alike += 1
    if 3 * alike < 2 * LEARN:
        return False
    first, last, steps = int(work[ALIKE, 0]), int(work[ALIKE, alike - 1]), alike - 1
    for at in range(DATA):
        work[MOVED, at] = 0
        for n in range(1, alike):
            if u8(kept, int(work[ALIKE, n]) + at) != u8(kept, first + at):
                work[MOVED, at] = 1
    rank = 0  # most steps alike; of those one step at a time; of those most bits
    for kind in range(3):  # of 8 bits; of 16, the high byte before the low, and behind it
        for at in range(DATA if kind == 0 else DATA - 1):
            low = at + 1 if kind == 1 else at
            high = -1 if kind == 0 else at if kind == 1 else at + 1
            if work[MOVED, low] == 0:
                continue
            if high >= 0 and (work[MOVED, high] == 0 or 2 * work[SHARES, low] < steps):
                continue
            bits = 8 if high < 0 else 16
            value = number_at(kept, first, low, high)
            for n in range(steps):
                after = number_at(kept, int(work[ALIKE, n + 1]), low, high)
                work[STEPS, n] = (after - value) & ((1 << bits) - 1)
                value = after
            step = usual(work, steps)
            share = how_many(work, steps, step)
            if high < 0:
                work[SHARES, low] = share
            if step <= 0 or (1 << bits) // (step & -step) < LEAST_TURN:
                continue
            this = share * 64 + (32 if step == 1 else 0) + bits
            if this > rank:
                rank = this
                work[FOUND, C_LOW] = low
                work[FOUND, C_HIGH] = high
                work[FOUND, C_BITS] = bits
                work[FOUND, C_STEP] = step
    if rank == 0:
        return False
    low = int(work[FOUND, C_LOW])
    work[FOUND, C_SIZE] = size
    work[FOUND, C_BEFORE] = int(u8(kept, last + low - 1)) if low > 0 else -1
    work[FOUND, C_BEHIND] = int(u8(kept, last + low + 1)) if low + 1 < DATA else -1
    return True
