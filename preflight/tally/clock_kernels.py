"""A kernel that counts PTP messages: who sends which, how regularly, and what its announcements say.

Strategy: one row for each message type of each port of each clock, by transport, version and domain; and one for the
announcements of a domain whoever sends them, so that a time without any master shows. IEEE 1588-2008 clause 13 (the header,
Announce), annexes D, E and F (over UDP and Ethernet); IEEE 1588-2002 for version 1; IEEE 802.1AS by its transportSpecific 1.
"""

from preflight.frames.compile import BYTES, ROW, TABLE, kernel
from preflight.frames.kernels import (
    CAP,
    COPY,
    DPORT,
    ETYPE,
    L3,
    MASK62,
    OFF,
    PAYLOAD,
    REL,
    SRC,
    be16,
    be32,
    mix,
    u8,
)
from preflight.tally.kernels import slot_of

(
    P_KEY,
    P_COUNT,
    P_FIRST,
    P_FIRST_NS,
    P_LAST_NS,
    P_LONGEST_NS,  # longest time between two, and when it began
    P_LONGEST_AT,
    P_TRANSPORT,  # 4 and 6: UDP over IPv4 and IPv6, 2: Ethernet
    P_SDO,  # transportSpecific: 1 is IEEE 802.1AS
    P_VERSION,
    P_DOMAIN,
    P_TYPE,
    P_ID_HIGH,  # clock identity in two halves
    P_ID_LOW,
    P_PORT,
    P_LOG,  # logMessageInterval, signed
    P_FLAGS,
    P_SRC,
    P_GM_HIGH,  # of Announce, as in the last one
    P_GM_LOW,
    P_PRIORITY1,
    P_CLASS,
    P_ACCURACY,
    P_VARIANCE,
    P_PRIORITY2,
    P_STEPS,
    P_CONTENT,  # a digest of these, and how often and when it changed
    P_CHANGES,
    P_CHANGED_NS,
    P_CHANGED,
) = range(30)
CLOCK_COLUMNS = 30
ANY_MASTER = 16  # the type of a domain's own row
SYNC, DELAY_REQUEST, FOLLOW_UP, DELAY_RESPONSE, ANNOUNCE = 0, 1, 8, 9, 11


@kernel()
def note_interval(table, at, rel, number):
    """Count a message in its row; the longest time between two goes by the order in which they came."""
    if table[at, P_COUNT] == 0:
        table[at, P_FIRST] = number
        table[at, P_FIRST_NS] = rel
    elif rel - table[at, P_LAST_NS] > table[at, P_LONGEST_NS]:
        table[at, P_LONGEST_NS] = rel - table[at, P_LAST_NS]
        table[at, P_LONGEST_AT] = table[at, P_LAST_NS]
    table[at, P_COUNT] += 1
    table[at, P_LAST_NS] = rel


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {TABLE}, {ROW})")
def clocks(b, cols, rows, first, table, totals):
    """Enter the PTP messages of a batch. Copies of a frame (a mirror, a loop) are no messages of their own."""
    for i in range(rows):
        etype = int(cols[ETYPE, i])
        port = int(cols[DPORT, i])
        if etype == 0x88F7:
            start = int(cols[L3, i])
            transport = 2
        elif port == 319 or port == 320:
            start = int(cols[PAYLOAD, i])
            transport = 4 if etype == 0x0800 else 6
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
            kind = control if control < 2 else 8 if control == 2 else 9 if control == 3 else 13
            sdo = 0
            high = be32(b, p + 22)
            low = be16(b, p + 26)
            number = be16(b, p + 28)
            log = 0
            flags = 0
        elif version == 2:
            domain = u8(b, p + 4)
            kind = u8(b, p) & 15
            sdo = u8(b, p) >> 4
            high = be32(b, p + 20)
            low = be32(b, p + 24)
            number = be16(b, p + 28)
            log = ((u8(b, p + 33) + 128) & 255) - 128
            flags = be16(b, p + 6)
        else:
            continue
        rel = int(cols[REL, i])
        place = transport | (sdo << 4) | (version << 8) | (domain << 16)
        at = slot_of(table, (mix(mix(mix(place, kind), high), (low << 16) | number) | 1) & MASK62)
        if at < 0:
            totals[0] += 1
            continue
        if table[at, P_KEY] == 0:
            table[at, P_KEY] = (mix(mix(mix(place, kind), high), (low << 16) | number) | 1) & MASK62
            table[at, P_TRANSPORT] = transport
            table[at, P_SDO] = sdo
            table[at, P_VERSION] = version
            table[at, P_DOMAIN] = domain
            table[at, P_TYPE] = kind
            table[at, P_ID_HIGH] = high
            table[at, P_ID_LOW] = low
            table[at, P_PORT] = number
            table[at, P_SRC] = cols[SRC, i]
        table[at, P_LOG] = log
        table[at, P_FLAGS] = flags
        note_interval(table, at, rel, first + i)
        if version == 2 and kind == ANNOUNCE and start + 64 <= cap:
            table[at, P_PRIORITY1] = u8(b, p + 47)
            table[at, P_CLASS] = u8(b, p + 48)
            table[at, P_ACCURACY] = u8(b, p + 49)
            table[at, P_VARIANCE] = be16(b, p + 50)
            table[at, P_PRIORITY2] = u8(b, p + 52)
            table[at, P_GM_HIGH] = be32(b, p + 53)
            table[at, P_GM_LOW] = be32(b, p + 57)
            table[at, P_STEPS] = be16(b, p + 61)
            content = mix(mix(mix(be32(b, p + 47), be32(b, p + 51)), be32(b, p + 55)), be32(b, p + 59))
            if table[at, P_CONTENT] != 0 and table[at, P_CONTENT] != content:
                table[at, P_CHANGES] += 1
                table[at, P_CHANGED_NS] = rel
                table[at, P_CHANGED] = first + i
            table[at, P_CONTENT] = content
        if (version == 2 and kind == ANNOUNCE) or (version == 1 and kind == SYNC):
            key = (mix(place, ANY_MASTER) | 1) & MASK62
            at = slot_of(table, key)
            if at < 0:
                totals[0] += 1
                continue
            if table[at, P_KEY] == 0:
                table[at, P_KEY] = key
                table[at, P_TRANSPORT] = transport
                table[at, P_SDO] = sdo
                table[at, P_VERSION] = version
                table[at, P_DOMAIN] = domain
                table[at, P_TYPE] = ANY_MASTER
            note_interval(table, at, rel, first + i)
