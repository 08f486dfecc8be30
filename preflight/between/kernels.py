"""Kernels that find the same frames in two captures and keep account of those that are in one of them only.

Strategy: `mark` gives every frame a digest of what no switch changes, and a row in the table of its side's flows. `sample` keeps
a few thousand contents, the same on both sides because the content itself chooses, from which the clocks are compared.
`hold` then walks both captures at once by the time of A's clock. Each side has a ring of its frames of the last
second. A hash table finds the content that waits there: chains run through the ring itself, so that nothing has to be taken out
of the table (what lies before the ring's oldest frame has gone by itself). B is walked a little later than A, so
that nearly always the frame at A is there first.

Contents that repeat (silence, a steady beat) wait in a queue of their own: the frame that came in time is taken, not the
oldest, so that one lost does not shift all that follow. What leaves a ring is told in its order: only what lies between two frames
of its flow that were found at both ends counts as lost, so that neither a capture that is longer, nor a stream that begins or
is left, counts.

Sources: IEEE 802.1Q (tags; 01-80-C2-00-00-0X is not passed on), IEEE 802.3 (padding), RFC 791, RFC 8200, RFC 2474 (marks that
a switch may set anew), IEEE 1588-2008 (the correction field of a transparent clock), RFC 3550, RFC 4737 (reordering),
RFC 5481 (delay variation against the least delay).
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
# The flow's row at the other end, + 1; frames found there; frames only here, between two that were found, the runs of them and the
# longest; of them those whose content repeats.
G_PARTNER, G_MATCHED, G_ONLY, G_GAPS, G_LONGEST, G_ALIKE = _flow.take(6)
# The run that is not over: how many, first of them, and of them alike.
G_RUN, G_RUN_FRAME, G_RUN_NS, G_RUN_ALIKE = _flow.take(4)
G_SEEN_FRAME, G_SEEN_PARTNER = _flow.take(2)  # the last that was found at both ends
# Frames that came once more than at the other end: certain, and where the content repeats there, too.
G_DOUBLED, G_DOUBLED_FRAME, G_DOUBLED_NS, G_DOUBLED_OTHER, G_MORE, G_MORE_FRAME, G_MORE_NS = _flow.take(7)
# Of side A alone. Which way it goes (1: A to B, -1); time from A to B: where the least is taken from, least, most; of how many, the most
# beyond the least, its two frames and when; how many were late, and the first of those.
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
# Order: the latest frame of A that was found at B, and how many came after a later one, and the first of those.
G_TOP, G_REORDERED, G_REORDERED_FRAME, G_REORDERED_OTHER, G_REORDERED_AT_NS = _flow.take(5)
# Sequence numbers of both ends together (extended beyond 16 bits): from where on, highest, how many, and numbers of the stretches before
# a restart. At A alone: the last, and the first jump over some: the frame after it, and when.
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

# What `mark` counts: frames of this side; passed over as a bridge does; cut too short to compare; without a row; the
# shortest cut, in bytes beyond the link header; the longest time without any frame, and since when.
_marked = Columns()
N_FRAMES, N_LINK_LOCAL, N_CUT, N_NO_ROOM, N_LEAST_CUT, N_FIRST_NS, N_LAST_NS = _marked.take(7)
N_QUIET_NS, N_QUIET_AT_NS = _marked.take(2)
MARKED = _marked.size
# Bits of how to mark: the destination's address is there at both ends; two networks; the first pass, which needs no flows.
WITH_TO, PAIR, FIRST = 1, 2, 4

_ring = Columns()
R_KEY, R_NS, R_FRAME, R_FLOW, R_STATE, R_PARTNER, R_CHAIN, R_NEXT, R_HEAD, R_LAST, R_COUNT, R_OTHER_NS = (
    _ring.take(12)
)
RING_COLUMNS = _ring.size
# Not there at the other end yet; found; once more than there, surely or where contents repeat; not found though contents are
# alike, at the sending end; given up.
WAITING, FOUND, DOUBLED, MORE, SHORT, GONE = range(6)

_held = Columns()
# How far each batch was walked; the next place in each ring, the first that is not told; how many of B wait.
H_AT_A, H_AT_B, H_NEXT_A, H_UNTOLD_A, H_NEXT_B, H_UNTOLD_B, H_WAITING_B, H_CHAIN = _held.take(8)
H_MATCHED, H_TWINS_A, H_TWINS_B, H_SHORTEST_NS = _held.take(4)
# Set from outside: B is walked so much later; how long a frame may be on its way; when it is late; how far the clocks may be
# off; whether a side sees each frame twice; the stretch that both captures hold; the least time of all from A to B.
H_LAG_NS, H_PATIENCE_NS, H_LATE_NS, H_OFF_NS, H_MIRROR_A, H_MIRROR_B, H_FROM_NS, H_UNTIL_NS, H_FLOOR_NS = (
    _held.take(9)
)
HELD = _held.size
TWIN_NS = 1_000_000  # a mirror shows a frame twice within this. Common practice, as the tally has it.
MAX_STEPS = 256  # how far a queue of equal contents is looked through
MAX_CHAIN = 64
MAX_DROPOUT = 3000  # RFC 3550 A.1: a sender that begins anew


@kernel()
def content_length(b, p, etype, room):
    """How many of the `room` bytes from p on are content, by the protocol's own word: without padding and check sequence. 0 where it
    does not say."""
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
    """A digest of the content of n bytes from p on, of which the first m are taken; `data` is where a PTP message begins in it, or
    0. Left out is what a switch may write anew: priority marks and the checksum over them, PTP's correction."""
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
    """Fill CONTENT, FLOW_ROW and NUMBER, and put REL on A's clock. `told`: [bytes beyond the link header to take at most, how, the
    interface or -1, offset_ns, drift in 2**-32]. `ways` is a hash table of senders (address + 1) and their ways."""
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
            # One network's header may be longer than the other's (IPv4, IPv6): as many bytes of the packet on both.
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


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {TABLE})")
def sample(b, cols, rows, how, table):
    """Keep for each row of the table the content with the lowest digest of all that fall there: the same at both ends, whatever
    else is in the captures."""
    size = table.shape[0]
    for i in range(rows):
        key = int(cols[CONTENT, i])
        if key == 0:
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


@kernel()
def find(ring, heads, key, after, since_ns, held):
    """Where in the ring the newest frame of a content is, or 0: later than place `after` and not before `since_ns`. H_CHAIN becomes
    what stands before it in its chain, or 0."""
    at = int(heads[(key >> 1) & (heads.shape[0] - 1)])
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
def put(ring, at, key, rel, frame, flow, state, partner):
    row = at & (ring.shape[0] - 1)
    ring[row, R_KEY] = key
    ring[row, R_NS] = rel
    ring[row, R_FRAME] = frame
    ring[row, R_FLOW] = flow
    ring[row, R_STATE] = state
    ring[row, R_PARTNER] = partner
    ring[row, R_CHAIN] = 0
    ring[row, R_NEXT] = 0
    ring[row, R_HEAD] = 0
    ring[row, R_LAST] = 0
    ring[row, R_COUNT] = 1
    ring[row, R_OTHER_NS] = -NONE


@kernel()
def index(ring, heads, at, held, newest):
    """Make the frame at `at` the newest of its content, which is at `newest` so far (0: none, H_CHAIN is before it). It waits, unless
    it was found."""
    row = at & (ring.shape[0] - 1)
    bucket = (int(ring[row, R_KEY]) >> 1) & (heads.shape[0] - 1)
    if newest > 0:
        was = newest & (ring.shape[0] - 1)
        before = int(held[H_CHAIN])
        if before == 0:
            heads[bucket] = ring[was, R_CHAIN]
        else:
            ring[before & (ring.shape[0] - 1), R_CHAIN] = ring[was, R_CHAIN]
        ring[row, R_HEAD] = ring[was, R_HEAD]
        ring[row, R_LAST] = ring[was, R_LAST]
        ring[row, R_COUNT] = ring[was, R_COUNT] + 1
        ring[row, R_OTHER_NS] = ring[was, R_OTHER_NS]
        ring[was, R_COUNT] += 1  # it is one of several, too
    ring[row, R_CHAIN] = heads[bucket]
    heads[bucket] = at
    if ring[row, R_STATE] == WAITING:
        if ring[row, R_HEAD] == 0:
            ring[row, R_HEAD] = at
        else:
            ring[int(ring[row, R_LAST]) & (ring.shape[0] - 1), R_NEXT] = at
        ring[row, R_LAST] = at


@kernel()
def unwait(ring, newest, before, at):
    """Take the frame at `at` out of the queue of its content; `before` it stands another, or 0."""
    after = ring[at & (ring.shape[0] - 1), R_NEXT]
    if before == 0:
        ring[newest & (ring.shape[0] - 1), R_HEAD] = after
    else:
        ring[before & (ring.shape[0] - 1), R_NEXT] = after
    if after == 0:
        ring[newest & (ring.shape[0] - 1), R_LAST] = before


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
def tell(ring, heads, place, flows, held):
    """What became of the frame at `place`, all before which are told. Returns whether it waited in vain."""
    row = place & (ring.shape[0] - 1)
    at = int(ring[row, R_FLOW])
    state = int(ring[row, R_STATE])
    rel = int(ring[row, R_NS])
    frame = int(ring[row, R_FRAME])
    if state == FOUND:
        enter_found(flows, at, rel, frame, int(ring[row, R_PARTNER]))
    elif state == WAITING:
        newest = find(ring, heads, int(ring[row, R_KEY]), place - 1, rel, held)
        if newest > 0 and ring[newest & (ring.shape[0] - 1), R_HEAD] == place:
            unwait(ring, newest, 0, place)
        ring[row, R_STATE] = GONE
        if ring[row, R_COUNT] > 1 and flows[at, G_WAY] < 0:  # at the far end it is one too many
            enter_more(flows, at, rel, frame, 0, ring[row, R_COUNT] == 2)
            return True
        if flows[at, G_RUN] == 0:
            flows[at, G_RUN_FRAME] = frame
            flows[at, G_RUN_NS] = rel
        flows[at, G_RUN] += 1
        if ring[row, R_COUNT] > 1:
            flows[at, G_RUN_ALIKE] += 1
        return True
    elif state in (DOUBLED, MORE):
        enter_more(flows, at, rel, frame, int(ring[row, R_PARTNER]), state == DOUBLED)
    elif state == SHORT:
        if flows[at, G_RUN] == 0:
            flows[at, G_RUN_FRAME] = frame
            flows[at, G_RUN_NS] = rel
        flows[at, G_RUN] += 1
        flows[at, G_RUN_ALIKE] += 1
    return False


@kernel()
def count_number(flows, at, number, rel, held):
    """Enter the sequence number of a packet that came to either end, for the first time, while both listened."""
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
    """Enter the time that a frame took from A to B by A's clock, and its place among the others. Its content does not repeat."""
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
def pair_up(a_flows, b_flows, at, other):
    a_flows[at, G_MATCHED] += 1
    b_flows[other, G_MATCHED] += 1
    a_flows[at, G_PARTNER] = other + 1
    b_flows[other, G_PARTNER] = at + 1


@kernel(
    f"int64({TABLE}, int64, int64, {TABLE}, int64, int64, {TABLE}, {ROW}, {TABLE}, {ROW}, {TABLE}, {TABLE}, {ROW})"
)
def hold(
    a_cols, a_rows, a_first, b_cols, b_rows, b_first, a_ring, a_heads, b_ring, b_heads, a_flows, b_flows, held
):
    """Walk both sides by time until one has no more rows: 1 asks for A's next batch, 2 for B's. A side that has ended comes with
    -1 rows; 0 says that both have. H_AT_A and H_AT_B are how far each was walked."""
    a = int(held[H_AT_A])
    b = int(held[H_AT_B])
    next_a = int(held[H_NEXT_A])
    untold_a = int(held[H_UNTOLD_A])
    next_b = int(held[H_NEXT_B])
    untold_b = int(held[H_UNTOLD_B])
    waiting_b = int(held[H_WAITING_B])
    lag = int(held[H_LAG_NS])
    patience = int(held[H_PATIENCE_NS]) + lag
    mirror_a = held[H_MIRROR_A] == 1
    mirror_b = held[H_MIRROR_B] == 1
    size = a_ring.shape[0]
    ring = size - 1  # rows are a power of two: takes a place to its row
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
            if key == 0:
                a += 1
                continue
            rel = int(a_cols[REL, a])
            frame = a_first + a
            at = int(a_cols[FLOW_ROW, a])
            number = int(a_cols[NUMBER, a])
            a += 1
            while untold_a < next_a:
                row = untold_a & ring
                if a_ring[row, R_STATE] == WAITING:
                    waited = rel - int(a_ring[row, R_NS])
                    if waited <= patience:
                        if next_a - untold_a < size:
                            break
                        held[H_SHORTEST_NS] = min(int(held[H_SHORTEST_NS]), waited - lag)
                tell(a_ring, a_heads, untold_a, a_flows, held)
                untold_a += 1
            newest = find(a_ring, a_heads, key, next_a - size, rel - patience, held)
            if mirror_a and newest > 0 and rel - a_ring[newest & ring, R_NS] <= TWIN_NS:
                held[H_TWINS_A] += 1
                continue
            note_jump(a_flows, at, number, rel, frame)
            state = WAITING
            partner = 0
            if newest == 0:
                there = 0
                if waiting_b > 0:
                    there = find(b_ring, b_heads, key, untold_b - 1, rel - patience, held)
                row = there & ring
                if there > 0 and b_ring[row, R_COUNT] == 1 and b_ring[row, R_STATE] == WAITING:
                    unwait(b_ring, there, 0, there)
                    waiting_b -= 1
                    b_ring[row, R_STATE] = FOUND
                    b_ring[row, R_PARTNER] = frame
                    state = FOUND
                    partner = int(b_ring[row, R_FRAME])
                    other = int(b_ring[row, R_FLOW])
                    if b_flows[other, G_PARTNER] == 0:
                        count_number(a_flows, at, number, rel, held)
                    pair_up(a_flows, b_flows, at, other)
                    held[H_MATCHED] += 1
                    note_time(a_flows, at, int(b_ring[row, R_NS]) - rel, frame, partner, rel, held)
                else:
                    count_number(a_flows, at, number, rel, held)
            put(a_ring, next_a, key, rel, frame, at, state, partner)
            index(a_ring, a_heads, next_a, held, newest)
            next_a += 1
            continue

        key = int(b_cols[CONTENT, b])
        if key == 0:
            b += 1
            continue
        rel = int(b_cols[REL, b])
        frame = b_first + b
        at = int(b_cols[FLOW_ROW, b])
        number = int(b_cols[NUMBER, b])
        b += 1
        while untold_b < next_b:
            row = untold_b & ring
            if b_ring[row, R_STATE] == WAITING:
                waited = rel - int(b_ring[row, R_NS])
                if waited <= patience:
                    if next_b - untold_b < size:
                        break
                    held[H_SHORTEST_NS] = min(int(held[H_SHORTEST_NS]), waited)
            if tell(b_ring, b_heads, untold_b, b_flows, held):
                waiting_b -= 1
            untold_b += 1
        newest = find(a_ring, a_heads, key, next_a - size, rel - patience, held)
        found = 0
        before = 0
        alike = False
        if newest > 0:
            row = newest & ring
            if mirror_b and rel - a_ring[row, R_OTHER_NS] <= TWIN_NS:
                held[H_TWINS_B] += 1
                continue
            alike = a_ring[row, R_COUNT] > 1
            look = int(a_ring[row, R_HEAD])
            if not alike:
                found = look
            else:
                # The last of those alike that can have come by now.
                past = 0
                for _ in range(MAX_STEPS):
                    if look == 0:
                        break
                    flow = int(a_ring[look & ring, R_FLOW])
                    # The first of those alike may have been slow: of one flow alone it is no measure.
                    floor = int(held[H_FLOOR_NS])
                    if a_flows[flow, G_WAY] > 0:
                        floor = min(floor, int(a_flows[flow, G_FLOOR]))
                    if rel - int(a_ring[look & ring, R_NS]) - floor < -held[H_OFF_NS]:
                        break
                    found = look
                    before = past
                    past = look
                    look = int(a_ring[look & ring, R_NEXT])
        state = WAITING
        partner = 0
        there = 0
        if found > 0:
            row = found & ring
            unwait(a_ring, newest, before, found)
            a_ring[row, R_STATE] = FOUND
            a_ring[row, R_PARTNER] = frame
            a_ring[newest & ring, R_OTHER_NS] = rel
            state = FOUND
            partner = int(a_ring[row, R_FRAME])
            flow = int(a_ring[row, R_FLOW])
            pair_up(a_flows, b_flows, flow, at)
            held[H_MATCHED] += 1
            if not alike:
                sent = int(a_ring[row, R_NS])
                note_time(a_flows, flow, rel - sent, partner, frame, sent, held)
            if untold_b == next_b:  # nothing waits before it
                enter_found(b_flows, at, rel, frame, partner)
                continue
        elif newest > 0:
            state = MORE if alike else DOUBLED
            if a_flows[int(a_ring[newest & ring, R_FLOW]), G_WAY] < 0:
                state = SHORT
            partner = int(a_ring[newest & ring, R_FRAME])
            a_ring[newest & ring, R_OTHER_NS] = rel
        else:
            there = find(b_ring, b_heads, key, untold_b - 1, rel - patience, held)
            if mirror_b and there > 0 and rel - b_ring[there & ring, R_NS] <= TWIN_NS:
                held[H_TWINS_B] += 1
                continue
            if there == 0 and b_flows[at, G_PARTNER] > 0:
                count_number(a_flows, int(b_flows[at, G_PARTNER]) - 1, number, rel, held)
            waiting_b += 1
        put(b_ring, next_b, key, rel, frame, at, state, partner)
        if state == WAITING:
            index(b_ring, b_heads, next_b, held, there)
        next_b += 1
    held[H_AT_A] = a
    held[H_AT_B] = b
    held[H_NEXT_A] = next_a
    held[H_UNTOLD_A] = untold_a
    held[H_NEXT_B] = next_b
    held[H_UNTOLD_B] = untold_b
    held[H_WAITING_B] = waiting_b
    return wants


@kernel(f"void({TABLE}, {ROW}, {TABLE}, {ROW}, {TABLE}, {TABLE}, {ROW})")
def let_out(a_ring, a_heads, b_ring, b_heads, a_flows, b_flows, held):
    """The end: all that is not told yet is."""
    for place in range(int(held[H_UNTOLD_A]), int(held[H_NEXT_A])):
        tell(a_ring, a_heads, place, a_flows, held)
    for place in range(int(held[H_UNTOLD_B]), int(held[H_NEXT_B])):
        tell(b_ring, b_heads, place, b_flows, held)
