"""A kernel that counts PTP messages: who sends which, how regularly, and what its announcements say.

Strategy: one row for each message type of each port of each clock, by VLAN, transport, version and domain;
and one for the announcements of a domain whoever sends them, so that a time without any master shows. The
time that a master tells jumps where it went on otherwise than the time here did, from one Sync to the next
that came when it was due: a clock of ours that is set moves that, too. IEEE 1588-2008 clause 13 (the header,
Announce), annexes D, E and F (over UDP and Ethernet); IEEE 1588-2002 for version 1; IEEE 802.1AS by its
transportSpecific 1.
"""

from preflight.frames.compile import Columns, kernel
from preflight.frames.kernels import (
    CAP,
    COPY,
    DPORT,
    ETYPE,
    L3,
    OFF,
    PAYLOAD,
    REL,
    SRC,
    VLAN,
    be16,
    be32,
    mix,
    slot_of,
    u8,
)
from preflight.tally.kernels import K_CLOCKS, take

_clock = Columns()
P_KEY, P_COUNT, P_FIRST_FRAME, P_FIRST_NS, P_LAST_NS = _clock.take(5)
# The longest time between two, and when it began.
P_LONGEST_INTERVAL_NS, P_LONGEST_INTERVAL_AT_NS = _clock.take(2)
P_TRANSPORT, P_SDO, P_VERSION, P_DOMAIN, P_VLAN, P_TYPE = _clock.take(6)
# The clock's identity in two halves, its port, who sent it.
P_ID_HIGH, P_ID_LOW, P_PORT, P_SRC = _clock.take(4)
P_INTERVAL_LOG2, P_TWO_STEP = _clock.take(2)
# Of Announce, as in the last one; a digest of all that it says of the grandmaster, and how often and when
# that changed.
P_GM_HIGH, P_GM_LOW, P_PRIORITY1, P_CLOCK_CLASS, P_ACCURACY, P_VARIANCE = _clock.take(6)
P_PRIORITY2, P_STEPS_REMOVED = _clock.take(2)
P_CONTENT, P_CHANGES, P_CHANGED_NS, P_CHANGED_FRAME = _clock.take(4)
# The time that a master told last; how often it jumped, by how much the last time, and when.
P_ORIGIN_NS, P_JUMPS, P_JUMP_NS, P_JUMPED_NS, P_JUMPED_FRAME = _clock.take(5)
CLOCK_COLUMNS = _clock.size
UDP4, UDP6, LAYER2 = TRANSPORTS = 4, 6, 2  # in the order of `facts.Transport`
ANY_MASTER = 16  # the type of a domain's own row
SYNC, FOLLOW_UP, DELAY_RESPONSE, ANNOUNCE, MANAGEMENT = 0, 8, 9, 11, 13
TWO_STEP, UNICAST = 0x0200, 0x0400  # flagField, IEEE 1588-2008 table 20
NO_INTERVAL = 127  # IEEE 1588-2008 table 24
LEAST_JUMP_NS = 40_000_000  # frames are held up here by as much, now and then. Common practice.


@kernel()
def row_of(table, key, place, kind, taken):
    """The row for a hash of what it counts: messages of one kind at a place (VLAN, transport, version ...).
    -1: no room."""
    key = key | 1
    at = slot_of(table, key)
    if at >= 0 and table[at, P_KEY] == 0:
        take(taken, K_CLOCKS, at)
        table[at, P_KEY] = key
        table[at, P_TRANSPORT] = place & 15
        table[at, P_SDO] = (place >> 4) & 15
        table[at, P_VERSION] = (place >> 8) & 15
        table[at, P_DOMAIN] = (place >> 16) & 255
        table[at, P_VLAN] = place >> 24 if place >> 24 else -1
        table[at, P_TYPE] = kind
        table[at, P_CHANGED_NS] = -1
        table[at, P_JUMPED_NS] = -1
    return at


@kernel()
def note_interval(table, at, rel, number):
    """Count a message in its row; the longest time between two goes by the order in which they came."""
    if table[at, P_COUNT] == 0:
        table[at, P_FIRST_FRAME] = number
        table[at, P_FIRST_NS] = rel
    elif rel - table[at, P_LAST_NS] > table[at, P_LONGEST_INTERVAL_NS]:
        table[at, P_LONGEST_INTERVAL_NS] = rel - table[at, P_LAST_NS]
        table[at, P_LONGEST_INTERVAL_AT_NS] = table[at, P_LAST_NS]
    table[at, P_COUNT] += 1
    table[at, P_LAST_NS] = rel


@kernel()
def note_time(table, at, origin, says, rel, number):
    """Note the time that a master tells, and whether it jumped since the message before, which came `says`
    ago or about that."""
    went = rel - int(table[at, P_LAST_NS])
    moved = origin - int(table[at, P_ORIGIN_NS])
    due = table[at, P_COUNT] > 0 and table[at, P_ORIGIN_NS] > 0 and 4 * abs(went - says) < says
    if due and abs(moved - went) > max(says // 4, LEAST_JUMP_NS):
        table[at, P_JUMPS] += 1
        table[at, P_JUMP_NS] = moved - went
        table[at, P_JUMPED_NS] = rel
        table[at, P_JUMPED_FRAME] = number
    table[at, P_ORIGIN_NS] = origin


@kernel()
def clocks(b, cols, rows, first, table, taken):
    """Enter the PTP messages of a batch. Copies of a frame (a mirror, a loop) are no messages of their own. A
    port for which there is no row is not followed; its flow is counted all the same."""
    for i in range(rows):
        etype = int(cols[ETYPE, i])
        port = int(cols[DPORT, i])
        if etype == 0x88F7:
            start = int(cols[L3, i])
            transport = LAYER2
        elif port == 319 or port == 320:
            start = int(cols[PAYLOAD, i])
            transport = UDP4 if etype == 0x0800 else UDP6
        else:
            continue
        cap = int(cols[CAP, i])
        if start == 0 or start + 34 > cap or cols[COPY, i] > 0:
            continue
        p = int(cols[OFF, i]) + start
        version = u8(b, p + 1) & 15
        if version == 1 and be16(b, p) == 1:
            # The subdomain is a name: _DFLT, _ALT1 to _ALT3.
            domain = 0 if be32(b, p + 4) == 0x5F44464C else u8(b, p + 8) & 15
            control = u8(b, p + 32)
            kind = MANAGEMENT
            if control < 2:  # Sync, Delay_Req
                kind = control
            elif control == 2:
                kind = FOLLOW_UP
            elif control == 3:
                kind = DELAY_RESPONSE
            sdo = 0
            high = be32(b, p + 22)
            low = be16(b, p + 26)
            number = be16(b, p + 28)
            log = 0
            two_step = 0
        elif version == 2:
            domain = u8(b, p + 4)
            kind = u8(b, p) & 15
            sdo = u8(b, p) >> 4
            high = be32(b, p + 20)
            low = be32(b, p + 24)
            number = be16(b, p + 28)
            log = ((u8(b, p + 33) + 128) & 255) - 128
            two_step = be16(b, p + 6) & TWO_STEP
            if kind == SYNC and be16(b, p + 6) & UNICAST:
                log = NO_INTERVAL  # each of those that it goes to has it at its own pace
        else:
            continue
        rel = int(cols[REL, i])
        vlan = max(int(cols[VLAN, i]), 0)  # number 0 marks a priority, and no VLAN
        place = transport | (sdo << 4) | (version << 8) | (domain << 16) | (vlan << 24)
        at = row_of(table, mix(mix(mix(place, kind), high), (low << 16) | number), place, kind, taken)
        if at < 0:
            continue
        if table[at, P_COUNT] == 0:
            table[at, P_ID_HIGH] = high
            table[at, P_ID_LOW] = low
            table[at, P_PORT] = number
            table[at, P_SRC] = cols[SRC, i]
        tells = kind == FOLLOW_UP or (kind == SYNC and two_step == 0)
        if tells and version == 2 and -8 < log < 5 and start + 44 <= cap:
            # Of the seconds 32 bits, so that hostile ones do not overflow.
            origin = be32(b, p + 36) * 1_000_000_000 + be32(b, p + 40)
            note_time(table, at, origin, (1_000_000_000 << (log + 7)) >> 7, rel, first + i)
        table[at, P_INTERVAL_LOG2] = log
        table[at, P_TWO_STEP] = two_step
        note_interval(table, at, rel, first + i)
        if version == 2 and kind == ANNOUNCE and start + 64 <= cap:
            table[at, P_PRIORITY1] = u8(b, p + 47)
            table[at, P_CLOCK_CLASS] = u8(b, p + 48)
            table[at, P_ACCURACY] = u8(b, p + 49)
            table[at, P_VARIANCE] = be16(b, p + 50)
            table[at, P_PRIORITY2] = u8(b, p + 52)
            table[at, P_GM_HIGH] = be32(b, p + 53)
            table[at, P_GM_LOW] = be32(b, p + 57)
            table[at, P_STEPS_REMOVED] = be16(b, p + 61)
            content = mix(mix(mix(be32(b, p + 47), be32(b, p + 51)), be32(b, p + 55)), be32(b, p + 59))
            if table[at, P_CONTENT] != 0 and table[at, P_CONTENT] != content:
                table[at, P_CHANGES] += 1
                table[at, P_CHANGED_NS] = rel
                table[at, P_CHANGED_FRAME] = first + i
            table[at, P_CONTENT] = content
        if (version == 2 and kind == ANNOUNCE) or (version == 1 and kind == SYNC):
            at = row_of(table, mix(place, ANY_MASTER), place, ANY_MASTER, taken)
            if at >= 0:
                note_interval(table, at, rel, first + i)
