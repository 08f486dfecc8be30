"""The course of a count (timestamps of a stream, numbers of its packets) against capture time: what its pace
and drift are told from.

Strategy: of each stretch of time the one packet is kept that came soonest after its turn, for packets are
held up on the way, and never early. As the run grows the stretches grow with it, two becoming one, so that
POINTS of them tell of a second or of a day. Turns are reckoned by the mean pace up to the last of these; a
packet that is off by more than a second is of another course, as after a restart, a timestamp that was set,
or a clock of the capture that was.
"""

from preflight.frames.compile import Columns, kernel

POINTS = 32
WIDTH_NS = 100_000_000  # of the first stretches
APART_NS = 1_000_000_000
# What hostile numbers may not exceed, so that no product below overflows: 208 days; units from one packet to
# the next; 67 ms a unit.
MOST_NS, MOST_UNITS, MOST_PACE = 1 << 54, 1 << 27, 1 << 34

_course = Columns()
# Begin; units since then; 256 times the ns from unit to unit (0: not known).
G_ORIGIN_NS, G_UNITS, G_PACE = _course.take(3)
# How long stretches are, which one is open, and of how many a point is kept.
G_WIDTH_NS, G_OPEN, G_KEPT = _course.take(3)
# The soonest packet of the open stretch: time since the begin, its units, and how late it came.
G_BEST_NS, G_BEST_UNITS, G_BEST_LATE_NS = _course.take(3)
Q_NS, Q_UNITS = range(2)  # of a point
POINT_COLUMNS = 2
(G_POINTS,) = _course.take(1, width=POINTS * POINT_COLUMNS)
COURSE_COLUMNS = _course.size


@kernel()
def begin_course(table, at, course, rel):
    """A course begins with the packet of now. `course` is the first of its columns."""
    table[at, course + G_ORIGIN_NS] = rel
    table[at, course + G_UNITS] = 0
    table[at, course + G_PACE] = 0
    table[at, course + G_WIDTH_NS] = WIDTH_NS
    table[at, course + G_OPEN] = 0
    table[at, course + G_KEPT] = 0
    table[at, course + G_BEST_NS] = 0
    table[at, course + G_BEST_UNITS] = 0
    table[at, course + G_BEST_LATE_NS] = 0


@kernel()
def late(table, at, course, spent, units):
    """How much later than its turn a packet came, in ns."""
    return spent - ((units * int(table[at, course + G_PACE])) >> 8)


@kernel()
def widen_stretches(table, at, course):
    """Make the stretches twice as long until there is room for another point; of those that become one the
    soonest packet stays."""
    kept = int(table[at, course + G_KEPT])
    while kept == POINTS:
        width = 2 * int(table[at, course + G_WIDTH_NS])
        table[at, course + G_WIDTH_NS] = width
        kept = 0
        last = -1
        for n in range(POINTS):
            point = course + G_POINTS + POINT_COLUMNS * n
            spent = int(table[at, point + Q_NS])
            units = int(table[at, point + Q_UNITS])
            to = course + G_POINTS + POINT_COLUMNS * (kept - 1)
            if kept == 0 or spent // width != last:
                last = spent // width
                kept += 1
                to += POINT_COLUMNS
            elif late(table, at, course, spent, units) >= late(
                table, at, course, int(table[at, to + Q_NS]), int(table[at, to + Q_UNITS])
            ):
                continue
            table[at, to + Q_NS] = spent
            table[at, to + Q_UNITS] = units
    table[at, course + G_KEPT] = kept


@kernel()
def go_on(table, at, course, rel, by):
    """A packet came whose count went on by so many units. Says whether a stretch ended with it."""
    spent = rel - int(table[at, course + G_ORIGIN_NS])
    if abs(spent) >= MOST_NS or abs(by) >= MOST_UNITS:
        begin_course(table, at, course, rel)
        return False
    units = int(table[at, course + G_UNITS]) + by
    behind = late(table, at, course, spent, units)
    if table[at, course + G_PACE] > 0 and abs(behind) > APART_NS:
        begin_course(table, at, course, rel)
        return False
    table[at, course + G_UNITS] = units
    ended = spent >= (int(table[at, course + G_OPEN]) + 1) * int(table[at, course + G_WIDTH_NS])
    if ended:
        if table[at, course + G_KEPT] == POINTS:
            widen_stretches(table, at, course)
        point = course + G_POINTS + POINT_COLUMNS * int(table[at, course + G_KEPT])
        table[at, point + Q_NS] = table[at, course + G_BEST_NS]
        table[at, point + Q_UNITS] = table[at, course + G_BEST_UNITS]
        table[at, course + G_KEPT] += 1
        table[at, course + G_OPEN] = spent // int(table[at, course + G_WIDTH_NS])
        # By the soonest packet of the stretch: the one that ends it may have been held up.
        pace = 0
        if table[at, course + G_BEST_UNITS] > 0:
            pace = (int(table[at, course + G_BEST_NS]) << 8) // int(table[at, course + G_BEST_UNITS])
        elif units > 0:
            pace = (spent << 8) // units
        pace = max(min(pace, MOST_PACE), 0)
        if pace > 0 and abs(units) > (MOST_NS << 8) // pace:
            pace = 0
        table[at, course + G_PACE] = pace
        behind = late(table, at, course, spent, units)
    if ended or behind < table[at, course + G_BEST_LATE_NS]:
        table[at, course + G_BEST_NS] = spent
        table[at, course + G_BEST_UNITS] = units
        table[at, course + G_BEST_LATE_NS] = behind
    return ended
