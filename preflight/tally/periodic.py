"""Whether a flow is periodic, from the times of its first frames. Own method.

A flow may send several frames in a beat: then its intervals fall into two heaps far apart, those within a
beat and those between beats. The period is the median time between beats, mended by counting beats that are
missing in between. A flow is periodic when four fifths of its beats come within three tenths of a period of
their place: frames that come by chance do so in six tenths only (what is left of an interval after whole
periods is then spread evenly).

Kernels, for a capture may have thousands of flows. A table `work` of WORK_ROWS by LEARN numbers is what they
reckon in. Of floats only sums, products, quotients and square roots are taken, on which plain Python and
compiled code agree to the bit.
"""

import math

from preflight.frames.compile import SELDOM, Columns, kernel

LEARN = 64  # frames
BLOCK_COLUMNS = 3  # of a block: begin, end, frames
SHORTEST_NS, LONGEST_NS = 15_000, 2_500_000_000
LEAST_BEATS = 8
HEAPS_APART = 5.0
NEAR = 0.3
REGULAR_OF, REGULAR = 5, 4  # four fifths
SEARCH = 0.05

# Rows of `work`: times of frames, and what is sorted; when beats begin, how many frames they have, how long
# they take, the number of each; what was found.
TIMES, SORTED, STARTS, SIZES, SPANS, NUMBERS, FOUND = range(7)
WORK_ROWS = 7
# What was found: ns, from the first to the last frame of a beat (ns), frames in it, beats seen, missing among
# them, and, where any are, the time of the frame before the longest wait (ns).
_found = Columns()
L_PERIOD_NS, L_SPAN_NS, L_PER_BEAT, L_BEATS, L_MISSING, L_MISSING_NS = _found.take(6)


@kernel(SELDOM)
def sort(work, row, count):
    """Sort the first `count` numbers of a row; they are few, and often in order."""
    for i in range(1, count):
        value = int(work[row, i])
        at = i
        while at > 0 and work[row, at - 1] > value:
            work[row, at] = work[row, at - 1]
            at -= 1
        work[row, at] = value


@kernel()
def differences(work, row, count, least):
    """Put the `count` differences between neighbours of a row into SORTED, none below `least`, and sort
    them."""
    for i in range(count):
        work[SORTED, i] = max(int(work[row, i + 1]) - int(work[row, i]), least)
    sort(work, SORTED, count)


@kernel()
def median(work, count):
    """Of SORTED."""
    return (float(work[SORTED, (count - 1) // 2]) + float(work[SORTED, count // 2])) / 2


@kernel()
def regular(work, row, start, end):
    """The number that four fifths of those from `start` to `end` in a row are, or 0."""
    count = end - start
    for i in range(count):
        work[SORTED, i] = work[row, start + i]
    sort(work, SORTED, count)
    common = int(work[SORTED, count // 2])
    same = 0
    for i in range(count):
        if work[SORTED, i] == common:
            same += 1
    return common if REGULAR_OF * same >= REGULAR * count else 0


@kernel()
def edge(work, count):
    """The interval in ns, between the usual and the longest of a flow's first frames, whose times are in
    TIMES (in order), that may part two blocks; 0 where none is HEAPS_APART of the usual."""
    differences(work, TIMES, count - 1, 1000)
    usual, longest = median(work, count - 1), float(work[SORTED, count - 2])
    return int(math.sqrt(usual * longest) + 0.5) if longest >= HEAPS_APART * usual else 0


@kernel()
def parted(work, count):
    """Part `count` frames in TIMES (in order) into beats, by STARTS, SIZES and SPANS. Returns how many
    beats."""
    intervals = count - 1
    differences(work, TIMES, intervals, 1000)
    rare = max(intervals // 16, 1)  # fewer than this are stragglers, not a heap
    most, apart = HEAPS_APART, 0.0
    for i in range(rare - 1, intervals - rare):
        low, high = float(work[SORTED, i]), float(work[SORTED, i + 1])
        if high / low > most or (apart == 0.0 and high / low == most):
            most, apart = high / low, math.sqrt(low * high)
    beats = 0
    for i in range(count):
        if i == 0 or apart == 0.0 or work[TIMES, i] - work[TIMES, i - 1] > apart:
            work[STARTS, beats] = work[TIMES, i]
            work[SIZES, beats] = 0
            beats += 1
        work[SIZES, beats - 1] += 1
        work[SPANS, beats - 1] = work[TIMES, i] - work[STARTS, beats - 1]
    return beats


@kernel()
def agreement(work, beats, period):
    """How well the STARTS agree in phase: the square of the sum of their directions in a turn of a period."""
    across, up = 0.0, 0.0
    for i in range(beats):
        turns = float(int(work[STARTS, i]) - int(work[STARTS, 0])) / period
        part = (turns - int(turns + 0.5)) * (
            math.pi / 2
        )  # a quarter of the angle, which Taylor's series knows well
        square = part * part
        cosine = 1 - square / 2 * (1 - square / 12 * (1 - square / 30))
        sine = part * (1 - square / 6 * (1 - square / 20 * (1 - square / 42)))
        for _ in range(2):
            cosine, sine = cosine * cosine - sine * sine, 2 * cosine * sine
        across += cosine
        up += sine
    return across * across + up * up


@kernel()
def slope(work, beats):
    """Nanoseconds from number to number: the straight line that lies nearest to the STARTS over their
    NUMBERS."""
    numbers, times = 0.0, 0.0
    for i in range(beats):
        numbers += float(work[NUMBERS, i])
        times += float(int(work[STARTS, i]) - int(work[STARTS, 0]))
    numbers, times = numbers / beats, times / beats
    both, square = 0.0, 0.0
    for i in range(beats):
        number = float(work[NUMBERS, i]) - numbers
        both += number * (float(int(work[STARTS, i]) - int(work[STARTS, 0])) - times)
        square += number * number
    return both / square


@kernel()
def searched(work, beats, period):
    """Of the periods near it, that one is right on which the beats agree best in phase. Late beats that come
    close together keep their count in this way."""
    best, most = 0, -1.0
    for at in range(-beats, beats + 1):
        agreed = agreement(work, beats, period * (1 + SEARCH * at / beats))
        if agreed > most:
            best, most = at, agreed
    return period * (1 + SEARCH * best / beats)


@kernel()
def hold_as_many(work, kept, at, count):
    """Whether most of `count` blocks, of which the begins have the beat in FOUND, hold as many frames and end
    before the next begins; if so FOUND is of their frames."""
    for i in range(count):
        work[SIZES, i] = kept[at, BLOCK_COLUMNS * i + 2]
        work[SORTED, i] = int(kept[at, BLOCK_COLUMNS * i + 1]) - int(kept[at, BLOCK_COLUMNS * i])
    sort(work, SORTED, count)
    work[FOUND, L_SPAN_NS] = int(median(work, count))
    work[FOUND, L_PER_BEAT] = regular(work, SIZES, 0, count)
    return work[FOUND, L_PER_BEAT] > 1 and work[FOUND, L_SPAN_NS] < work[FOUND, L_PERIOD_NS]


@kernel(SELDOM)
def learn(work, kept, at, count, blocks):
    """The beat of a flow by what is in its row of `kept`: the times of `count` frames (ns), or as many blocks
    (begin and end in ns, frames; where they come by the clock, and most hold as many frames). Returns whether
    there is one; FOUND then has it."""
    for i in range(count):
        work[TIMES, i] = kept[at, BLOCK_COLUMNS * i if blocks else i]
    sort(work, TIMES, count)
    beats = parted(work, count)
    if beats < LEAST_BEATS:
        return False
    per_beat = regular(work, SIZES, 1, beats - 1)
    span = 0
    if per_beat > 1:
        for i in range(beats):
            work[SORTED, i] = work[SPANS, i]
        sort(work, SORTED, beats)
        span = int(median(work, beats))
    differences(work, STARTS, beats - 1, 0)
    period = median(work, beats - 1)
    if period < SHORTEST_NS or period > LONGEST_NS:
        return False
    near, longest = 0, 0
    work[NUMBERS, 0] = 0
    for i in range(1, beats):
        between = float(int(work[STARTS, i]) - int(work[STARTS, i - 1]))
        step = max(int(between / period + 0.5), 1)
        work[NUMBERS, i] = int(work[NUMBERS, i - 1]) + step
        if abs(between - step * period) <= NEAR * period:
            near += 1
        if work[STARTS, i] - work[STARTS, i - 1] > work[STARTS, longest + 1] - work[STARTS, longest]:
            longest = i - 1
    if REGULAR_OF * near < REGULAR * (beats - 1):
        return False
    # The median is good to a few hundredths, which adds up over many beats. Where all are near their place it
    # is plain which is which; else the count of what lies between is looked for.
    exact = slope(work, beats)
    plain = near == beats - 1
    for i in range(beats):
        off = float(int(work[STARTS, i]) - int(work[STARTS, 0])) - work[NUMBERS, i] * exact
        plain = plain and abs(off) <= NEAR * exact
    if not plain:
        exact = searched(work, beats, period)
        for i in range(beats):
            since = float(int(work[STARTS, i]) - int(work[STARTS, 0]))
            work[NUMBERS, i] = int(since / exact + 0.5)
        exact = slope(work, beats)
    seen = int(float(int(work[STARTS, beats - 1]) - int(work[STARTS, 0])) / exact + 0.5) + 1
    # Late beats that came in one bunch have one start, but all their frames; the first and the last beat may
    # be in part.
    each = max(per_beat, 1)
    missing = max(min(seen - beats, (seen * each - count) // each), 0)
    work[FOUND, L_PERIOD_NS] = int(exact + 0.5)
    work[FOUND, L_SPAN_NS] = span
    work[FOUND, L_PER_BEAT] = each
    work[FOUND, L_BEATS] = seen
    work[FOUND, L_MISSING] = missing
    work[FOUND, L_MISSING_NS] = work[STARTS, longest]
    return not blocks or hold_as_many(work, kept, at, count)
