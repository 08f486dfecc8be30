"""A kernel that follows the counter in a flow's frames, whatever the protocol: what is missing is then known
exactly.

Strategy: the first data bytes of LEARN frames of a flow are kept; `counters.learn` looks in them for a field
that counts on by a constant. From then on the kernel takes each frame's number from there, and counts as RFC
3550 A.1 does: numbers jumped over are lost, a window of the last 62 tells late from twice. A counter is
short, so that the pace tells how often it went round in a long silence. A number that fits neither is a frame
of another kind, or the sender began anew if the next one goes on from it. A counter of 8 bits is taken for
the low byte of one of 16 as soon as its neighbour is seen to carry. RTP has a kernel of its own. Copies (a
mirror, a loop) are left out.
"""

from preflight.frames.compile import BYTES, SELDOM, TABLE, Columns, kernel
from preflight.frames.kernels import (
    CAP,
    COPY,
    DISCOVERY,
    ETYPE,
    L3,
    OFF,
    PAYLOAD,
    PROTO,
    REL,
    SLOT,
    WIRE,
    le16,
    le64,
    u8,
)
from preflight.tally.counters import (
    C_BEFORE,
    C_BEHIND,
    C_BITS,
    C_HIGH,
    C_LOW,
    C_SIZE,
    C_STEP,
    DATA,
    FOUND,
    KEPT,
    LEARN,
    learn,
    number_at,
)
from preflight.tally.course_kernels import COURSE_COLUMNS, begin_course, go_on
from preflight.tally.kernels import F_FRAMES, F_SEQUENCE_STEPS
from preflight.tally.stream_kernels import (
    LOSS_COLUMNS,
    LOSSES,
    MAX_MISORDER,
    come_behind,
    jump,
    moved_on,
    note_wait,
)

LEARNING, FOLLOWED, RESTING, NONE = range(4)
REST = 64  # frames until the next try, twice as many each time. Common practice.
TRIES = 6
CONFIRMED = 300  # frames without a new beginning: beyond the 256 of one byte
# a number that jumps further than this, and than four times the pace, is of another kind. Common practice.
ODD = 64
FOLLOWS = 4  # numbers on from an odd one: the sender began anew
TURNS = 16  # a silence in which the counter went round more often tells nothing
STOP_NS = 1_000_000_000  # a silence that says nothing about the pace

_counter = Columns()
N_STATE, N_KEPT, N_REST, N_TRIED = _counter.take(4)
# Where its low byte is, from the data on, and its high byte, or -1; bits; the step is 2^N_SHIFT times what
# N_INVERSE undoes, the counter goes round after N_TURN numbers; the length of most frames that have it.
N_LOW, N_HIGH, N_BITS, N_SHIFT, N_INVERSE, N_TURN, N_SIZE = _counter.take(7)
# Its last value, the bytes before and behind it, and whether they may be its high byte.
N_VALUE, N_BEFORE, N_BEHIND, N_MAY_BEFORE, N_MAY_BEHIND = _counter.take(5)
N_ODD, N_ODD_VALUE = _counter.take(2)  # frames of another kind; the last one's number, or -1
N_JUMP, N_ALIKE = _counter.take(
    2
)  # from which value to which it jumped last; jumps that were as the one before
N_PACE, N_RUN, N_LONGEST_RUN = _counter.take(
    3
)  # 64 times the ns from number to number; frames since a new beginning
N_PACKETS, N_FIRST_FRAME, N_FIRST_NS, N_LAST_NS = _counter.take(4)
# Numbers up to the highest; bit n of the window tells whether `highest - n` has come.
N_EXPECTED, N_WINDOW, N_RECEIVED, N_DUPLICATES, N_LATE, N_RESTARTS = _counter.take(6)
N_LOSSES, N_LAST_LOSS_NS, N_LONGEST_LOSS, N_LONGEST_LOSS_FRAME, N_LONGEST_LOSS_NS = _counter.take(5)
N_LONGEST_WAIT_NS, N_LONGEST_WAIT_FRAME, N_LONGEST_WAIT_AT_NS = _counter.take(3)
(N_FIRST_LOSSES,) = _counter.take(1, width=LOSSES * LOSS_COLUMNS)
(N_COURSE,) = _counter.take(1, width=COURSE_COLUMNS)  # of the numbers
COUNTER_COLUMNS = _counter.size


@kernel()
def numbers_on(row, at, value, since):
    """How many numbers `value` is on from `since`, -1 where it is between two numbers."""
    turn = int(row[at, N_TURN])
    shift = int(row[at, N_SHIFT])
    apart = (value - since) & ((turn << shift) - 1)
    if apart & ((1 << shift) - 1) != 0:
        return -1
    return ((apart >> shift) * int(row[at, N_INVERSE])) & (turn - 1)


@kernel()
def widen(b, p, table, at, wrapped):
    """Whether a neighbour of the byte that counts carries when it goes round: then the two are one counter of
    16 bits."""
    before = u8(b, p - 1) if table[at, N_LOW] > 0 else -1
    behind = u8(b, p + 1)
    carry = 1 if wrapped else 0
    if before != (int(table[at, N_BEFORE]) + carry) & 255:
        table[at, N_MAY_BEFORE] = 0
    if behind != (int(table[at, N_BEHIND]) + carry) & 255:
        table[at, N_MAY_BEHIND] = 0
    table[at, N_BEFORE] = before
    table[at, N_BEHIND] = behind
    if wrapped and (table[at, N_MAY_BEFORE] == 1 or table[at, N_MAY_BEHIND] == 1):
        first = table[at, N_MAY_BEFORE] == 1
        table[at, N_HIGH] = int(table[at, N_LOW]) + (-1 if first else 1)
        table[at, N_BITS] = 16
        table[at, N_TURN] = 65536
        table[at, N_VALUE] = int(table[at, N_VALUE]) | (before if first else behind) << 8


@kernel()
def enter(table, at, kept, work):
    """Follow the counter that was found from now on, and count what its first frames have counted: those of
    the common length, and those of another whose number is the next."""
    low, high, bits = int(work[FOUND, C_LOW]), int(work[FOUND, C_HIGH]), int(work[FOUND, C_BITS])
    size, step = int(work[FOUND, C_SIZE]), int(work[FOUND, C_STEP])
    shift = 0
    while step >> shift & 1 == 0:
        shift += 1
    turn = 1 << bits - shift
    inverse = 1
    for _ in range(4):  # each doubles the bits that are right (Newton), of which one is
        inverse = inverse * (2 - (step >> shift) * inverse) & (turn - 1)
    table[at, N_STATE] = FOLLOWED
    table[at, N_LOW] = low
    table[at, N_HIGH] = high
    table[at, N_BITS] = bits
    table[at, N_SIZE] = size
    table[at, N_SHIFT] = shift
    table[at, N_TURN] = turn
    table[at, N_INVERSE] = inverse
    table[at, N_BEFORE] = work[FOUND, C_BEFORE]
    table[at, N_BEHIND] = work[FOUND, C_BEHIND]
    table[at, N_MAY_BEFORE] = table[at, N_MAY_BEHIND] = 1 if step == 1 else 0
    table[at, N_ODD_VALUE] = table[at, N_LAST_LOSS_NS] = table[at, N_LONGEST_LOSS_NS] = -1
    table[at, N_WINDOW] = 1
    packets, expected, received = 0, 0, 0
    began, before, last, value = 0, 0, 0, 0
    for n in range(LEARN):
        frame = (at * LEARN + n) * KEPT
        this = number_at(kept, frame, low, high)
        wire = int(le16(kept, frame + DATA))
        if wire != size and (packets == 0 or this != (before + step) & ((1 << bits) - 1)):
            continue
        time = int(le64(kept, frame + DATA + 2))
        packets += 1
        before = this
        if packets == 1:
            began, expected, received = time, 1, 1
        else:
            on = numbers_on(table, at, this, value)
            if not 0 < on <= ODD:
                continue
            if on > 1:
                jump(table, at, N_LOSSES, N_FIRST_LOSSES, last, time, 0, on - 1)
            expected += on
            received += 1
        value, last = this, time
    table[at, N_FIRST_NS] = began
    table[at, N_VALUE] = value
    table[at, N_LAST_NS] = last
    table[at, N_PACKETS] = packets
    table[at, N_EXPECTED] = table[at, N_RUN] = expected
    table[at, N_RECEIVED] = received
    table[at, N_PACE] = 64 * (last - began) // expected
    begin_course(table, at, N_COURSE, last)


@kernel(SELDOM)
def decide(table, at, kept, flows, work):
    """Decide from some frames of a flow whether they count themselves; if not, try again later. RTP has its
    own table."""
    if 5 * flows[at, F_SEQUENCE_STEPS] > 2 * flows[at, F_FRAMES]:
        table[at, N_STATE] = NONE
    elif learn(kept, at, work):
        enter(table, at, kept, work)
    else:
        table[at, N_TRIED] += 1
        tried = int(table[at, N_TRIED])
        table[at, N_STATE] = RESTING if tried < TRIES else NONE
        table[at, N_REST] = REST << tried


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {BYTES}, {TABLE}, {TABLE}, {TABLE})")
def counters(b, cols, rows, first, kept, table, flows, work):
    """Follow the flows of a batch; SLOT names their rows. `kept` holds LEARN frames of each flow."""
    for i in range(rows):
        at = int(cols[SLOT, i])
        if at < 0:
            continue
        state = int(table[at, N_STATE])
        if state == NONE or cols[COPY, i] > 0:
            continue
        data = int(cols[PAYLOAD, i])
        if data == 0:
            # Not UDP: what lies straight over Ethernet, but for what has a check of its own (ARP, pauses,
            # PTP, LLDP).
            etype = int(cols[ETYPE, i])
            if (
                cols[PROTO, i] >= 0
                or etype < 1536
                or etype in (0x0800, 0x86DD, 0x0806, 0x8808, 0x88F7, 0x88CC)
            ):
                table[at, N_STATE] = NONE
                continue
            data = int(cols[L3, i])
        if cols[DISCOVERY, i] != 0:
            table[at, N_STATE] = NONE
            continue
        if state == RESTING:
            table[at, N_REST] -= 1
            if table[at, N_REST] <= 0:
                table[at, N_STATE] = LEARNING
                table[at, N_KEPT] = 0
            continue
        p = int(cols[OFF, i]) + data
        held = int(cols[CAP, i]) - data
        rel = int(cols[REL, i])
        wire = int(cols[WIRE, i])
        if state == LEARNING:
            n = int(table[at, N_KEPT])
            to = (at * LEARN + n) * KEPT
            for k in range(DATA):
                kept[to + k] = u8(b, p + k) if k < held else 0
            for k in range(2):
                kept[to + DATA + k] = (min(wire, 65535) >> 8 * k) & 255
            for k in range(8):
                kept[to + DATA + 2 + k] = (rel >> 8 * k) & 255
            if n == 0:
                table[at, N_FIRST_FRAME] = first + i
            table[at, N_KEPT] = n + 1
            if n + 1 == LEARN:
                decide(table, at, kept, flows, work)
            continue
        low = int(table[at, N_LOW])
        if held < low + 2:
            continue
        high = int(table[at, N_HIGH])
        value = int(u8(b, p + low))
        if high >= 0:
            value |= int(u8(b, p + high)) << 8
        on = numbers_on(table, at, value, int(table[at, N_VALUE]))
        if wire != table[at, N_SIZE] and on != 1:
            continue  # a frame of another length is one of another kind, unless it is the next
        table[at, N_PACKETS] += 1
        turn = int(table[at, N_TURN])
        last = int(table[at, N_LAST_NS])
        wait = rel - last
        due = 64 * wait // max(int(table[at, N_PACE]), 1)
        if on >= 0 and due < turn // 2 and (on == 0 or on > turn - min(MAX_MISORDER, turn // 4)):
            behind = (turn - on) & (turn - 1)
            if come_behind(table, at, N_WINDOW, behind):
                table[at, N_RUN] = 0
            continue
        if on >= 0 and due >= turn // 2:
            on += max(due - on + turn // 2, 0) // turn * turn
        anew = on >= 0 and due > TURNS * turn
        if not anew and (on <= 0 or on > 4 * due + ODD):
            from_odd = -1
            if table[at, N_ODD_VALUE] >= 0:
                from_odd = numbers_on(table, at, value, int(table[at, N_ODD_VALUE]))
            if not 0 < from_odd <= FOLLOWS:
                table[at, N_ODD] += 1
                table[at, N_ODD_VALUE] = value
                continue
            anew = True
            table[at, N_ODD] -= 1
        table[at, N_ODD_VALUE] = -1
        table[at, N_RECEIVED] += 1
        table[at, N_LAST_NS] = rel
        note_wait(table, at, N_LONGEST_WAIT_NS, wait, first + i, rel)
        before = int(table[at, N_VALUE])
        table[at, N_VALUE] = value
        if anew or on > 1:
            if table[at, N_JUMP] == before << 16 | value:
                table[at, N_ALIKE] += 1
            table[at, N_JUMP] = before << 16 | value
        if anew:
            table[at, N_RESTARTS] += 1
            table[at, N_EXPECTED] += 1
            table[at, N_WINDOW] = 1
            table[at, N_RUN] = 0
            table[at, N_MAY_BEFORE] = 0
            table[at, N_MAY_BEHIND] = 0
            begin_course(table, at, N_COURSE, rel)
            continue
        table[at, N_EXPECTED] += on
        go_on(table, at, N_COURSE, rel, on)
        table[at, N_RUN] += 1
        table[at, N_LONGEST_RUN] = max(int(table[at, N_RUN]), int(table[at, N_LONGEST_RUN]))
        table[at, N_WINDOW] = moved_on(int(table[at, N_WINDOW]), on)
        if wait < STOP_NS:
            table[at, N_PACE] += wait // on - int(table[at, N_PACE]) // 64
        if on > 1:
            jump(table, at, N_LOSSES, N_FIRST_LOSSES, last, rel, first + i, on - 1)
        if table[at, N_BITS] == 8 and table[at, N_SHIFT] == 0 and table[at, N_INVERSE] == 1:
            widen(b, p + low, table, at, value < before)
