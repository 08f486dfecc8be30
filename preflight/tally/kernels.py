"""Kernels that look at every frame: who sends what (talkers and flows), which frames come again (copies), how much
passes when (rates).

Strategy: each keeps its state in int64 tables of fixed size, so that memory is the same for a second and for a day.
Tables are open-addressed hash tables; what does not fit is counted as overflow, never dropped in silence. Feeding the
same frames in other batches gives the same state. A burst window is counted in bins of capture time that
start with the first frame; frames a few microseconds late go into the bin that is open.
"""

from preflight.frames.compile import BYTES, ROW, TABLE, kernel
from preflight.frames.kernels import (
    BROADCAST,
    CAP,
    CAST,
    COPY,
    DIGEST,
    DISCOVERY,
    DPORT,
    DSCP,
    DST,
    ETYPE,
    FLOW,
    L3,
    MULTICAST,
    OFF,
    OUT,
    PAYLOAD,
    PCP,
    PROTO,
    REL,
    SLOT,
    SPORT,
    SRC,
    TAGS,
    VLAN,
    WIRE,
    be16,
    be32,
    u8,
)

# Preamble, start delimiter, gap between frames (20 bytes) and FCS (4), which captures leave out. IEEE 802.3.
WIRE_OVERHEAD = 24
SHORTEST = 60  # without FCS; a shorter frame is padded on a real cable. IEEE 802.3

BIN_NS = 100_000_000
SECOND_NS = 1_000_000_000
MS_NS = 1_000_000

# A row for each flow.
(
    F_KEY,
    F_FRAMES,
    F_BYTES,
    F_FIRST,
    F_FIRST_NS,
    F_LAST_NS,
    F_SRC,
    F_DST,
    F_ETYPE,
    F_VLAN,
    F_PROTO,
    F_SPORT,
    F_DPORT,
    F_CAST,
    F_DISCOVERY,
    F_VERSION,
    F_SRC_IP,  # four 32-bit words
    F_DST_IP,  # four 32-bit words
) = (*range(17), 20)
F_BIN = 24  # the open 100 ms bin, and its count
F_BIN_COUNT = 25
F_BINS = 26  # closed bins with frames in them but for the first, their counts' sum, sum of squares
F_BIN_SUM = 27
F_BIN_SQUARES = 28
F_SECOND = 29
F_SECOND_COUNT = 30
F_SECOND_MOST = 31
F_SECOND_MOST_AT = 32
F_DIGEST = 33
F_CHANGES = 34  # how often the content was another than the frame's before
F_DISTINCT = 35  # contents not seen within the last 20 ms
F_REPEATED = 36  # contents seen REPEATS times in quick succession
F_SEQUENCE = 37  # last RTP sequence number, and how often it went on by one (RFC 3550)
F_SEQUENCE_STEPS = 38
F_DSCP = 39  # marks of the first frame (-1: none), and frames that are marked otherwise
F_PCP = 40
F_OTHER_MARKS = 41
F_SHORTEST = 42  # bytes without FCS
F_LONGEST = 43
F_RUNTS = 44
F_GIANTS = 45
F_PAUSE_MOST = 46  # of pause frames: the longest stop asked for, and all of them, in quanta
F_PAUSE_SUM = 47
# Of contents that repeat: all copies, the most of one content, its first frame and times; the first to come for the
# eighth time; and from when to when any did.
F_COPIES = 48
F_MOST = 49
F_MOST_FIRST = 50
F_MOST_FIRST_NS = 51
F_MOST_LAST_NS = 52
F_EIGHTH = 53
F_EIGHTH_NS = 54
F_REPEAT_FIRST_NS = 55
F_REPEAT_LAST_NS = 56
F_CUT = 57  # frames that the snap length cut
F_HELD = 58  # empty bins just before the open one
F_CLOSED = 59  # frames in the bin that was closed last
F_EARLY = 60  # frames that may have been held up before the pace was known, and over how many bins
F_EARLY_BINS = 61
FLOW_COLUMNS = 62
PACE_BINS = 5  # that tell the pace. Common practice.
BUNCH = 8  # frames in a bin that may be those of the empty bins before it. Common practice.
LONGEST_FRAME = 1514  # without FCS and tags, IEEE 802.3
PAUSE = 0x8808  # MAC control, opcode 1: IEEE 802.3 annex 31B

# A row for each sender.
(
    T_KEY,
    T_FRAMES,
    T_BYTES,
    T_BROADCAST,
    T_DISCOVERY,
    T_FIRST,
    T_FIRST_NS,
    T_LAST_NS,
    T_SECOND,
    T_SECOND_BROADCAST,
    T_MOST_BROADCAST,
    T_MOST_BROADCAST_AT,
    T_SECOND_DISCOVERY,
    T_MOST_DISCOVERY,
    T_MOST_DISCOVERY_AT,
    T_TO_ONE,  # unicast frames sent
    T_FROM_ONE,  # unicast frames addressed to it
    T_OUT,  # frames that the capturing computer sent under this address
) = range(18)
TALKER_COLUMNS = 18

# Table totals: slots used and frames that found no slot.
N_FLOWS, N_FLOW_OVERFLOW, N_TALKERS, N_TALKER_OVERFLOW = range(4)

PROBES = 32

# A row for each frame content seen lately.
C_DIGEST, C_LAST_NS, C_FIRST_NS, C_FIRST, C_COPIES, C_OUT, C_TOLD, C_PAIR = range(8)
COPY_COLUMNS = 8
COPY_GAP_NS = 20_000_000  # copies further apart are not of a loop but sent again. Common practice.
REPEATS = 8  # sent again in earnest: three announcements, doubled by a mirror, are six. Common practice.
REPEAT_GAP_NS = 5_000_000  # and at this mean distance or less. Common practice.

# Totals of copies.
(
    M_DISTINCT,  # contents not seen shortly before
    M_PAIRS,  # contents seen exactly twice, the second time within PAIR_GAP_NS
    M_COPIES,  # frames that are a copy
    M_RETURNED,  # own frames that came back
    M_RETURNED_FIRST,
    M_RETURNED_NS,
    M_CUT,  # frames too short to tell copies by
) = range(7)
COPY_TOTALS = 7
PAIR_GAP_NS = 1_000_000  # a mirror shows a frame twice within this; what a device sends twice is slower. Common practice.
SHORTEST_KNOWN = 90  # a frame cut shorter than this may differ in what was cut

# Rates: measures counted in bins.
R_BROADCAST, R_DISCOVERY, R_MULTICAST, R_UNICAST, R_BYTES, R_SENT_BYTES = range(6)
MEASURES = 6
# State of the open bins, then for each measure: count in the open bin, most in 100 ms and when, most in 1 s and when.
S_BIN, S_MS, S_MS_BYTES, S_MS_MOST, S_MS_MOST_AT, S_WIDTH, S_ROWS, S_LAST, S_GAP, S_GAP_AT = range(10)
# A port at S_MBPS that has to send all that came in: bytes that wait, since when, the most and when.
S_MBPS, S_QUEUE, S_QUEUE_NS, S_QUEUE_MOST, S_QUEUE_AT = range(10, 15)
S_OPEN = 15
S_MOST_BIN = S_OPEN + MEASURES
S_MOST_BIN_AT = S_MOST_BIN + MEASURES
S_MOST_SECOND = S_MOST_BIN_AT + MEASURES
S_MOST_SECOND_AT = S_MOST_SECOND + MEASURES
RATE_STATE = S_MOST_SECOND_AT + MEASURES
RING = 10  # 100 ms bins in a second
TIMELINE_ROWS = 1024
TIMELINE_COLUMNS = 2 * MEASURES  # sum in the row, and the most in any second that ends in it


@kernel()
def slot_of(table, key):
    """The row of `key` in a hash table (column 0, never 0), a free one for it, or -1 when there is no room near."""
    size = table.shape[0]
    at = key % size
    for _ in range(PROBES):
        if table[at, 0] == key or table[at, 0] == 0:
            return at
        at = at + 1
        if at == size:
            at = 0
    return -1


@kernel()
def add_bins(flows, at, frames, number):
    """`frames` spread over a number of bins."""
    each, more = frames // number, frames % number
    flows[at, F_BINS] += number
    flows[at, F_BIN_SUM] += frames
    flows[at, F_BIN_SQUARES] += more * (each + 1) * (each + 1) + (number - more) * each * each


@kernel()
def share_out(flows, at, frames, number):
    """Frames of the last of a `number` of bins and of the first, between which all are empty. Where together they keep the
    pace that the flow has otherwise they count as spread over all, else as one bin."""
    bins, pace = int(flows[at, F_BINS]), int(flows[at, F_BIN_SUM]) * number
    fits = bins >= PACE_BINS and pace <= 2 * frames * bins <= 4 * pace
    add_bins(flows, at, frames, number if fits else 1)


@kernel()
def close_flow_bin(flows, at):
    """Count the open bin. A sender that was held up sends at once what it owes: what is in the bin is then shared with
    the empty bins before it and with the one in which the pause began. One bunch waits until the pace is known."""
    frames, before = int(flows[at, F_BIN_COUNT]), int(flows[at, F_CLOSED])
    flows[at, F_CLOSED] = 0
    if frames == 0 or flows[at, F_BIN] * BIN_NS <= flows[at, F_FIRST_NS]:
        return
    bins, held = int(flows[at, F_BINS]), int(flows[at, F_HELD])
    known = bins >= PACE_BINS
    more = frames * bins >= 2 * flows[at, F_BIN_SUM] if known else held > 0
    if frames >= BUNCH and more and before + held > 0 and (known or flows[at, F_EARLY] == 0):
        number = held + 1
        if before > 0:  # no longer on its own
            flows[at, F_BINS] -= 1
            flows[at, F_BIN_SUM] -= before
            flows[at, F_BIN_SQUARES] -= before * before
            number += 1
        if known:
            share_out(flows, at, before + frames, number)
        else:
            flows[at, F_EARLY] = before + frames
            flows[at, F_EARLY_BINS] = number
        return
    add_bins(flows, at, frames, 1)
    flows[at, F_CLOSED] = frames


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {TABLE}, {TABLE}, {ROW})")
def count(b, cols, rows, first, flows, talkers, totals):
    """Enter every frame under its flow and its sender; SLOT becomes the flow's row, or -1."""
    for i in range(rows):
        rel = int(cols[REL, i])
        nbytes = max(int(cols[WIRE, i]), SHORTEST) + WIRE_OVERHEAD
        cast = int(cols[CAST, i])
        src = int(cols[SRC, i])
        dst = int(cols[DST, i])
        second = rel // SECOND_NS

        at = slot_of(talkers, src + 1)
        if at < 0:
            totals[N_TALKER_OVERFLOW] += 1
        else:
            if talkers[at, T_KEY] == 0:
                totals[N_TALKERS] += 1
                talkers[at, T_KEY] = src + 1
                talkers[at, T_FIRST] = first + i
                talkers[at, T_FIRST_NS] = rel
                talkers[at, T_SECOND] = second
            talkers[at, T_FRAMES] += 1
            talkers[at, T_BYTES] += nbytes
            talkers[at, T_LAST_NS] = rel
            talkers[at, T_OUT] += cols[OUT, i]
            if talkers[at, T_SECOND] != second:
                talkers[at, T_SECOND] = second
                talkers[at, T_SECOND_BROADCAST] = 0
                talkers[at, T_SECOND_DISCOVERY] = 0
            if cast == BROADCAST:
                talkers[at, T_BROADCAST] += 1
                talkers[at, T_SECOND_BROADCAST] += 1
                if talkers[at, T_SECOND_BROADCAST] > talkers[at, T_MOST_BROADCAST]:
                    talkers[at, T_MOST_BROADCAST] = talkers[at, T_SECOND_BROADCAST]
                    talkers[at, T_MOST_BROADCAST_AT] = second
            elif cols[DISCOVERY, i] != 0:
                talkers[at, T_DISCOVERY] += 1
                talkers[at, T_SECOND_DISCOVERY] += 1
                if talkers[at, T_SECOND_DISCOVERY] > talkers[at, T_MOST_DISCOVERY]:
                    talkers[at, T_MOST_DISCOVERY] = talkers[at, T_SECOND_DISCOVERY]
                    talkers[at, T_MOST_DISCOVERY_AT] = second
            elif cast != MULTICAST and dst != 0:
                talkers[at, T_TO_ONE] += 1
                to = slot_of(talkers, dst + 1)
                if to >= 0 and talkers[to, T_KEY] != 0:
                    talkers[to, T_FROM_ONE] += 1

        key = int(cols[FLOW, i]) | 1
        at = slot_of(flows, key)
        cols[SLOT, i] = at
        if at < 0:
            totals[N_FLOW_OVERFLOW] += 1
            continue
        if flows[at, F_KEY] == 0:
            totals[N_FLOWS] += 1
            flows[at, F_KEY] = key
            flows[at, F_FIRST] = first + i
            flows[at, F_FIRST_NS] = rel
            flows[at, F_SRC] = src
            flows[at, F_DST] = dst
            flows[at, F_ETYPE] = cols[ETYPE, i]
            flows[at, F_VLAN] = cols[VLAN, i]
            flows[at, F_PROTO] = cols[PROTO, i]
            flows[at, F_SPORT] = cols[SPORT, i]
            flows[at, F_DPORT] = cols[DPORT, i]
            flows[at, F_CAST] = cast
            flows[at, F_DISCOVERY] = cols[DISCOVERY, i]
            flows[at, F_DSCP] = cols[DSCP, i]
            flows[at, F_PCP] = cols[PCP, i]
            flows[at, F_SHORTEST] = cols[WIRE, i]
            flows[at, F_BIN] = rel // BIN_NS
            flows[at, F_SECOND] = second
            p = int(cols[OFF, i]) + int(cols[L3, i])
            if cols[PROTO, i] >= 0:
                if cols[ETYPE, i] == 0x0800:
                    flows[at, F_VERSION] = 4
                    flows[at, F_SRC_IP] = be32(b, p + 12)
                    flows[at, F_DST_IP] = be32(b, p + 16)
                elif cols[ETYPE, i] == 0x86DD:
                    flows[at, F_VERSION] = 6
                    for word in range(4):
                        flows[at, F_SRC_IP + word] = be32(b, p + 8 + 4 * word)
                        flows[at, F_DST_IP + word] = be32(b, p + 24 + 4 * word)
        flows[at, F_FRAMES] += 1
        flows[at, F_BYTES] += nbytes
        flows[at, F_LAST_NS] = rel
        wire = int(cols[WIRE, i])
        if wire > cols[CAP, i]:
            flows[at, F_CUT] += 1
        flows[at, F_SHORTEST] = min(wire, int(flows[at, F_SHORTEST]))
        flows[at, F_LONGEST] = max(wire, int(flows[at, F_LONGEST]))
        if wire < SHORTEST:
            flows[at, F_RUNTS] += 1
        elif wire > LONGEST_FRAME + 4 * cols[TAGS, i]:
            flows[at, F_GIANTS] += 1
        if cols[DSCP, i] != flows[at, F_DSCP] or cols[PCP, i] != flows[at, F_PCP]:
            flows[at, F_OTHER_MARKS] += 1
        if cols[ETYPE, i] == PAUSE and cols[L3, i] + 4 <= cols[CAP, i]:
            p = int(cols[OFF, i]) + int(cols[L3, i])
            if be16(b, p) == 1:
                quanta = be16(b, p + 2)
                flows[at, F_PAUSE_MOST] = max(quanta, int(flows[at, F_PAUSE_MOST]))
                flows[at, F_PAUSE_SUM] += quanta
        if cols[DIGEST, i] != flows[at, F_DIGEST]:
            flows[at, F_DIGEST] = cols[DIGEST, i]
            flows[at, F_CHANGES] += 1
        payload = int(cols[PAYLOAD, i])
        if payload > 0 and payload + 12 <= cols[CAP, i]:
            p = int(cols[OFF, i]) + payload
            if u8(b, p) >> 6 == 2:
                sequence = be16(b, p + 2)
                if sequence == (flows[at, F_SEQUENCE] + 1) & 0xFFFF:
                    flows[at, F_SEQUENCE_STEPS] += 1
                flows[at, F_SEQUENCE] = sequence
        now = rel // BIN_NS
        if now > flows[at, F_BIN]:
            close_flow_bin(flows, at)
            flows[at, F_HELD] = now - int(flows[at, F_BIN]) - 1
            flows[at, F_BIN] = now
            flows[at, F_BIN_COUNT] = 0
        flows[at, F_BIN_COUNT] += 1
        if second != flows[at, F_SECOND]:
            flows[at, F_SECOND] = second
            flows[at, F_SECOND_COUNT] = 0
        flows[at, F_SECOND_COUNT] += 1
        if flows[at, F_SECOND_COUNT] > flows[at, F_SECOND_MOST]:
            flows[at, F_SECOND_MOST] = flows[at, F_SECOND_COUNT]
            flows[at, F_SECOND_MOST_AT] = second


@kernel(f"void({TABLE}, int64, int64, {TABLE}, {TABLE}, {ROW})")
def copies(cols, rows, first, seen, flows, totals):
    """Find frames that come again, byte for byte, within COPY_GAP_NS of their last copy; COPY becomes how many
    copies came before. `seen` is a table of contents: the staler of two neighbours gives way to a new one."""
    size = seen.shape[0]
    for i in range(rows):
        cols[COPY, i] = 0
        cap = int(cols[CAP, i])
        if cap < int(cols[WIRE, i]) and cap < SHORTEST_KNOWN:
            totals[M_CUT] += 1
            continue
        rel = int(cols[REL, i])
        word = int(cols[DIGEST, i]) | 1
        slot = int(cols[SLOT, i])
        base = (word >> 1) % (size - 1)
        at = base
        found = False
        for near in range(base, base + 2):
            if seen[near, C_DIGEST] == word:
                at = near
                found = True
                break
            if seen[near, C_LAST_NS] < seen[at, C_LAST_NS]:
                at = near
        if not found or rel - seen[at, C_LAST_NS] > COPY_GAP_NS:
            seen[at, C_DIGEST] = word
            seen[at, C_LAST_NS] = rel
            seen[at, C_FIRST_NS] = rel
            seen[at, C_FIRST] = first + i
            seen[at, C_COPIES] = 0
            seen[at, C_OUT] = cols[OUT, i]
            seen[at, C_TOLD] = 0
            seen[at, C_PAIR] = 0
            totals[M_DISTINCT] += 1
            if slot >= 0:
                flows[slot, F_DISTINCT] += 1
            continue
        n = int(seen[at, C_COPIES]) + 1
        near_pair = rel - seen[at, C_LAST_NS] <= PAIR_GAP_NS
        seen[at, C_COPIES] = n
        seen[at, C_LAST_NS] = max(rel, int(seen[at, C_LAST_NS]))
        cols[COPY, i] = n
        totals[M_COPIES] += 1
        if seen[at, C_OUT] == 1 and cols[OUT, i] == 0:
            if totals[M_RETURNED] == 0:
                totals[M_RETURNED_FIRST] = first + i
                totals[M_RETURNED_NS] = rel
            totals[M_RETURNED] += 1
        if n == 1 and near_pair:
            seen[at, C_PAIR] = 1
            totals[M_PAIRS] += 1
        elif n == 2 and seen[at, C_PAIR] == 1:
            totals[M_PAIRS] -= 1
        if slot < 0 or n + 1 < REPEATS or rel - seen[at, C_FIRST_NS] > n * REPEAT_GAP_NS:
            continue
        if seen[at, C_TOLD] == 0:
            seen[at, C_TOLD] = 1
            if flows[slot, F_REPEATED] == 0:
                flows[slot, F_EIGHTH] = first + i
                flows[slot, F_EIGHTH_NS] = rel
                flows[slot, F_REPEAT_FIRST_NS] = seen[at, C_FIRST_NS]
            flows[slot, F_REPEATED] += 1
            flows[slot, F_COPIES] += n
        else:
            flows[slot, F_COPIES] += 1
        flows[slot, F_REPEAT_LAST_NS] = rel
        if n > flows[slot, F_MOST]:
            flows[slot, F_MOST] = n
            flows[slot, F_MOST_FIRST] = seen[at, C_FIRST]
            flows[slot, F_MOST_FIRST_NS] = seen[at, C_FIRST_NS]
            flows[slot, F_MOST_LAST_NS] = rel


@kernel()
def close_bin(state, ring, timeline):
    """Close the open 100 ms bin: note the most in 100 ms and in the second that ends with it."""
    now = int(state[S_BIN])
    row = now // int(state[S_WIDTH])
    while row >= TIMELINE_ROWS:  # halve the timeline: two rows become one
        for r in range(TIMELINE_ROWS):
            for c in range(TIMELINE_COLUMNS):
                a = timeline[2 * r, c] if 2 * r < TIMELINE_ROWS else 0
                z = timeline[2 * r + 1, c] if 2 * r < TIMELINE_ROWS else 0
                timeline[r, c] = a + z if c < MEASURES else max(a, z)
        state[S_WIDTH] *= 2
        row = now // int(state[S_WIDTH])
    state[S_ROWS] = row + 1
    for m in range(MEASURES):
        got = int(state[S_OPEN + m])
        ring[m, now % RING] = got
        total = 0
        for r in range(RING):
            total += int(ring[m, r])
        if got > state[S_MOST_BIN + m]:
            state[S_MOST_BIN + m] = got
            state[S_MOST_BIN_AT + m] = now * BIN_NS
        if total > state[S_MOST_SECOND + m]:
            state[S_MOST_SECOND + m] = total
            state[S_MOST_SECOND_AT + m] = max(now - RING + 1, 0) * BIN_NS
        timeline[row, m] += got
        timeline[row, MEASURES + m] = max(int(timeline[row, MEASURES + m]), total)
        state[S_OPEN + m] = 0


@kernel(f"void({TABLE}, int64, {ROW}, {TABLE}, {TABLE})")
def rates(cols, rows, state, ring, timeline):
    """Count frames and bytes into bins of 1 ms (bytes) and 100 ms (all measures)."""
    for i in range(rows):
        rel = max(int(cols[REL, i]), 0)
        now = rel // BIN_NS
        open_bin = int(state[S_BIN])
        if now > open_bin:
            close_bin(state, ring, timeline)
            # Bins without a frame: the ring forgets them; after a second of quiet all of it.
            for quiet in range(open_bin + 1, min(now, open_bin + RING) + 1):
                for m in range(MEASURES):
                    ring[m, quiet % RING] = 0
            state[S_BIN] = now
        if rel - state[S_LAST] > state[S_GAP]:
            state[S_GAP] = rel - state[S_LAST]
            state[S_GAP_AT] = state[S_LAST]
        state[S_LAST] = rel
        nbytes = max(int(cols[WIRE, i]), SHORTEST) + WIRE_OVERHEAD
        if cols[OUT, i] == 0:
            ms = rel // MS_NS
            if ms > state[S_MS]:
                state[S_MS] = ms
                state[S_MS_BYTES] = 0
            state[S_MS_BYTES] += nbytes
            if state[S_MS_BYTES] > state[S_MS_MOST]:
                state[S_MS_MOST] = state[S_MS_BYTES]
                state[S_MS_MOST_AT] = state[S_MS] * MS_NS
            sent = max(rel - int(state[S_QUEUE_NS]), 0) * int(state[S_MBPS]) // 8000
            waiting = max(int(state[S_QUEUE]) - sent, 0)
            if waiting > state[S_QUEUE_MOST]:
                state[S_QUEUE_MOST] = waiting
                state[S_QUEUE_AT] = rel
            state[S_QUEUE] = waiting + nbytes
            state[S_QUEUE_NS] = max(rel, int(state[S_QUEUE_NS]))
            state[S_OPEN + R_BYTES] += nbytes
        else:
            state[S_OPEN + R_SENT_BYTES] += nbytes
        cast = int(cols[CAST, i])
        if cast == BROADCAST:
            state[S_OPEN + R_BROADCAST] += 1
        elif cols[DISCOVERY, i] != 0:
            state[S_OPEN + R_DISCOVERY] += 1
        elif cast == MULTICAST:
            state[S_OPEN + R_MULTICAST] += 1
        else:
            state[S_OPEN + R_UNICAST] += 1


@kernel(f"void({ROW}, {TABLE}, {TABLE})")
def close_rates(state, ring, timeline):
    """Close the last bin."""
    close_bin(state, ring, timeline)
