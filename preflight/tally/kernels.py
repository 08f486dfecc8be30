"""Kernels that look at every frame: who sends what (talkers and flows), which frames come again (copies), how
much passes when (rates).

Strategy: each keeps its state in int64 tables of fixed size, so that memory is the same for a second and for
a day. Tables are open-addressed hash tables; what does not fit is counted as overflow, never dropped in
silence. Feeding the same frames in other batches gives the same state. A burst window is counted in bins of
capture time that start with the first frame; frames a few microseconds late go into the bin that is open.
"""

from preflight.frames.compile import ROW, TABLE, Columns, kernel
from preflight.frames.kernels import (
    BROADCAST,
    CAP,
    CAST,
    COPY,
    DIGEST,
    DISCOVERY,
    DPORT,
    DSCP,
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
    SRC,
    TAGS,
    WIRE,
    be16,
    be32,
    fetch,
    slot_of,
    u8,
)

# Preamble, start delimiter, gap between frames (20 bytes) and FCS (4), which captures leave out. IEEE 802.3.
WIRE_OVERHEAD = 24
SHORTEST = 60  # without FCS; a shorter frame is padded on a real cable. IEEE 802.3

LONGEST_SENT = 66_000  # of frames that a computer joined, no adapter sends longer ones. Common practice.

BIN_NS = 100_000_000
SECOND_NS = 1_000_000_000
MS_NS = 1_000_000

# A row for each flow.
_flow = Columns()
F_KEY, F_FRAMES, F_BYTES, F_FIRST_FRAME, F_FIRST_NS, F_LAST_NS = _flow.take(6)
# Of the first frame, as in its columns from SRC to PCP. Marks are -1 where there are none.
F_SRC, F_DST, F_ETHERTYPE, F_VLAN, F_PROTOCOL, F_SOURCE_PORT, F_DESTINATION_PORT = _flow.take(7)
F_CAST, F_DISCOVERY, F_DSCP, F_PCP = _flow.take(4)
# Frames that are marked otherwise; how the first of them is marked, and how many are as that one.
F_IP_VERSION, F_OTHER_MARKS, F_SECOND_DSCP, F_SECOND_PCP, F_SECOND_MARKS = _flow.take(5)
F_SRC_IP, F_DST_IP = _flow.take(2, width=4)  # 32-bit words
F_HOPS_LEFT, F_BROKEN = _flow.take(
    2
)  # TTL or hop limit of its first frame, -1 without; whether all its headers and lengths were damaged
F_BIN, F_BIN_COUNT = _flow.take(2)  # the open 100 ms bin, and its count
# Closed bins with frames in them but for the first, their counts' sum, sum of squares.
F_BINS, F_BIN_SUM, F_BIN_SQUARES = _flow.take(3)
F_SECOND, F_SECOND_COUNT, F_MOST_IN_1S, F_MOST_IN_1S_AT_NS = _flow.take(4)
# How often the content was another than the frame's before; contents not seen within the last 20 ms.
F_DIGEST, F_CHANGES, F_DISTINCT = _flow.take(3)
# Last RTP sequence number; how often it went on by one (RFC 3550).
F_SEQUENCE, F_SEQUENCE_STEPS = _flow.take(2)
# Bytes without FCS; frames that the snap length cut.
F_SHORTEST, F_LONGEST, F_RUNTS, F_GIANTS, F_CUT = _flow.take(5)
# The longest stop that pause frames asked for, and all of them.
F_PAUSE_MOST_QUANTA, F_PAUSE_SUM_QUANTA = _flow.take(2)
# Contents seen REPEATS times in quick succession: how many, all copies, the most of one content, its first
# frame and times; the first to come for the eighth time; and from when to when any did.
F_REPEATS_CONTENTS, F_REPEATS_COPIES, F_REPEATS_MOST, F_REPEATS_MOST_FRAME = _flow.take(4)
F_REPEATS_MOST_FIRST_NS, F_REPEATS_MOST_LAST_NS, F_REPEATS_EIGHTH_FRAME, F_REPEATS_EIGHTH_NS = _flow.take(4)
F_REPEATS_FIRST_NS, F_REPEATS_LAST_NS = _flow.take(2)
# Empty bins just before the open one; frames in the bin that was closed last; frames that may have been held
# up before the pace was known, and over how many bins.
F_HELD, F_CLOSED, F_EARLY, F_EARLY_BINS = _flow.take(4)
FLOW_COLUMNS = _flow.size
PACE_BINS = 5  # that tell the pace. Common practice.
BUNCH = 8  # frames in a bin that may be those of the empty bins before it. Common practice.
LONGEST_FRAME = 1514  # without FCS and tags, IEEE 802.3
ARP = 0x0806
PAUSE = 0x8808  # MAC control, opcode 1: IEEE 802.3 annex 31B

# A row for each sender.
_talker = Columns()
T_KEY, T_FRAMES, T_BYTES, T_BROADCAST, T_FIRST_FRAME, T_FIRST_NS, T_LAST_NS = _talker.take(7)
T_SECOND, T_SECOND_BROADCAST, T_MOST_BROADCAST = _talker.take(3)
T_OWN = _talker.take(1)[0]  # frames that the capturing computer sent under this address
TALKER_COLUMNS = _talker.size

N_FLOW_OVERFLOW, N_TALKER_OVERFLOW = range(2)  # frames that found no row

# Rows of `taken`: of each table how many of its rows are in use, then which, in the order in which they were
# taken. Who looks for them in the table itself touches megabytes.
K_FLOWS, K_TALKERS, K_STREAMS, K_CLOCKS = TAKEN = range(4)

# A row for each frame content seen lately.
_content = Columns()
# The first of them; how many copies came, and what is known besides, as bits.
C_DIGEST, C_LAST_NS, C_FIRST, C_MORE = _content.take(4)
COPY_COLUMNS = _content.size
OUT_BIT, TOLD, PAIR, ONE_COPY = 1, 2, 4, 8
COPY_GAP_NS = 20_000_000  # copies further apart are not of a loop but sent again. Common practice.
AHEAD = 12  # so many frames before its turn a content is fetched into the processor's cache
REPEATS = 8  # sent again in earnest: three announcements, doubled by a mirror, are six. Common practice.
REPEAT_GAP_NS = 5_000_000  # and at this mean distance or less. Common practice.
# What asks and answers for the network (ARP, DHCP, discovery), and a packet of a stream that numbers each, is
# never sent again for long at such a pace, but a loop through slow bridges or Wi-Fi brings it back so late.
# Common practice.
SLOW_GAP_NS = 60_000_000
COUNTS = 50  # packets in order, from which on a flow is known to number each anew. Common practice.

# Of copies: contents not seen shortly before; contents seen exactly twice, the second time within
# PAIR_GAP_NS; frames that are a copy; frames too short to tell copies by; own frames that came back, and the
# first of them.
_copies = Columns()
M_DISTINCT, M_PAIRS, M_COPIES, M_CUT, M_RETURNED, M_RETURNED_FRAME, M_RETURNED_NS = _copies.take(7)
COPY_TOTALS = _copies.size
# a mirror shows a frame twice within this; what a device sends twice is slower. Common practice.
PAIR_GAP_NS = 1_000_000
SHORTEST_KNOWN = 90  # a frame cut shorter than this may differ in what was cut

# Rates: the measures; of each, counted in 100 ms bins: in the open one, in all, most in 100 ms and when, most
# in a second and when, and what the last ten bins held.
R_BROADCAST, R_DISCOVERY, R_MULTICAST, R_UNICAST, R_BYTES, R_SENT_BYTES = range(6)
MEASURES = 6
RING = 10  # 100 ms bins in a second
_peak = Columns()
A_OPEN, A_TOTAL, A_IN_100MS, A_IN_100MS_AT_NS, A_IN_1S, A_IN_1S_AT_NS = _peak.take(6)
(A_RING,) = _peak.take(1, width=RING)
PEAK_COLUMNS = _peak.size
# The open bins, the time line's width in bins and its rows.
_rates = Columns()
S_BIN, S_MS, S_MS_BYTES, S_BUSIEST_MS_BYTES, S_BUSIEST_MS_AT_NS, S_WIDTH, S_ROWS = _rates.take(7)
S_LAST_NS, S_LONGEST_GAP_NS, S_LONGEST_GAP_AT_NS = _rates.take(3)
# A port at S_LINK_MBPS that has to send all that came in: bytes that wait, since when, the most and when.
S_LINK_MBPS, S_WAITING, S_WAITING_NS, S_QUEUE_BYTES, S_QUEUE_AT_NS = _rates.take(5)
RATE_STATE = _rates.size
EMPTY_NS = 1_000 * SECOND_NS  # no queue lasts as long, and times that leap by years must not overflow
TIMELINE_ROWS = 1024
TIMELINE_COLUMNS = 2 * MEASURES  # sum in the row, and the most in any second that ends in it


@kernel()
def absurd(length, wire):
    """1 where a frame is longer than any that is sent, and the IP packet in it is not: a broken record. A
    length of 0 is left to the adapter by the sender, or more than the field can tell (RFC 2675)."""
    return 1 if wire > LONGEST_SENT and length > 0 else 0


@kernel()
def broken_ip4(b, p, n, cut):
    """1 where the checksum of an IPv4 header is wrong (RFC 791, RFC 1071); one of 0 is left to the adapter by
    the sender, and of a header that the capture `cut` nobody knows."""
    head = (u8(b, p) & 15) * 4
    if head < 20:
        return 1
    if head > n:
        return 0 if cut else 1
    if be16(b, p + 10) == 0:
        return 0
    total = 0
    for at in range(p, p + head, 2):
        total += be16(b, at)
    # Of at most 30 words a carry that comes of adding the carries never leads to the right sum.
    return 0 if (total & 0xFFFF) + (total >> 16) == 0xFFFF else 1


@kernel()
def broken_ip(b, p, n, version, wire, cut):
    """1 where the IP packet at p, of whose frame n bytes were kept from there on, is damaged or its record
    is; `cut`: there were more."""
    if version == 6:
        return absurd(be16(b, p + 4), wire)
    return max(broken_ip4(b, p, n, cut), absurd(be16(b, p + 2), wire))


@kernel()
def on_wire(wire, cap):
    """Bytes that a frame took of the cable. One of a length that no adapter sends is a broken record: what of
    it is there counts."""
    return max(wire if wire <= LONGEST_SENT else cap, SHORTEST) + WIRE_OVERHEAD


@kernel()
def add_bins(flows, at, frames, number):
    """`frames` spread over a number of bins."""
    each, more = frames // number, frames % number
    flows[at, F_BINS] += number
    flows[at, F_BIN_SUM] += frames
    flows[at, F_BIN_SQUARES] += more * (each + 1) * (each + 1) + (number - more) * each * each


@kernel()
def share_out(flows, at, frames, number):
    """Frames of the last of a `number` of bins and of the first, between which all are empty. Where together
    they keep the pace that the flow has otherwise they count as spread over all, else as one bin."""
    bins, pace = int(flows[at, F_BINS]), int(flows[at, F_BIN_SUM]) * number
    fits = bins >= PACE_BINS and pace <= 2 * frames * bins <= 4 * pace
    add_bins(flows, at, frames, number if fits else 1)


@kernel()
def close_flow_bin(flows, at):
    """Count the open bin. A sender that was held up sends at once what it owes: what is in the bin is then
    shared with the empty bins before it and with the one in which the pause began. One bunch waits until the
    pace is known."""
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


@kernel()
def take(taken, table, at):
    """Note that row `at` of a table is in use from now on."""
    count = int(taken[table, 0]) + 1
    taken[table, 0] = count
    taken[table, count] = at


@kernel()
def count(b, cols, rows, first, flows, talkers, totals, taken):
    """Enter every frame under its flow and its sender; SLOT becomes the flow's row, or -1."""
    for i in range(rows):
        rel = int(cols[REL, i])
        nbytes = on_wire(int(cols[WIRE, i]), int(cols[CAP, i]))
        cast = int(cols[CAST, i])
        src = int(cols[SRC, i])
        second = rel // SECOND_NS

        at = slot_of(talkers, src + 1)
        if at < 0:
            totals[N_TALKER_OVERFLOW] += 1
        else:
            if talkers[at, T_KEY] == 0:
                take(taken, K_TALKERS, at)
                talkers[at, T_KEY] = src + 1
                talkers[at, T_FIRST_FRAME] = first + i
                talkers[at, T_FIRST_NS] = rel
                talkers[at, T_SECOND] = second
            talkers[at, T_FRAMES] += 1
            talkers[at, T_BYTES] += nbytes
            talkers[at, T_LAST_NS] = rel
            talkers[at, T_OWN] += cols[OUT, i]
            if talkers[at, T_SECOND] != second:
                talkers[at, T_SECOND] = second
                talkers[at, T_SECOND_BROADCAST] = 0
            if cast == BROADCAST:
                talkers[at, T_BROADCAST] += 1
                talkers[at, T_SECOND_BROADCAST] += 1
                talkers[at, T_MOST_BROADCAST] = max(
                    int(talkers[at, T_MOST_BROADCAST]), int(talkers[at, T_SECOND_BROADCAST])
                )

        key = int(cols[FLOW, i]) | 1
        at = slot_of(flows, key)
        cols[SLOT, i] = at
        if at < 0:
            totals[N_FLOW_OVERFLOW] += 1
            continue
        if flows[at, F_KEY] == 0:
            take(taken, K_FLOWS, at)
            flows[at, F_KEY] = key
            flows[at, F_FIRST_FRAME] = first + i
            flows[at, F_FIRST_NS] = rel
            for n in range(PCP + 1 - SRC):
                flows[at, F_SRC + n] = cols[SRC + n, i]
            flows[at, F_SHORTEST] = cols[WIRE, i]
            flows[at, F_HOPS_LEFT] = -1
            flows[at, F_BIN] = rel // BIN_NS
            flows[at, F_SECOND] = second
            p = int(cols[OFF, i]) + int(cols[L3, i])
            if cols[PROTO, i] >= 0:
                if cols[ETYPE, i] == 0x0800:
                    flows[at, F_IP_VERSION] = 4
                    flows[at, F_HOPS_LEFT] = u8(b, p + 8)
                    flows[at, F_BROKEN] = 1
                    flows[at, F_SRC_IP] = be32(b, p + 12)
                    flows[at, F_DST_IP] = be32(b, p + 16)
                elif cols[ETYPE, i] == 0x86DD:
                    flows[at, F_IP_VERSION] = 6
                    flows[at, F_BROKEN] = 1
                    flows[at, F_HOPS_LEFT] = u8(b, p + 7)
                    for word in range(4):
                        flows[at, F_SRC_IP + word] = be32(b, p + 8 + 4 * word)
                        flows[at, F_DST_IP + word] = be32(b, p + 24 + 4 * word)
        if flows[at, F_BROKEN] == 1:  # until one is whole
            p, kept = int(cols[OFF, i]) + int(cols[L3, i]), int(cols[CAP, i]) - int(cols[L3, i])
            wire = int(cols[WIRE, i])
            cut = wire > cols[CAP, i]
            flows[at, F_BROKEN] = broken_ip(b, p, kept, int(flows[at, F_IP_VERSION]), wire, cut)
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
            if flows[at, F_OTHER_MARKS] == 0:
                flows[at, F_SECOND_DSCP] = cols[DSCP, i]
                flows[at, F_SECOND_PCP] = cols[PCP, i]
            flows[at, F_OTHER_MARKS] += 1
            if cols[DSCP, i] == flows[at, F_SECOND_DSCP] and cols[PCP, i] == flows[at, F_SECOND_PCP]:
                flows[at, F_SECOND_MARKS] += 1
        if cols[ETYPE, i] == PAUSE and cols[L3, i] + 4 <= cols[CAP, i]:
            p = int(cols[OFF, i]) + int(cols[L3, i])
            if be16(b, p) == 1:
                quanta = be16(b, p + 2)
                flows[at, F_PAUSE_MOST_QUANTA] = max(quanta, int(flows[at, F_PAUSE_MOST_QUANTA]))
                flows[at, F_PAUSE_SUM_QUANTA] += quanta
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
        if flows[at, F_SECOND_COUNT] > flows[at, F_MOST_IN_1S]:
            flows[at, F_MOST_IN_1S] = flows[at, F_SECOND_COUNT]
            flows[at, F_MOST_IN_1S_AT_NS] = second * SECOND_NS


@kernel()
def copies(cols, rows, first, seen, began, flows, totals):
    """Find frames that come again, byte for byte, within COPY_GAP_NS of their last copy (SLOW_GAP_NS where
    that tells a loop); COPY becomes how many copies came before. `seen` is a table of contents: the staler of
    two neighbours gives way to a new one. `began` has the time of the first of those that did come again:
    most do not, and the less is written of each, the more of the table stays in the cache."""
    size = seen.shape[0]
    for i in range(rows):
        if i + AHEAD < rows:
            base = int(cols[DIGEST, i + AHEAD]) & (size - 2)
            fetch(seen, base)
            fetch(seen, base + 1)
        cols[COPY, i] = 0
        cap = int(cols[CAP, i])
        if cap < int(cols[WIRE, i]) and cap < SHORTEST_KNOWN:
            totals[M_CUT] += 1
            continue
        rel = int(cols[REL, i])
        word = int(cols[DIGEST, i]) | 1
        slot = int(cols[SLOT, i])
        dport = int(cols[DPORT, i])
        at = word & (size - 2)
        if seen[at, C_DIGEST] != word:
            at += 1 if seen[at + 1, C_DIGEST] == word or seen[at + 1, C_LAST_NS] < seen[at, C_LAST_NS] else 0
        last = int(seen[at, C_LAST_NS])
        fresh = (
            cols[DISCOVERY, i] != 0
            or cols[ETYPE, i] == ARP
            or (cols[PROTO, i] == 17 and dport in (67, 68))
            or (slot >= 0 and flows[slot, F_SEQUENCE_STEPS] >= COUNTS)
        )
        if seen[at, C_DIGEST] != word or rel - last > (SLOW_GAP_NS if fresh else COPY_GAP_NS):
            seen[at, C_DIGEST] = word
            seen[at, C_LAST_NS] = rel
            seen[at, C_FIRST] = first + i
            seen[at, C_MORE] = cols[OUT, i]
            totals[M_DISTINCT] += 1
            if slot >= 0:
                flows[slot, F_DISTINCT] += 1
            continue
        more = int(seen[at, C_MORE]) + ONE_COPY
        n = more // ONE_COPY
        if n == 1:
            began[at] = last
            if rel - last <= PAIR_GAP_NS:
                more |= PAIR
                totals[M_PAIRS] += 1
        elif n == 2 and more & PAIR != 0:
            totals[M_PAIRS] -= 1
        seen[at, C_MORE] = more
        seen[at, C_LAST_NS] = max(rel, last)
        cols[COPY, i] = n
        totals[M_COPIES] += 1
        if more & OUT_BIT != 0 and cols[OUT, i] == 0:
            if totals[M_RETURNED] == 0:
                totals[M_RETURNED_FRAME] = first + i
                totals[M_RETURNED_NS] = rel
            totals[M_RETURNED] += 1
        if slot < 0 or n + 1 < REPEATS or rel - began[at] > n * (SLOW_GAP_NS if fresh else REPEAT_GAP_NS):
            continue
        if more & TOLD == 0:
            seen[at, C_MORE] = more | TOLD
            if flows[slot, F_REPEATS_CONTENTS] == 0:
                flows[slot, F_REPEATS_EIGHTH_FRAME] = first + i
                flows[slot, F_REPEATS_EIGHTH_NS] = rel
                flows[slot, F_REPEATS_FIRST_NS] = began[at]
            flows[slot, F_REPEATS_CONTENTS] += 1
            flows[slot, F_REPEATS_COPIES] += n
        else:
            flows[slot, F_REPEATS_COPIES] += 1
        flows[slot, F_REPEATS_LAST_NS] = rel
        if n + 1 > flows[slot, F_REPEATS_MOST]:
            flows[slot, F_REPEATS_MOST] = n + 1
            flows[slot, F_REPEATS_MOST_FRAME] = seen[at, C_FIRST]
            flows[slot, F_REPEATS_MOST_FIRST_NS] = began[at]
            flows[slot, F_REPEATS_MOST_LAST_NS] = rel


@kernel()
def close_bin(state, peaks, timeline):
    """Close the open 100 ms bin: note the most in 100 ms and in the second that ends with it."""
    now = int(state[S_BIN])
    row = now // int(state[S_WIDTH])
    used = int(state[S_ROWS])
    while row >= TIMELINE_ROWS:  # halve the timeline: two rows become one
        for r in range(used):
            for c in range(TIMELINE_COLUMNS):
                a = timeline[2 * r, c] if 2 * r < TIMELINE_ROWS else 0
                z = timeline[2 * r + 1, c] if 2 * r < TIMELINE_ROWS else 0
                timeline[r, c] = a + z if c < MEASURES else max(a, z)
        used = (used + 1) // 2
        state[S_WIDTH] *= 2
        row = now // int(state[S_WIDTH])
    state[S_ROWS] = row + 1
    for m in range(MEASURES):
        got = int(peaks[m, A_OPEN])
        peaks[m, A_OPEN] = 0
        peaks[m, A_TOTAL] += got
        peaks[m, A_RING + now % RING] = got
        second = 0
        for r in range(RING):
            second += int(peaks[m, A_RING + r])
        if got > peaks[m, A_IN_100MS]:
            peaks[m, A_IN_100MS] = got
            peaks[m, A_IN_100MS_AT_NS] = now * BIN_NS
        if second > peaks[m, A_IN_1S]:
            peaks[m, A_IN_1S] = second
            peaks[m, A_IN_1S_AT_NS] = max(now - RING + 1, 0) * BIN_NS
        timeline[row, m] += got
        timeline[row, MEASURES + m] = max(int(timeline[row, MEASURES + m]), second)


@kernel(f"void({TABLE}, int64, {ROW}, {TABLE}, {TABLE})")
def rates(cols, rows, state, peaks, timeline):
    """Count frames and bytes into bins of 1 ms (bytes) and 100 ms (all measures)."""
    for i in range(rows):
        rel = max(int(cols[REL, i]), 0)
        now = rel // BIN_NS
        open_bin = int(state[S_BIN])
        if now > open_bin:
            close_bin(state, peaks, timeline)
            # Bins without a frame: the ring forgets them; after a second of quiet all of it.
            for quiet in range(open_bin + 1, min(now, open_bin + RING) + 1):
                for m in range(MEASURES):
                    peaks[m, A_RING + quiet % RING] = 0
            state[S_BIN] = now
        if rel - state[S_LAST_NS] > state[S_LONGEST_GAP_NS]:
            state[S_LONGEST_GAP_NS] = rel - state[S_LAST_NS]
            state[S_LONGEST_GAP_AT_NS] = state[S_LAST_NS]
        state[S_LAST_NS] = rel
        nbytes = on_wire(int(cols[WIRE, i]), int(cols[CAP, i]))
        if cols[OUT, i] == 0:
            ms = rel // MS_NS
            if ms > state[S_MS]:
                state[S_MS] = ms
                state[S_MS_BYTES] = 0
            state[S_MS_BYTES] += nbytes
            if state[S_MS_BYTES] > state[S_BUSIEST_MS_BYTES]:
                state[S_BUSIEST_MS_BYTES] = state[S_MS_BYTES]
                state[S_BUSIEST_MS_AT_NS] = state[S_MS] * MS_NS
            passed = min(max(rel - int(state[S_WAITING_NS]), 0), EMPTY_NS)
            sent = passed * int(state[S_LINK_MBPS]) // 8000
            waiting = max(int(state[S_WAITING]) - sent, 0)
            if waiting > state[S_QUEUE_BYTES]:
                state[S_QUEUE_BYTES] = waiting
                state[S_QUEUE_AT_NS] = rel
            state[S_WAITING] = waiting + nbytes
            state[S_WAITING_NS] = max(rel, int(state[S_WAITING_NS]))
            peaks[R_BYTES, A_OPEN] += nbytes
        else:
            peaks[R_SENT_BYTES, A_OPEN] += nbytes
        cast = int(cols[CAST, i])
        if cast == BROADCAST:
            peaks[R_BROADCAST, A_OPEN] += 1
        elif cols[DISCOVERY, i] != 0:
            peaks[R_DISCOVERY, A_OPEN] += 1
        elif cast == MULTICAST:
            peaks[R_MULTICAST, A_OPEN] += 1
        else:
            peaks[R_UNICAST, A_OPEN] += 1
