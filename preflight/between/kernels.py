"""Kernels that find the same frames in two captures and keep account of those that are in one of them only.

Strategy: `mark` gives every frame a digest of what no switch changes, and a row in the table of its side's
flows. `sample` keeps a few thousand contents, the same on both sides because the content itself chooses, from
which the clocks are compared. `hold` then walks both captures at once by the time of A's clock. Each side has
a ring of its frames of the last second. A hash table finds the content that waits there: chains run through
the ring itself, so that nothing has to be taken out of the table (what lies before the ring's oldest frame
has gone by itself). B is walked a little later than A, so that nearly always the frame at A is there first.

Contents that repeat (silence, a steady beat) wait in a queue of their own: the frame that came in time is
taken, not the oldest, so that one lost does not shift all that follow. What leaves a ring is told in its
order: only what lies between two frames of its flow that were found at both ends counts as lost, so that
neither a capture that is longer, nor a stream that begins or is left, counts.

Sources: IEEE 802.1Q (tags; 01-80-C2-00-00-0X is not passed on), IEEE 802.3 (padding), RFC 791, RFC 8200, RFC
2474 (marks that a switch may set anew), IEEE 1588-2008 (the correction field of a transparent clock), RFC
3550, RFC 4737 (reordering), RFC 5481 (delay variation against the least delay).
"""

from preflight.frames.compile import BYTES, ROW, TABLE, Columns, kernel
from preflight.frames.kernels import (
    CAP,
    CAST,
    COPY,
    DIGEST,
    DPORT,
    DST,
    ETYPE,
    INTERFACE,
    L3,
    OFF,
    OUT,
    PAYLOAD,
    PROTO,
    REL,
    SLOT,
    SPORT,
    SRC,
    WIRE,
    be16,
    be32,
    be64,
    digest,
    mix,
    slot_of,
    u8,
)

CONTENT, FLOW_ROW, NUMBER = (
    DIGEST,
    SLOT,
    COPY,
)  # what `mark` leaves in these columns: 0, -1, -1 where there is none

LINK_LOCAL = 0x0180C200000  # its last hex digit left out: what no bridge passes on (IEEE 802.1Q table 8-1)
MAYBE_PADDED = (
    50  # payload of the shortest frame: 46, and 4 more where a tag was taken off. IEEE 802.3, 802.1Q
)
NONE = 0x3FFFFFFFFFFFFFFF

# A row for each flow of one side.
_flow = Columns()
G_KEY, G_SRC, G_DST, G_ETHERTYPE, G_PROTOCOL, G_SOURCE_PORT, G_DESTINATION_PORT, G_CAST, G_IP_VERSION = (
    _flow.take(9)
)
G_SRC_IP, G_DST_IP = _flow.take(2, width=4)  # 32-bit words
G_SSRC = _flow.take(1)[0]  # of its first RTP packet, + 1
G_FRAMES, G_FIRST_FRAME, G_FIRST_NS, G_LAST_FRAME, G_LAST_NS = _flow.take(5)
G_SEQUENCE, G_STEPS = _flow.take(2)  # last number; how often it went on by one
# The flow's row at the other end, + 1; frames found there; frames only here, between two that were found, the
# runs of them and the longest; of them those whose content repeats.
G_PARTNER, G_MATCHED, G_ONLY, G_GAPS, G_LONGEST, G_ALIKE = _flow.take(6)
# The run that is not over: how many, first of them, and of them alike.
G_RUN, G_RUN_FRAME, G_RUN_NS, G_RUN_ALIKE = _flow.take(4)
G_SEEN_FRAME, G_SEEN_PARTNER = _flow.take(2)  # the last that was found at both ends
# Frames that came once more than at the other end: certain, and where the content repeats there, too.
G_DOUBLED, G_DOUBLED_FRAME, G_DOUBLED_NS, G_DOUBLED_OTHER, G_MORE, G_MORE_FRAME, G_MORE_NS = _flow.take(7)
# Of side A alone. Which way it goes (1: A to B, -1); time from A to B: where the least is taken from, least,
# most; of how many, the most beyond the least, its two frames and when; how many were late, and the first of
# those.
(
    G_WAY,
    G_FLOOR,
    G_LEAST_NS,
    G_MOST_NS,
    G_TIMED,
    G_SPREAD_NS,
    G_SPREAD_FRAME,
    G_SPREAD_OTHER,
    G_SPREAD_AT_NS,
) = _flow.take(9)
G_SUM_NS, G_LATE, G_LATE_FRAME, G_LATE_OTHER, G_LATE_AT_NS = _flow.take(5)
# Order: the latest frame of A that was found at B, and how many came after a later one, and the first of
# those.
G_TOP, G_REORDERED, G_REORDERED_FRAME, G_REORDERED_OTHER, G_REORDERED_AT_NS = _flow.take(5)
# Sequence numbers of both ends together (extended beyond 16 bits): from where on, highest, how many, and
# numbers of the stretches before a restart. At A alone: the last, and the first jump over some: the frame
# after it, and when.
G_STARTED, G_BASE, G_HIGHEST, G_NUMBERS, G_STRETCHES = _flow.take(5)
G_AT_A, G_JUMP_FRAME, G_JUMP_NS = _flow.take(3)
E_FRAMES, E_FRAME, E_NS, E_END_NS, E_BEFORE, E_AFTER = range(
    6
)  # of a run: own first frame, frames of the other end around it
EVENTS, EVENT_COLUMNS = 8, 6
(G_EVENTS,) = _flow.take(1, width=EVENTS * EVENT_COLUMNS)
FLOW_COLUMNS = _flow.size

_talker = Columns()
T_KEY, T_FRAMES, T_FIRST_FRAME, T_FIRST_NS, T_BROADCAST, T_BROADCAST_FRAME, T_ADDRESS = _talker.take(7)
TALKER_COLUMNS = _talker.size

_sample = Columns()
Q_KEY, Q_COUNT, Q_NS, Q_FLOW, Q_SRC, Q_DST, Q_CAST, Q_OUT, Q_GAP_NS = _sample.take(9)
SAMPLE_COLUMNS = _sample.size

# What `mark` counts: frames of this side; passed over as a bridge does; cut too short to compare; without a
# row; the shortest cut, in bytes beyond the link header; the longest time without any frame, and since when.
_marked = Columns()
N_FRAMES, N_LINK_LOCAL, N_CUT, N_NO_ROOM, N_LEAST_CUT, N_FIRST_NS, N_LAST_NS = _marked.take(7)
N_QUIET_NS, N_QUIET_AT_NS = _marked.take(2)
MARKED = _marked.size
# Bits of how to mark: the destination's address is there at both ends; two networks; the first pass, which
# needs no flows.
WITH_TO, PAIR, FIRST = 1, 2, 4

A, B = 0, 1  # the sides. Each place in the ring is twice a number and its side: A has the even ones

# A row of the ring is one line of the processor's cache.
_ring = Columns()
R_KEY, R_NS, R_FRAME, R_FLOW, R_STATE, R_PARTNER, R_CHAIN, R_COUNT = _ring.take(8)
RING_COLUMNS = _ring.size
# Beside each row of the ring. Of a content that repeats, with its newest: the first and the last that wait;
# and with each: which waits after it. When the other end last had it: of a content that came once, only when
# it was found.
_queue = Columns()
Y_HEAD, Y_LAST, Y_NEXT, Y_OTHER_NS = _queue.take(4)
QUEUE_COLUMNS = _queue.size
# Not there at the other end yet; found; once more than there, surely or where contents repeat; not found
# though contents are alike, at the sending end; given up.
WAITING, FOUND, DOUBLED, MORE, SHORT, GONE = range(6)

_held = Columns()
# For each side: how far its batch was walked; the next place in the ring, the first that is not told; how
# many wait; frames that a mirror showed again; whether it shows each frame twice.
H_AT, H_NEXT, H_UNTOLD, H_WAITING, H_TWINS, H_MIRROR = _held.take(6, width=2)
# What `find` left: the place before the one found in its chain; the place of A after the last that was found.
H_CHAIN, H_GUESS = _held.take(2)
H_MATCHED, H_SHORTEST_NS = _held.take(2)
# Set from outside: B is walked so much later; how long a frame may be on its way; when it is late; how far
# the clocks may be off; the stretch that both captures hold; the least time of all from A to B.
H_LAG_NS, H_PATIENCE_NS, H_LATE_NS, H_OFF_NS, H_FROM_NS, H_UNTIL_NS, H_FLOOR_NS = _held.take(7)
HELD = _held.size
TWIN_NS = 1_000_000  # a mirror shows a frame twice within this. Common practice, as the tally has it.
MAX_STEPS = 256  # how far a queue of equal contents is looked through
MAX_CHAIN = 64
MARKS = 16  # bits of a head that tell which contents its chain can hold: one looks there only where it may be
MAX_DROPOUT = 3000  # RFC 3550 A.1: a sender that begins anew


@kernel()
def content_length(b, p, etype, room):
    """How many of the `room` bytes from p on are content, by the protocol's own word: without padding and
    check sequence. 0 where it does not say."""
    if etype == 0x0800:
        told = be16(b, p + 2)
    elif etype == 0x86DD:
        told = 40 + be16(b, p + 4)
    elif etype == 0x0806:
        told = 28
    elif etype == 0x88F7:
        told = be16(b, p + 2)
    else:
        told = 0
    return told if 20 < told <= room else 0


@kernel()
def content_of(b, p, etype, data, n, m):
    """A digest of the content of n bytes from p on, of which the first m are taken; `data` is where a PTP
    message begins in it, or
    0. Left out is what a switch may write anew: priority marks and the checksum over them, PTP's
      correction."""
    h = mix(n, etype + 2)
    skip = 0
    if etype == 0x0800 and m >= 20:
        h = mix(h, be64(b, p + 2))
        skip = 12
    elif etype == 0x86DD and m >= 40:
        skip = 4
    if data >= 0 and m >= data + 34:
        before = data - 2 if data > 0 else 0
        if before > skip:
            h = mix(h, digest(b, p + skip, before - skip))
        h = mix(h, digest(b, p + data, 8))
        skip = data + 16
    return mix(h, digest(b, p + skip, m - skip))


@kernel()
def flow_key(b, cols, i, how):
    """What makes a flow at both ends: VLANs make no difference."""
    etype = int(cols[ETYPE, i])
    proto = int(cols[PROTO, i])
    p = int(cols[OFF, i]) + int(cols[L3, i])
    to = int(cols[DST, i]) if how & WITH_TO else 0
    key = mix(mix(int(cols[SRC, i]), to), (etype + 2) | ((proto + 1) << 17) | (int(cols[DPORT, i]) << 26))
    key = mix(key, int(cols[SPORT, i]))
    if proto >= 0:
        if etype == 0x0800:
            key = mix(key, be64(b, p + 12))
        elif etype == 0x86DD:
            key = mix(key, digest(b, p + 8, 32))
    return key | 1


@kernel()
def flow_of(b, cols, i, p, how, first, ways, flows, counts):
    """The row of a frame's flow in its side's table, -1 where there is no room."""
    key = flow_key(b, cols, i, how)
    at = slot_of(flows, key)
    if at < 0:
        counts[N_NO_ROOM] += 1
        return at
    if flows[at, G_FRAMES] == 0:
        etype = int(cols[ETYPE, i])
        src = int(cols[SRC, i])
        version = 0
        if cols[PROTO, i] >= 0:
            version = 4 if etype == 0x0800 else 6
        flows[at, G_SRC] = src
        flows[at, G_DST] = cols[DST, i]
        flows[at, G_ETHERTYPE] = etype
        flows[at, G_PROTOCOL] = cols[PROTO, i]
        flows[at, G_SOURCE_PORT] = cols[SPORT, i]
        flows[at, G_DESTINATION_PORT] = cols[DPORT, i]
        flows[at, G_CAST] = cols[CAST, i]
        flows[at, G_IP_VERSION] = version
        words = 1 if version == 4 else 4 if version == 6 else 0
        for word in range(words):
            if version == 4:
                flows[at, G_SRC_IP] = be32(b, p + 12)
                flows[at, G_DST_IP] = be32(b, p + 16)
            else:
                flows[at, G_SRC_IP + word] = be32(b, p + 8 + 4 * word)
                flows[at, G_DST_IP + word] = be32(b, p + 24 + 4 * word)
        if flows[at, G_KEY] == 0:
            sender = slot_of(ways, src + 1)
            flows[at, G_WAY] = -1 if sender >= 0 and ways[sender, 1] < 0 else 1
            flows[at, G_FLOOR] = NONE
        flows[at, G_KEY] = key
        flows[at, G_LEAST_NS] = NONE
        flows[at, G_MOST_NS] = -NONE
        flows[at, G_FIRST_FRAME] = first + i
        flows[at, G_FIRST_NS] = cols[REL, i]
        flows[at, G_SEQUENCE] = -1
        flows[at, G_AT_A] = -1
    flows[at, G_FRAMES] += 1
    flows[at, G_LAST_FRAME] = first + i
    flows[at, G_LAST_NS] = cols[REL, i]
    return at


@kernel()
def looks_like_rtp(b, q):
    """RFC 3550 section 5.1; types 72 to 76 are RTCP's (RFC 5761)."""
    return u8(b, q) >> 6 == 2 and not 72 <= u8(b, q + 1) & 0x7F <= 76


@kernel()
def number_of(b, cols, i, cap, at, flows):
    """The sequence number of an RTP packet of its flow's source, or -1."""
    payload = int(cols[PAYLOAD, i])
    q = int(cols[OFF, i]) + payload
    if payload == 0 or payload + 12 > cap or not looks_like_rtp(b, q):
        return -1
    ssrc = be32(b, q + 8) + 1
    if flows[at, G_SSRC] == 0:
        flows[at, G_SSRC] = ssrc
    if flows[at, G_SSRC] != ssrc:
        return -1
    number = be16(b, q + 2)
    if number == (int(flows[at, G_SEQUENCE]) + 1) & 0xFFFF:
        flows[at, G_STEPS] += 1
    flows[at, G_SEQUENCE] = number
    return number


@kernel()
def note_talker(b, cols, i, p, first, talkers):
    at = slot_of(talkers, int(cols[SRC, i]) + 1)
    if at < 0:
        return
    if talkers[at, T_KEY] == 0:
        talkers[at, T_KEY] = cols[SRC, i] + 1
        talkers[at, T_FIRST_FRAME] = first + i
        talkers[at, T_FIRST_NS] = cols[REL, i]
    talkers[at, T_FRAMES] += 1
    if cols[CAST, i] == 2:
        if talkers[at, T_BROADCAST] == 0:
            talkers[at, T_BROADCAST_FRAME] = first + i
        talkers[at, T_BROADCAST] += 1
    if talkers[at, T_ADDRESS] == 0:
        if cols[ETYPE, i] == 0x0800 and cols[PROTO, i] >= 0:
            talkers[at, T_ADDRESS] = be32(b, p + 12)
        elif cols[ETYPE, i] == 0x0806 and cols[CAP, i] >= cols[L3, i] + 18:
            talkers[at, T_ADDRESS] = be32(b, p + 14)


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {ROW}, {TABLE}, {TABLE}, {TABLE}, {ROW})")
def mark(b, cols, rows, first, told, ways, flows, talkers, counts):
    """Fill CONTENT, FLOW_ROW and NUMBER, and put REL on A's clock. `told`: [bytes beyond the link header to
    take at most, how, the interface or -1, offset_ns, drift in 2**-32]. `ways` is a hash table of senders
    (address + 1) and their ways."""
    limit = int(told[0])
    how = int(told[1])
    for i in range(rows):
        cols[CONTENT, i] = 0
        cols[FLOW_ROW, i] = -1
        cols[NUMBER, i] = -1
        rel = int(cols[REL, i])
        rel = rel - int(told[3]) - (((rel >> 12) * int(told[4])) >> 20)
        cols[REL, i] = rel
        if told[2] >= 0 and cols[INTERFACE, i] != told[2]:
            continue
        last = int(counts[N_LAST_NS])
        if counts[N_FRAMES] == 0:
            counts[N_FIRST_NS] = rel
            last = rel
        counts[N_FRAMES] += 1
        if rel - last > counts[N_QUIET_NS]:
            counts[N_QUIET_NS] = rel - last
            counts[N_QUIET_AT_NS] = last
        counts[N_LAST_NS] = max(rel, last)
        etype = int(cols[ETYPE, i])
        if etype < 0:
            continue
        if cols[DST, i] >> 4 == LINK_LOCAL:
            counts[N_LINK_LOCAL] += 1
            continue
        l3 = int(cols[L3, i])
        p = int(cols[OFF, i]) + l3
        cap = int(cols[CAP, i])
        wire = max(int(cols[WIRE, i]), cap)
        if cap < wire:
            counts[N_LEAST_CUT] = min(int(counts[N_LEAST_CUT]), cap - l3)
        if how & PAIR:
            note_talker(b, cols, i, p, first, talkers)
        room = wire - l3
        n = content_length(b, p, etype, room) if cap - l3 >= 8 else 0
        if n == 0:
            n = room
            while n > 0 and n <= MAYBE_PADDED and cap == wire and u8(b, p + n - 1) == 0:
                n -= 1
        m = min(n, limit)
        if cap - l3 < m:
            counts[N_CUT] += 1
            continue
        payload = int(cols[PAYLOAD, i])
        if how & PAIR:
            start = payload - l3
            if payload == 0 or start + 12 > m or not looks_like_rtp(b, p + start):
                continue
            # One network's header may be longer than the other's (IPv4, IPv6): as many bytes of the packet on
            # both.
            size = max(min(n - start, limit - 48), 12)
            if start + size > cap - l3:
                counts[N_CUT] += 1
                continue
            key = mix(n - start, digest(b, p + start, size))
        else:
            data = -1
            if etype == 0x88F7:
                data = 0
            elif payload > 0 and (cols[DPORT, i] == 319 or cols[DPORT, i] == 320):
                data = payload - l3
            key = mix(content_of(b, p, etype, data, n, m), int(cols[SRC, i]))
            if how & WITH_TO:
                key = mix(key, int(cols[DST, i]))
        if how & FIRST == 0:
            at = flow_of(b, cols, i, p, how, first, ways, flows, counts)
            if at < 0:
                continue
            cols[FLOW_ROW, i] = at
            cols[NUMBER, i] = number_of(b, cols, i, cap, at, flows)
        cols[CONTENT, i] = key | 1


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {TABLE}, {ROW})")
def sample(b, cols, rows, how, table, chosen):
    """Keep for each row of the table the content with the lowest digest of all that fall there: the same at
    both ends, whatever else is in the captures. `chosen`: [the highest digest that still counts, how many
    rows to fill until it is halved]. So most contents of a long capture need not be looked up. What is above
    the highest in the end has to be dropped."""
    size = table.shape[0]
    highest = int(chosen[0])
    left = int(chosen[1])
    for i in range(rows):
        key = int(cols[CONTENT, i])
        if key == 0 or key > highest:
            continue
        at = (key >> 1) % size
        if table[at, Q_KEY] == key:
            table[at, Q_COUNT] += 1
            table[at, Q_GAP_NS] = cols[REL, i] - table[at, Q_NS]
        elif table[at, Q_KEY] == 0 or key < table[at, Q_KEY]:
            table[at, Q_KEY] = key
            table[at, Q_COUNT] = 1
            table[at, Q_NS] = cols[REL, i]
            table[at, Q_FLOW] = flow_key(b, cols, i, how)
            table[at, Q_SRC] = cols[SRC, i]
            table[at, Q_DST] = cols[DST, i]
            table[at, Q_CAST] = cols[CAST, i]
            table[at, Q_OUT] = cols[OUT, i]
            left -= 1
            if left == 0:
                # A row is filled once more, on average, for each time that the contents become e times as
                # many: each time that they have doubled, here, so that about as many have a chance as before.
                highest >>= 1
                left = 7 * size // 10
    chosen[0] = highest
    chosen[1] = left


# -- the ring ------------------------------------------------------------------------------------------------


@kernel()
def bucket_of(heads, key, side):
    """Where the chain of a content begins. Contents are odd: both sides' heads lie beside one another."""
    return (key - 1 + side) & (heads.shape[0] - 1)


@kernel()
def mark_of(key):
    return 1 << ((key >> 40) & (MARKS - 1))


@kernel()
def find(ring, heads, key, side, after, since_ns, held):
    """Where in the ring the newest frame of a content is at a side, or 0: later than place `after` and not
    before `since_ns`. H_CHAIN becomes what stands before it in its chain, or 0."""
    head = int(heads[bucket_of(heads, key, side)])
    if head & mark_of(key) == 0:
        return 0
    at = head >> MARKS
    before = 0
    for _ in range(MAX_CHAIN):
        if at <= after:
            return 0
        row = at & (ring.shape[0] - 1)
        if ring[row, R_KEY] == key:
            if ring[row, R_NS] < since_ns:
                return 0
            held[H_CHAIN] = before
            return at
        before = at
        at = int(ring[row, R_CHAIN])
    return 0


@kernel()
def find_next(ring, heads, key, since_ns, held):
    """As `find` at side A; first it looks beside what was found there last."""
    guess = int(held[H_GUESS])
    if guess < held[H_NEXT + A]:
        row = guess & (ring.shape[0] - 1)
        if (
            ring[row, R_KEY] == key
            and ring[row, R_COUNT] == 1
            and ring[row, R_STATE] == WAITING
            and ring[row, R_NS] >= since_ns
        ):
            return guess
    return find(ring, heads, key, A, int(held[H_NEXT + A]) - ring.shape[0], since_ns, held)


@kernel()
def put(ring, at, key, rel, frame, flow, state, partner):
    row = at & (ring.shape[0] - 1)
    ring[row, R_KEY] = key
    ring[row, R_NS] = rel
    ring[row, R_FRAME] = frame
    ring[row, R_FLOW] = flow
    ring[row, R_STATE] = state
    ring[row, R_PARTNER] = partner
    ring[row, R_CHAIN] = 0
    ring[row, R_COUNT] = 1


@kernel()
def queue_up(ring, queues, at, newest):
    """The content of the frame at `at` is that of `newest`, too: those that wait stand in one queue."""
    row = at & (ring.shape[0] - 1)
    was = newest & (ring.shape[0] - 1)
    if ring[was, R_COUNT] == 1:
        alone = newest if ring[was, R_STATE] == WAITING else 0
        queues[was, Y_HEAD] = alone
        queues[was, Y_LAST] = alone
        queues[was, Y_NEXT] = 0
        if ring[was, R_STATE] != FOUND:
            queues[was, Y_OTHER_NS] = -NONE
    queues[row, Y_HEAD] = queues[was, Y_HEAD]
    queues[row, Y_LAST] = queues[was, Y_LAST]
    queues[row, Y_NEXT] = 0
    queues[row, Y_OTHER_NS] = queues[was, Y_OTHER_NS]
    ring[row, R_COUNT] = ring[was, R_COUNT] + 1
    ring[was, R_COUNT] += 1  # it is one of several, too
    if ring[row, R_STATE] == WAITING:
        if queues[row, Y_HEAD] == 0:
            queues[row, Y_HEAD] = at
        else:
            queues[int(queues[row, Y_LAST]) & (ring.shape[0] - 1), Y_NEXT] = at
        queues[row, Y_LAST] = at


@kernel()
def index(ring, queues, heads, at, held, newest):
    """Make the frame at `at` the newest of its content, which is at `newest` so far (0: none, H_CHAIN is
    before it)."""
    row = at & (ring.shape[0] - 1)
    key = int(ring[row, R_KEY])
    bucket = bucket_of(heads, key, at & 1)
    head = int(heads[bucket])
    if newest > 0:
        queue_up(ring, queues, at, newest)
        before = int(held[H_CHAIN])
        after = int(ring[newest & (ring.shape[0] - 1), R_CHAIN])
        if before == 0:
            head = after << MARKS | head & ((1 << MARKS) - 1)
        else:
            ring[before & (ring.shape[0] - 1), R_CHAIN] = after
    first = head >> MARKS
    marks = head & ((1 << MARKS) - 1)
    if first <= at - ring.shape[0]:
        first = 0
        marks = 0
    ring[row, R_CHAIN] = first
    heads[bucket] = at << MARKS | marks | mark_of(key)


@kernel()
def unwait(ring, queues, newest, before, at):
    """Take the frame at `at` out of the queue of its content; `before` it stands another, or 0."""
    if ring[newest & (ring.shape[0] - 1), R_COUNT] == 1:
        return
    after = queues[at & (ring.shape[0] - 1), Y_NEXT]
    if before == 0:
        queues[newest & (ring.shape[0] - 1), Y_HEAD] = after
    else:
        queues[before & (ring.shape[0] - 1), Y_NEXT] = after
    if after == 0:
        queues[newest & (ring.shape[0] - 1), Y_LAST] = before


@kernel()
def remember(ring, queues, heads, held, side, key, rel, frame, at, state, partner, newest):
    """A frame takes the next place of its side. Those that B need not look for again are not indexed."""
    place = int(held[H_NEXT + side])
    put(ring, place, key, rel, frame, at, state, partner)
    if side == A or state == WAITING:
        index(ring, queues, heads, place, held, newest)
    if state == WAITING:
        held[H_WAITING + side] += 1
    held[H_NEXT + side] = place + 2


# -- what is entered in the flows ----------------------------------------------------------------------------


@kernel()
def close_run(flows, at, end_ns, after):
    """A frame was found at both ends: what was only here since the last one lies between the two."""
    run = int(flows[at, G_RUN])
    flows[at, G_RUN] = 0
    if flows[at, G_SEEN_FRAME] == 0:
        flows[at, G_RUN_ALIKE] = 0
        return
    n = int(flows[at, G_GAPS])
    if n < EVENTS:
        event = G_EVENTS + EVENT_COLUMNS * n
        flows[at, event + E_FRAMES] = run
        flows[at, event + E_FRAME] = flows[at, G_RUN_FRAME]
        flows[at, event + E_NS] = flows[at, G_RUN_NS]
        flows[at, event + E_END_NS] = end_ns
        flows[at, event + E_BEFORE] = flows[at, G_SEEN_PARTNER]
        flows[at, event + E_AFTER] = after
    flows[at, G_GAPS] += 1
    flows[at, G_ONLY] += run
    flows[at, G_LONGEST] = max(run, int(flows[at, G_LONGEST]))
    flows[at, G_ALIKE] += flows[at, G_RUN_ALIKE]
    flows[at, G_RUN_ALIKE] = 0


@kernel()
def enter_found(flows, at, rel, frame, partner):
    """A frame is told as found, after all of its side that came before it."""
    if flows[at, G_RUN] > 0:
        close_run(flows, at, rel, partner)
    flows[at, G_SEEN_FRAME] = frame
    flows[at, G_SEEN_PARTNER] = partner


@kernel()
def enter_more(flows, at, rel, frame, partner, certain):
    if not certain:
        if flows[at, G_MORE] == 0:
            flows[at, G_MORE_FRAME] = frame
            flows[at, G_MORE_NS] = rel
        flows[at, G_MORE] += 1
        return
    if flows[at, G_DOUBLED] == 0:
        flows[at, G_DOUBLED_FRAME] = frame
        flows[at, G_DOUBLED_NS] = rel
        flows[at, G_DOUBLED_OTHER] = partner
    flows[at, G_DOUBLED] += 1


@kernel()
def enter_only(flows, at, rel, frame, alike):
    """A frame is told as not found."""
    if flows[at, G_RUN] == 0:
        flows[at, G_RUN_FRAME] = frame
        flows[at, G_RUN_NS] = rel
    flows[at, G_RUN] += 1
    flows[at, G_RUN_ALIKE] += alike


@kernel()
def tell(ring, queues, heads, place, flows, held):
    """What became of the frame at `place`, all before which are told."""
    row = place & (ring.shape[0] - 1)
    at = int(ring[row, R_FLOW])
    state = int(ring[row, R_STATE])
    rel = int(ring[row, R_NS])
    frame = int(ring[row, R_FRAME])
    if state == FOUND:
        enter_found(flows, at, rel, frame, int(ring[row, R_PARTNER]))
    elif state == WAITING:
        alike = int(ring[row, R_COUNT]) > 1
        if alike:
            newest = find(ring, heads, int(ring[row, R_KEY]), place & 1, place - 2, rel, held)
            if newest > 0 and queues[newest & (ring.shape[0] - 1), Y_HEAD] == place:
                unwait(ring, queues, newest, 0, place)
        ring[row, R_STATE] = GONE
        held[H_WAITING + (place & 1)] -= 1
        if alike and flows[at, G_WAY] < 0:  # at the far end it is one too many
            enter_more(flows, at, rel, frame, 0, ring[row, R_COUNT] == 2)
        else:
            enter_only(flows, at, rel, frame, int(alike))
    elif state in (DOUBLED, MORE):
        enter_more(flows, at, rel, frame, int(ring[row, R_PARTNER]), state == DOUBLED)
    elif state == SHORT:
        enter_only(flows, at, rel, frame, 1)


@kernel()
def count_number(flows, at, number, rel, held):
    """Enter the sequence number of a packet that came to either end, for the first time, while both
    listened."""
    if number < 0 or rel < held[H_FROM_NS] or rel > held[H_UNTIL_NS]:
        return
    if flows[at, G_STARTED] == 0:
        flows[at, G_STARTED] = 1
        flows[at, G_BASE] = number
        flows[at, G_HIGHEST] = number
        flows[at, G_NUMBERS] = 1
        return
    highest = int(flows[at, G_HIGHEST])
    ahead = ((number - highest + 0x8000) & 0xFFFF) - 0x8000
    if ahead >= MAX_DROPOUT or ahead <= -MAX_DROPOUT:
        flows[at, G_STRETCHES] += highest - int(flows[at, G_BASE]) + 1
        flows[at, G_BASE] = number
        flows[at, G_HIGHEST] = number
    elif ahead > 0:
        flows[at, G_HIGHEST] = highest + ahead
    else:
        flows[at, G_BASE] = min(int(flows[at, G_BASE]), highest + ahead)
    flows[at, G_NUMBERS] += 1


@kernel()
def note_jump(flows, at, number, rel, frame):
    """The first jump over numbers at A."""
    if number < 0:
        return
    last = int(flows[at, G_AT_A])
    if last >= 0 and flows[at, G_JUMP_FRAME] == 0 and 1 < (number - last) & 0xFFFF < MAX_DROPOUT:
        flows[at, G_JUMP_FRAME] = frame
        flows[at, G_JUMP_NS] = rel
    flows[at, G_AT_A] = number


@kernel()
def note_time(flows, at, span, frame, other, rel, held):
    """Enter the time that a frame took from A to B by A's clock, and its place among the others. Its content
    does not repeat."""
    flows[at, G_LEAST_NS] = min(int(flows[at, G_LEAST_NS]), span)
    flows[at, G_MOST_NS] = max(int(flows[at, G_MOST_NS]), span)
    took = span * int(flows[at, G_WAY])
    if flows[at, G_FLOOR] == NONE or took < flows[at, G_FLOOR]:
        flows[at, G_FLOOR] = took
    over = took - int(flows[at, G_FLOOR])
    flows[at, G_TIMED] += 1
    flows[at, G_SUM_NS] += min(over, 1_000_000_000)
    if over > flows[at, G_SPREAD_NS]:
        flows[at, G_SPREAD_NS] = over
        flows[at, G_SPREAD_FRAME] = frame
        flows[at, G_SPREAD_OTHER] = other
        flows[at, G_SPREAD_AT_NS] = rel
    if over > held[H_LATE_NS]:
        if flows[at, G_LATE] == 0:
            flows[at, G_LATE_FRAME] = frame
            flows[at, G_LATE_OTHER] = other
            flows[at, G_LATE_AT_NS] = rel
        flows[at, G_LATE] += 1
    if frame < flows[at, G_TOP]:
        if flows[at, G_REORDERED] == 0:
            flows[at, G_REORDERED_FRAME] = frame
            flows[at, G_REORDERED_OTHER] = other
            flows[at, G_REORDERED_AT_NS] = rel
        flows[at, G_REORDERED] += 1
    else:
        flows[at, G_TOP] = frame


@kernel()
def pair_up(flows, a, b, held):
    """A frame of a flow of A and one of B are the same."""
    flows[a, G_MATCHED] += 1
    flows[b, G_MATCHED] += 1
    flows[a, G_PARTNER] = b + 1
    flows[b, G_PARTNER] = a + 1
    held[H_MATCHED] += 1


# -- the walk ------------------------------------------------------------------------------------------------


@kernel()
def forget(ring, queues, heads, flows, held, side, rel):
    """Tell what became of a side's frames that wait no longer, now that it is `rel` there; in their order, so
    that one that waits keeps back those after it."""
    lag = int(held[H_LAG_NS]) if side == A else 0
    untold = int(held[H_UNTOLD + side])
    following = int(held[H_NEXT + side])
    while untold < following:
        row = untold & (ring.shape[0] - 1)
        if ring[row, R_STATE] == WAITING:
            waited = rel - int(ring[row, R_NS]) - lag
            if waited <= held[H_PATIENCE_NS]:
                if following - untold < ring.shape[0]:
                    break
                held[H_SHORTEST_NS] = min(int(held[H_SHORTEST_NS]), waited)
        tell(ring, queues, heads, untold, flows, held)
        untold += 2
    held[H_UNTOLD + side] = untold


@kernel()
def is_twin(ring, queues, place, rel):
    """Whether the other end had the content of a place just before `rel`: a mirror shows it again."""
    row = place & (ring.shape[0] - 1)
    there = ring[row, R_COUNT] > 1 or ring[row, R_STATE] == FOUND
    return there and rel - queues[row, Y_OTHER_NS] <= TWIN_NS


@kernel()
def come_to_a(ring, queues, heads, flows, held, key, rel, frame, at, number):
    """A frame at A: mostly it is the first to come."""
    size = ring.shape[0]
    since_ns = rel - int(held[H_PATIENCE_NS]) - int(held[H_LAG_NS])
    newest = find(ring, heads, key, A, int(held[H_NEXT + A]) - size, since_ns, held)
    if newest > 0 and held[H_MIRROR + A] and rel - ring[newest & (size - 1), R_NS] <= TWIN_NS:
        held[H_TWINS + A] += 1
        return
    note_jump(flows, at, number, rel, frame)
    state = WAITING
    partner = 0
    if newest == 0:
        there = 0
        if held[H_WAITING + B] > 0:
            there = find(ring, heads, key, B, int(held[H_UNTOLD + B]) - 2, since_ns, held)
        row = there & (size - 1)
        if there > 0 and ring[row, R_COUNT] == 1 and ring[row, R_STATE] == WAITING:
            state = FOUND
            partner = int(ring[row, R_FRAME])
            other = int(ring[row, R_FLOW])
            ring[row, R_STATE] = FOUND
            ring[row, R_PARTNER] = frame
            held[H_WAITING + B] -= 1
            queues[int(held[H_NEXT + A]) & (size - 1), Y_OTHER_NS] = ring[row, R_NS]
            if flows[other, G_PARTNER] == 0:
                count_number(flows, at, number, rel, held)
            pair_up(flows, at, other, held)
            note_time(flows, at, int(ring[row, R_NS]) - rel, frame, partner, rel, held)
        else:
            count_number(flows, at, number, rel, held)
    remember(ring, queues, heads, held, A, key, rel, frame, at, state, partner, newest)


@kernel()
def come_to_b(ring, queues, heads, flows, held, key, rel, frame, at, number):
    """A frame at B: mostly it waits at A."""
    size = ring.shape[0]
    since_ns = rel - int(held[H_PATIENCE_NS]) - int(held[H_LAG_NS])
    newest = find_next(ring, heads, key, since_ns, held)
    new = newest & (size - 1)
    found = 0
    before = 0
    if newest > 0:
        if held[H_MIRROR + B] and is_twin(ring, queues, newest, rel):
            held[H_TWINS + B] += 1
            return
        if ring[new, R_COUNT] > 1:
            # The last of those alike that can have come by now.
            look = int(queues[new, Y_HEAD])
            past = 0
            for _ in range(MAX_STEPS):
                if look == 0:
                    break
                flow = int(ring[look & (size - 1), R_FLOW])
                # The first of those alike may have been slow: of one flow alone it is no measure.
                floor = int(held[H_FLOOR_NS])
                if flows[flow, G_WAY] > 0:
                    floor = min(floor, int(flows[flow, G_FLOOR]))
                if rel - int(ring[look & (size - 1), R_NS]) - floor < -held[H_OFF_NS]:
                    break
                found = look
                before = past
                past = look
                look = int(queues[look & (size - 1), Y_NEXT])
        elif ring[new, R_STATE] == WAITING:
            found = newest
    state = WAITING
    partner = 0
    there = 0
    if found > 0:
        row = found & (size - 1)
        unwait(ring, queues, newest, before, found)
        ring[row, R_STATE] = FOUND
        ring[row, R_PARTNER] = frame
        held[H_WAITING + A] -= 1
        held[H_GUESS] = found + 2
        state = FOUND
        partner = int(ring[row, R_FRAME])
        flow = int(ring[row, R_FLOW])
        pair_up(flows, flow, at, held)
        if ring[new, R_COUNT] == 1:
            sent = int(ring[row, R_NS])
            note_time(flows, flow, rel - sent, partner, frame, sent, held)
    elif newest > 0:
        state = MORE if ring[new, R_COUNT] > 1 else DOUBLED
        if flows[int(ring[new, R_FLOW]), G_WAY] < 0:
            state = SHORT
        partner = int(ring[new, R_FRAME])
    else:
        there = find(ring, heads, key, B, int(held[H_UNTOLD + B]) - 2, since_ns, held)
        if there > 0 and held[H_MIRROR + B] and rel - ring[there & (size - 1), R_NS] <= TWIN_NS:
            held[H_TWINS + B] += 1
            return
        if there == 0 and flows[at, G_PARTNER] > 0:
            count_number(flows, int(flows[at, G_PARTNER]) - 1, number, rel, held)
    if newest > 0 and (held[H_MIRROR + B] or ring[new, R_COUNT] > 1):
        queues[new, Y_OTHER_NS] = rel
    if state == FOUND and held[H_UNTOLD + B] == held[H_NEXT + B]:  # nothing waits before it
        enter_found(flows, at, rel, frame, partner)
        return
    remember(ring, queues, heads, held, B, key, rel, frame, at, state, partner, there)


@kernel(f"int64({TABLE}, int64, int64, {TABLE}, int64, int64, {TABLE}, {TABLE}, {ROW}, {TABLE}, {ROW})")
def hold(a_cols, a_rows, a_first, b_cols, b_rows, b_first, ring, queues, heads, flows, held):
    """Walk both sides by time until one has no more rows: 1 asks for A's next batch, 2 for B's. A side that
    has ended comes with -1 rows; 0 says that both have. `flows` are those of A, and as many of B."""
    a = int(held[H_AT + A])
    b = int(held[H_AT + B])
    lag = int(held[H_LAG_NS])
    b_flows = flows.shape[0] // 2
    wants = 0
    while True:
        if a >= a_rows and a_rows >= 0:
            wants = 1
            break
        if b >= b_rows and b_rows >= 0:
            wants = 2
            break
        if a_rows < 0 and b_rows < 0:
            break
        if b_rows < 0 or (a_rows >= 0 and a_cols[REL, a] <= b_cols[REL, b] + lag):
            key = int(a_cols[CONTENT, a])
            if key != 0:
                rel = int(a_cols[REL, a])
                at = int(a_cols[FLOW_ROW, a])
                forget(ring, queues, heads, flows, held, A, rel)
                come_to_a(ring, queues, heads, flows, held, key, rel, a_first + a, at, int(a_cols[NUMBER, a]))
            a += 1
        else:
            key = int(b_cols[CONTENT, b])
            if key != 0:
                rel = int(b_cols[REL, b])
                at = b_flows + int(b_cols[FLOW_ROW, b])
                forget(ring, queues, heads, flows, held, B, rel)
                come_to_b(ring, queues, heads, flows, held, key, rel, b_first + b, at, int(b_cols[NUMBER, b]))
            b += 1
    held[H_AT + A] = a
    held[H_AT + B] = b
    return wants


@kernel(f"void({TABLE}, {TABLE}, {ROW}, {TABLE}, {ROW})")
def let_out(ring, queues, heads, flows, held):
    """The end: all that is not told yet is."""
    for side in (A, B):
        for place in range(int(held[H_UNTOLD + side]), int(held[H_NEXT + side]), 2):
            tell(ring, queues, heads, place, flows, held)
