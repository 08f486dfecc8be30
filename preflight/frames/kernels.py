"""Kernels that turn bytes into columns: one walker per container, one classifier for all.

Strategy: a walker finds the records in a block and fills the first columns (time, lengths, where the frame
lies); the classifier reads each frame's headers once and fills the rest. Every access is guarded by the
captured length; a field that is not there stays at its default. All numbers are int64, so that plain Python
and compiled code agree to the bit; hashes are kept to 62 bits for the same reason.

Sources: pcap and pcapng as in the IETF drafts draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng; cooked
captures as LINKTYPE_LINUX_SLL and LINKTYPE_LINUX_SLL2 of the link-type registry; IEEE 802.3, 802.1Q, 802.2;
RFC 791, 8200, 768.
"""

from preflight.frames.compile import BYTES, INTRINSIC, ROW, TABLE, Columns, kernel

# Columns of a batch, in the order in which they are filled: by a walker, by `classify`, by `steady`, by the
# tally.
_batch = Columns()
TIME, WIRE, CAP, OFF, LINK, OUT = _batch.take(6)
STRIPPED = _batch.take(1)[
    0
]  # tag control information + 1 of a VLAN tag that the capturing system took off, or 0
SRC, DST, ETYPE, VLAN, PROTO, SPORT, DPORT, CAST, DISCOVERY = _batch.take(9)
DSCP, PCP = _batch.take(2)  # priority marks: of IP, of the first VLAN tag; -1 without
L3, TAGS, FLOW, DIGEST, KIND, PAYLOAD = _batch.take(6)
REL, SLOT, COPY = _batch.take(3)
INTERFACE = _batch.take(1)[0]  # of a pcapng section, counted from 0
COLUMNS = _batch.size

UNICAST, MULTICAST, BROADCAST = 0, 1, 2

# Link types that are read, by their registry numbers.
ETHERNET, SLL, SLL2 = 1, 113, 276

# Control frames worth dissecting.
K_NONE, K_DHCP4, K_DHCP6, K_MDNS, K_SSDP, K_LLDP, K_CDP, K_XID = range(8)
K_PREAUTH, K_FAST_TRANSITION, K_ARP, K_IGMP, K_ICMP4, K_ICMP6, K_STP, K_SAP = range(8, 16)
KINDS = 32  # room in the tables of totals

# What `steady` carries along: whether a frame has come, its time, what was taken out of the times, the last
# REL, steps back and the longest, the last time; of what was taken out what may be put back, the front to go
# on from, steps in that, its last REL. And it counts: bytes captured, frames that the snap length cut, frames
# without a header that could be read.
_clock = Columns()
Q_STARTED, Q_FIRST_NS, Q_TAKEN_NS, Q_REL_NS, Q_STEPS, Q_LONGEST_STEP_NS, Q_LAST_NS = _clock.take(7)
Q_MAY_NS, Q_FRONT_NS, Q_MAY_STEPS, Q_MAY_REL_NS = _clock.take(4)
Q_BYTES, Q_CUT, Q_UNREADABLE = _clock.take(3)
CLOCK_STATE = _clock.size

# What a walker reports in `state`.
W_POS, W_ROWS, W_STOP, W_BAD, W_TIME = 0, 1, 2, 3, 4
W_EMPTY = W_BAD  # of a pcap, which has no blocks that could disagree: records of no bytes
STOP_MORE, STOP_FULL, STOP_ABSURD, STOP_BLOCK = 0, 1, 2, 3

MAX_CAPTURED = 262144  # largest snap length in use (libpcap's MAXIMUM_SNAPLEN)
MAX_NS = 9_000_000_000_000_000_000  # nanoseconds since 1970 in int64 end in 2262
MASK62 = 0x3FFFFFFFFFFFFFFF
SALT1, SALT2 = 0x2D358DCCAA6C78A5, 0x4BB962F2A5E7A7C1  # odd numbers without a pattern, below 2^63
BROADCAST_MAC = 0xFFFFFFFFFFFF
BROADCAST_IP = 0xFFFFFFFF

PROBES = 32  # rows of a hash table that are looked at for a key

# Columns of the pcapng interface table.
I_LINK, I_SNAP, I_MUL, I_DIV, I_SHIFT, I_OFFSET = 0, 1, 2, 3, 4, 5
INTERFACE_COLUMNS = 6


@kernel(INTRINSIC)
def u8(b, p):
    return b[p]


@kernel(INTRINSIC)
def be16(b, p):
    return (b[p] << 8) | b[p + 1]


@kernel(INTRINSIC)
def be32(b, p):
    return int.from_bytes(b[p : p + 4], "big")


@kernel(INTRINSIC)
def be64(b, p):
    return int.from_bytes(b[p : p + 8], "big")


@kernel(INTRINSIC)
def le16(b, p):
    return b[p] | (b[p + 1] << 8)


@kernel(INTRINSIC)
def le32(b, p):
    return int.from_bytes(b[p : p + 4], "little")


@kernel(INTRINSIC)
def le64(b, p):
    return int.from_bytes(b[p : p + 8], "little")


@kernel(INTRINSIC)
def put32(out, p, value):
    """The low 32 bits of a number, little-endian."""
    out[p : p + 4] = (value & 0xFFFFFFFF).to_bytes(4, "little")


@kernel(INTRINSIC)
def put64(out, p, value):
    out[p : p + 8] = (value & 0xFFFFFFFFFFFFFFFF).to_bytes(8, "little")


@kernel()
def move(b, p, out, to, n):
    """Copy n bytes. No slices: compiled, they call into Numba's runtime, which is not there."""
    words = n & ~7
    for at in range(0, words, 8):
        put64(out, to + at, le64(b, p + at))
    for at in range(words, n):
        out[to + at] = u8(b, p + at)


@kernel(INTRINSIC)
def folded_multiply(a, b):
    """Both halves of the product of two 64-bit patterns, one upon the other. Such a pattern is unsigned here
    and int64 in compiled code: only pass it on to `folded_multiply`, `^` and a mask."""
    product = a * b
    return (product & 0xFFFFFFFFFFFFFFFF) ^ (product >> 64)


@kernel(INTRINSIC)
def fetch(table, row):
    """Have the processor fetch a row of a table into its cache, for it will be looked at soon."""


@kernel()
def u16(b, p, big):
    return be16(b, p) if big else le16(b, p)


@kernel()
def u32(b, p, big):
    return be32(b, p) if big else le32(b, p)


@kernel()
def mac(b, p):
    """A hardware address; reads two bytes beyond it, which every link header has."""
    return (be64(b, p) >> 16) & BROADCAST_MAC


@kernel()
def mix(h, word):
    """Mix a word of up to 62 bits into a hash of 62 bits."""
    return folded_multiply(h ^ SALT1, word ^ SALT2) & MASK62


@kernel()
def slot_of(table, key):
    """The row of `key` in a hash table (column 0, never 0) of 2^n rows, a free one for it, or -1 when there
    is no room near. A key may be a number as it stands: hardware addresses that differ in their maker's part
    alone would else crowd around one row."""
    size = table.shape[0]
    at = mix(0, key) & (size - 1)
    for _ in range(PROBES):
        if table[at, 0] == key or table[at, 0] == 0:
            return at
        at = at + 1
        if at == size:
            at = 0
    return -1


@kernel()
def digest(b, p, n):
    """A 62-bit digest of all n bytes from p on, in lanes that do not wait for one another: two of them, four
    where it is worth it."""
    end = p + n
    h0 = n + 1
    h1 = SALT1
    if n < 16:
        while p < end:
            h0 = folded_multiply(h0 ^ SALT1, u8(b, p) ^ SALT2)
            p += 1
    else:
        if n >= 128:
            h2 = SALT2
            h3 = n
            while p + 64 <= end:
                h0 = folded_multiply(le64(b, p) ^ SALT1, le64(b, p + 8) ^ h0)
                h1 = folded_multiply(le64(b, p + 16) ^ SALT2, le64(b, p + 24) ^ h1)
                h2 = folded_multiply(le64(b, p + 32) ^ SALT1, le64(b, p + 40) ^ h2)
                h3 = folded_multiply(le64(b, p + 48) ^ SALT2, le64(b, p + 56) ^ h3)
                p += 64
            h0 = folded_multiply(h0 ^ SALT1, h2 ^ SALT2)
            h1 = folded_multiply(h1 ^ SALT2, h3 ^ SALT1)
        while p + 32 <= end:
            h0 = folded_multiply(le64(b, p) ^ SALT1, le64(b, p + 8) ^ h0)
            h1 = folded_multiply(le64(b, p + 16) ^ SALT2, le64(b, p + 24) ^ h1)
            p += 32
        if p + 16 <= end:
            h0 = folded_multiply(le64(b, p) ^ SALT1, le64(b, p + 8) ^ h0)
        h1 = folded_multiply(le64(b, end - 16) ^ SALT2, le64(b, end - 8) ^ h1)
    return folded_multiply(h0 ^ SALT1, h1 ^ SALT2) & MASK62


@kernel()
def enter(cols, row, time, wire, cap, off, link, out):
    """Fill the first columns of a frame."""
    cols[TIME, row] = time
    cols[WIRE, row] = wire
    cols[CAP, row] = cap
    cols[OFF, row] = off
    cols[LINK, row] = link
    cols[OUT, row] = out
    cols[STRIPPED, row] = 0
    cols[INTERFACE, row] = 0


@kernel(f"void({BYTES}, int64, int64, boolean, int64, int64, {TABLE}, {ROW})")
def walk_pcap(b, pos, end, big, fraction_ns, link, cols, state):
    """Walk pcap records in b[pos:end]. `fraction_ns` is 1000 for micro-, 1 for nanosecond files. Fills cols
    and leaves state[W_POS] at the first byte not consumed."""
    row = 0
    empty = 0
    room = cols.shape[1]
    stop = STOP_MORE
    while pos + 16 <= end:
        if row == room:
            stop = STOP_FULL
            break
        cap = u32(b, pos + 8, big)
        if cap > MAX_CAPTURED:
            stop = STOP_ABSURD
            break
        if pos + 16 + cap > end:
            break
        time = u32(b, pos, big) * 1000000000 + u32(b, pos + 4, big) * fraction_ns
        enter(cols, row, time, u32(b, pos + 12, big), cap, pos + 16, link, 0)
        if cap == 0:
            empty += 1
        row += 1
        pos += 16 + cap
    state[W_POS] = pos
    state[W_ROWS] = row
    state[W_STOP] = stop
    state[W_EMPTY] = empty


@kernel(f"void({BYTES}, int64, int64, boolean, {TABLE}, int64, {TABLE}, {ROW})")
def walk_pcapng(b, pos, end, big, interfaces, known, cols, state):
    """Walk enhanced and simple packet blocks in b[pos:end] until another block, which Python reads.

    `interfaces` has one row for each of the `known` interface descriptions of this section. Timestamps are
    ticks of if_tsresol: ticks * mul / div, or binary fractions when shift > 0. state[W_BAD] counts blocks
    whose own lengths disagree, or whose time is out of all range: they are counted and passed over.
    state[W_TIME] is the time of the frame before, which a simple packet block, that has none of its own,
    takes over."""
    row = int(state[W_ROWS])
    bad = int(state[W_BAD])
    last = int(state[W_TIME])
    room = cols.shape[1]
    stop = STOP_MORE
    while pos + 12 <= end:
        kind = u32(b, pos, big)
        total = u32(b, pos + 4, big)
        if kind != 6 and kind != 3:
            stop = STOP_BLOCK
            break
        if total < 16 or total > 1048576 or total % 4 != 0:
            stop = STOP_ABSURD
            break
        if pos + total > end:
            break
        if row == room:
            stop = STOP_FULL
            break
        if kind == 6:
            which = u32(b, pos + 8, big) if total >= 32 else -1
            cap = u32(b, pos + 20, big) if total >= 32 else 0
            if which < 0 or which >= known or cap > total - 32 or cap > MAX_CAPTURED:
                bad += 1
            else:
                ticks_hi = u32(b, pos + 12, big)
                ticks_lo = u32(b, pos + 16, big)
                shift = int(interfaces[which, I_SHIFT])
                time = -1
                if ticks_hi < 0x80000000:
                    ticks = (ticks_hi << 32) | ticks_lo
                    if shift > 0:
                        seconds = ticks >> shift
                        part = ticks & ((1 << shift) - 1)
                        if shift > 33:
                            part = (part >> (shift - 33)) * 1000000000 >> 33
                        else:
                            part = part * 1000000000 >> shift
                        if seconds < MAX_NS // 1000000000:
                            time = seconds * 1000000000 + part
                    else:
                        mul = int(interfaces[which, I_MUL])
                        if ticks <= MAX_NS // mul:
                            time = ticks * mul // int(interfaces[which, I_DIV])
                offset = int(interfaces[which, I_OFFSET])
                if time < max(0, -offset) or time > MAX_NS - max(0, offset):
                    bad += 1
                    pos += total
                    continue
                last = time + offset
                # Direction: epb_flags, the low two bits; it is the first option in what common tools write.
                out = 0
                at = pos + 28 + ((cap + 3) & ~3)
                while at + 4 <= pos + total - 4:
                    code = u16(b, at, big)
                    size = u16(b, at + 2, big)
                    if code == 0:
                        break
                    if code == 2 and size == 4 and at + 8 <= pos + total - 4:
                        out = 1 if u32(b, at + 4, big) & 3 == 2 else 0
                        break
                    at += 4 + ((size + 3) & ~3)
                link = int(interfaces[which, I_LINK])
                enter(cols, row, last, u32(b, pos + 24, big), cap, pos + 28, link, out)
                cols[INTERFACE, row] = which
                row += 1
        else:
            if known < 1:
                bad += 1
            else:
                wire = u32(b, pos + 8, big)
                cap = min(wire, total - 16)
                snap = int(interfaces[0, I_SNAP])
                if 0 < snap < cap:
                    cap = snap
                enter(cols, row, last, wire, cap, pos + 12, int(interfaces[0, I_LINK]), 0)
                row += 1
        pos += total
    state[W_POS] = pos
    state[W_ROWS] = row
    state[W_STOP] = stop
    state[W_BAD] = bad
    state[W_TIME] = last


# Linux's packet ring, TPACKET_V3 (kernel documentation, networking/packet_mmap; struct tpacket3_hdr): offsets
# in a block and in a packet's header, which sockaddr_ll follows.
RING_PACKETS, RING_FIRST = 12, 16
HDR_NEXT, HDR_SEC, HDR_NSEC, HDR_SNAP, HDR_LEN, HDR_STATUS, HDR_MAC = 0, 4, 8, 12, 16, 20, 24
HDR_TCI, HDR_PKTTYPE = 32, 58
VLAN_VALID = 1 << 4
PACKET_OUTGOING = 4


@kernel(f"void({BYTES}, int64, int64, boolean, {TABLE}, {ROW})")
def walk_ring(b, base, size, big, cols, state):
    """Walk one block of a packet ring, b[base:base+size], in the host's byte order.

    state[W_POS] is the next packet's offset (0: begin), state[W_BAD] the packets still to come. STOP_FULL
    asks to be called again with the same block."""
    pos = int(state[W_POS])
    left = int(state[W_BAD])
    if pos == 0:
        pos = base + u32(b, base + RING_FIRST, big)
        left = u32(b, base + RING_PACKETS, big)
    row = 0
    room = cols.shape[1]
    stop = STOP_MORE
    while left > 0 and pos + 64 <= base + size:
        if row == room:
            stop = STOP_FULL
            break
        status = u32(b, pos + HDR_STATUS, big)
        tagged = status & VLAN_VALID != 0
        start = pos + u16(b, pos + HDR_MAC, big)
        time = u32(b, pos + HDR_SEC, big) * 1000000000 + u32(b, pos + HDR_NSEC, big)
        wire = u32(b, pos + HDR_LEN, big) + (4 if tagged else 0)
        cap = max(0, min(u32(b, pos + HDR_SNAP, big), base + size - start))
        out = 1 if u8(b, pos + HDR_PKTTYPE) == PACKET_OUTGOING else 0
        enter(cols, row, time, wire, cap, start, ETHERNET, out)
        cols[STRIPPED, row] = (u32(b, pos + HDR_TCI, big) & 0xFFFF) + 1 if tagged else 0
        row += 1
        left -= 1
        step = u32(b, pos + HDR_NEXT, big)
        if step == 0:
            left = 0
        pos += step
    state[W_POS] = pos
    state[W_ROWS] = row
    state[W_STOP] = stop
    state[W_BAD] = left


@kernel(f"int64({BYTES}, {TABLE}, int64, {BYTES})")
def to_pcapng(b, cols, rows, out):
    """Write frames into `out` as enhanced packet blocks of interface 0, little-endian, in nanoseconds, each
    with its direction (epb_flags). A VLAN tag that the capturing system took off is put back. Returns the
    bytes written."""
    p = 0
    for i in range(rows):
        off = int(cols[OFF, i])
        cap = int(cols[CAP, i])
        tag = int(cols[STRIPPED, i]) - 1
        if cap < 12:
            tag = -1
        kept = cap + 4 if tag >= 0 else cap
        padded = (kept + 3) & ~3
        total = 44 + padded
        time = int(cols[TIME, i])
        put32(out, p, 6)
        put32(out, p + 4, total)
        put32(out, p + 8, 0)
        put32(out, p + 12, time >> 32)
        put32(out, p + 16, time)
        put32(out, p + 20, kept)
        put32(out, p + 24, max(int(cols[WIRE, i]), kept))
        p += 28
        if tag >= 0:
            move(b, off, out, p, 12)
            put32(out, p + 12, 0x81 | (tag >> 8) << 16 | (tag & 255) << 24)
            move(b, off + 12, out, p + 16, cap - 12)
        else:
            move(b, off, out, p, cap)
        for at in range(p + kept, p + padded):
            out[at] = 0
        p += padded
        put32(out, p, 2 | 4 << 16)
        put32(out, p + 4, 2 if cols[OUT, i] == 1 else 1)
        put32(out, p + 8, 0)
        put32(out, p + 12, total)
        p += 16
    return p


@kernel()
def is_discovery(cast, proto, dport, etype, dst, group):
    """Multicast that is talk about the network, never audio: by address or port that a standard reserves for
    it."""
    if cast != MULTICAST or etype == 0x88F7 or (proto == 17 and (dport == 319 or dport == 320)):
        return 0  # PTP keeps the beat of a clock, though its cable-measuring goes to addresses of this kind
    if etype == 0x86DD and (proto == 58 or proto == 0):
        return 1
    if proto == 2:
        return 1
    # 224.0.0.0/24 (RFC 5771; by its address, for 32 groups share a hardware address, RFC 1112), and what
    # bridges keep to themselves (IEEE 802.1Q table 8-1)
    if group >> 8 == 0xE00000 or dst >> 24 == 0x0180C2:
        return 1
    if proto == 17 and (
        dport == 5353  # mDNS, RFC 6762
        or dport == 1900  # SSDP, UPnP Device Architecture
        or dport == 5355  # LLMNR, RFC 4795
        or dport == 3702  # WS-Discovery
        or dport == 427  # SLP, RFC 2608
        or dport == 9875  # SAP, RFC 2974
        or dport == 546
        or dport == 547  # DHCPv6, RFC 8415
    ):
        return 1
    return 0


@kernel()
def classify(b, cols, rows):
    """Read the headers of every frame and fill the columns from SRC to DISCOVERY, and PAYLOAD: where UDP data
    starts, from OFF on, or 0."""
    for i in range(rows):
        off = int(cols[OFF, i])
        cap = int(cols[CAP, i])
        link = int(cols[LINK, i])
        end = off + cap
        src = 0
        dst = 0
        cast = UNICAST
        etype = -1
        p = off
        whole = False
        if link == ETHERNET:
            if cap >= 14:
                dst = mac(b, off)
                src = mac(b, off + 6)
                etype = be16(b, off + 12)
                p = off + 14
                whole = True
                if dst == BROADCAST_MAC:
                    cast = BROADCAST
                elif (dst >> 40) & 1:
                    cast = MULTICAST
        elif link in (SLL, SLL2):
            head = 16 if link == SLL else 20
            if cap >= head:
                if link == SLL:
                    way = be16(b, off)
                    size = be16(b, off + 4)
                    at = off + 6
                    etype = be16(b, off + 14)
                else:
                    way = u8(b, off + 10)
                    size = u8(b, off + 11)
                    at = off + 12
                    etype = be16(b, off)
                if size == 6:
                    src = mac(b, at)
                if way == 1:
                    cast = BROADCAST
                elif way == 2:
                    cast = MULTICAST
                elif way == 4:
                    cols[OUT, i] = 1
                p = off + head
                whole = True
                if etype == 4:
                    etype = 0  # LLC follows
        tag = int(cols[STRIPPED, i]) - 1
        tags = 1 if tag >= 0 else 0
        while whole and tags < 3 and (etype == 0x8100 or etype == 0x88A8 or etype == 0x9100):
            if p + 4 > end:
                break
            if tag < 0:
                tag = be16(b, p)
            etype = be16(b, p + 2)
            p += 4
            tags += 1
        vlan = tag & 0xFFF if tag >= 0 else -1
        dscp = -1
        proto = -1
        sport = 0
        dport = 0
        payload = 0
        group = 0
        kind = K_NONE
        sap = 0
        net = 0
        if whole and 0 <= etype < 1536:
            etype = 0
            if p + 3 <= end:
                sap = be16(b, p)
                control = u8(b, p + 2)
                if sap == 0xAAAA and p + 8 <= end:
                    oui = (u8(b, p + 3) << 16) | be16(b, p + 4)
                    if oui == 0:
                        etype = be16(b, p + 6)
                        p += 8
                    elif oui == 0x00000C and be16(b, p + 6) == 0x2000:
                        kind = K_CDP
                    elif oui == 0x00000C and be16(b, p + 6) == 0x010B:
                        kind = K_STP  # a tree for each VLAN
                elif control & 0xEF == 0xAF:
                    kind = K_XID
                elif sap == 0x4242:
                    kind = K_STP
        if etype == 0x0800 and p + 20 <= end:
            head = (u8(b, p) & 15) * 4
            proto = u8(b, p + 9)
            dscp = u8(b, p + 1) >> 2
            group = be32(b, p + 16)
            net = (be32(b, p + 12) << 32) | group
            if dst == 0 and cast == UNICAST:
                if group >> 28 == 14:
                    cast = MULTICAST
                elif group == BROADCAST_IP:
                    cast = BROADCAST
            first = be16(b, p + 6) & 0x1FFF == 0
            if (proto == 17 or proto == 6) and first and head >= 20 and p + head + 4 <= end:
                sport = be16(b, p + head)
                dport = be16(b, p + head + 2)
                if proto == 17:
                    payload = p + head + 8 - off
        elif etype == 0x86DD and p + 40 <= end:
            proto = u8(b, p + 6)
            dscp = be16(b, p) >> 6 & 63
            net = folded_multiply(le64(b, p + 8) ^ SALT1, le64(b, p + 16) ^ SALT2)
            net ^= folded_multiply(le64(b, p + 24) ^ SALT2, le64(b, p + 32) ^ SALT1)
            if dst == 0 and cast == UNICAST and u8(b, p + 24) == 0xFF:
                cast = MULTICAST
            at = p + 40
            steps = 0
            while steps < 6 and at + 8 <= end and (proto == 0 or proto == 43 or proto == 60 or proto == 44):
                size = 8 if proto == 44 else 8 + 8 * u8(b, at + 1)
                later = proto == 44 and be16(b, at + 2) & 0xFFF8 != 0
                proto = u8(b, at)
                at += size
                steps += 1
                if later:
                    at = end
            if (proto == 17 or proto == 6) and at + 4 <= end:
                sport = be16(b, at)
                dport = be16(b, at + 2)
                if proto == 17:
                    payload = at + 8 - off
        if proto == 17:
            if dport == 67 or dport == 68:
                kind = K_DHCP4 if etype == 0x0800 else K_NONE
            elif dport == 546 or dport == 547:
                kind = K_DHCP6 if etype == 0x86DD else K_NONE
            elif dport == 5353:
                kind = K_MDNS
            elif dport == 1900 or (sport == 1900 and cast == UNICAST):
                kind = K_SSDP  # an answer to a search comes to the asker's own port
            elif dport == 9875:
                kind = K_SAP
        elif proto == 2:
            kind = K_IGMP
        elif proto == 1:
            kind = K_ICMP4
        elif proto == 58:
            kind = K_ICMP6
        elif etype == 0x88CC:
            kind = K_LLDP
        elif etype == 0x88C7:
            kind = K_PREAUTH
        elif etype == 0x890D:
            kind = K_FAST_TRANSITION
        elif etype == 0x0806:
            kind = K_ARP
        cols[SRC, i] = src
        cols[DST, i] = dst
        cols[ETYPE, i] = etype
        cols[L3, i] = p - off
        cols[CAST, i] = cast
        cols[VLAN, i] = vlan
        cols[TAGS, i] = tags
        cols[DSCP, i] = dscp
        cols[PCP, i] = tag >> 13 if tag >= 0 else -1
        cols[PROTO, i] = proto
        cols[SPORT, i] = sport
        cols[DPORT, i] = dport
        # What makes a flow: both hardware addresses and the VLAN, both IP addresses, type or SAPs, protocol,
        # ports.
        between = folded_multiply((src | ((vlan + 2) << 48)) ^ SALT1, dst ^ SALT2)
        kinds = (etype + 1) | ((proto + 1) << 17) | ((sport + sap) << 26) | (dport << 43)
        cols[FLOW, i] = folded_multiply(between ^ net, kinds ^ SALT1) & MASK62
        cols[PAYLOAD, i] = payload
        # Which adapter a cooked capture saw it at is not of the frame: a bridge or bond shows it again. Nor
        # is which of two networks it was sent by for safety (PRP, IEC 62439-3, from memory): the trailer's
        # number is the same in both.
        shown = 8 if link == SLL2 and whole else 0
        trailer = 0
        if link == ETHERNET and cap >= 60 and cap == cols[WIRE, i] and be16(b, end - 2) == 0x88FB:
            told = be16(b, end - 4)
            size = cap - (p - off)
            if (told >> 12 == 10 or told >> 12 == 11) and told & 0xFFF == size & 0xFFF:
                trailer = 4
        cols[DIGEST, i] = digest(b, off + shown, cap - shown - trailer)
        cols[KIND, i] = kind
        cols[DISCOVERY, i] = is_discovery(cast, proto, dport, etype, dst, group)


@kernel()
def steady(cols, rows, clock):
    """Fill REL: nanoseconds from the first frame, on a clock that never falls back by more than 10 ms.

    Neighbouring frames a few microseconds out of order are natural. A larger fall is a clock that was set: it
    is counted and taken out. But a fall of less than a second, from which the frames come back sooner than a
    clock could, was two queues of one system, one behind the other, as in a flood: that is put back."""
    for i in range(rows):
        cap = int(cols[CAP, i])
        clock[Q_BYTES] += cap
        if cap < cols[WIRE, i]:
            clock[Q_CUT] += 1
        if cols[ETYPE, i] < 0:
            clock[Q_UNREADABLE] += 1
        time = int(cols[TIME, i])
        if clock[Q_STARTED] == 0:
            clock[Q_STARTED] = 1
            clock[Q_FIRST_NS] = time
        last = int(clock[Q_REL_NS])
        # A clock that leaps to and fro for centuries ends at MAX_NS, so that no sum overflows.
        rel = min(time - int(clock[Q_FIRST_NS]), MAX_NS - int(clock[Q_TAKEN_NS])) + int(clock[Q_TAKEN_NS])
        if clock[Q_MAY_NS] > 0:
            if last - int(clock[Q_MAY_REL_NS]) >= int(clock[Q_MAY_NS]) // 2:
                clock[Q_MAY_NS] = 0
            elif time >= int(clock[Q_FRONT_NS]) - int(clock[Q_MAY_NS]) // 4:
                clock[Q_TAKEN_NS] -= clock[Q_MAY_NS]
                clock[Q_STEPS] -= clock[Q_MAY_STEPS]
                clock[Q_MAY_NS] = 0
                rel = min(time - int(clock[Q_FIRST_NS]), MAX_NS - int(clock[Q_TAKEN_NS])) + int(
                    clock[Q_TAKEN_NS]
                )
        if rel < last - 10000000:
            fall = min(last - rel, MAX_NS - int(clock[Q_TAKEN_NS]))
            if clock[Q_MAY_NS] == 0:
                clock[Q_FRONT_NS] = int(clock[Q_FIRST_NS]) - int(clock[Q_TAKEN_NS]) + last
                clock[Q_MAY_STEPS] = 0
                clock[Q_MAY_REL_NS] = last
            clock[Q_STEPS] += 1
            clock[Q_LONGEST_STEP_NS] = max(int(clock[Q_LONGEST_STEP_NS]), last - rel)
            clock[Q_MAY_STEPS] += 1
            clock[Q_MAY_NS] = int(clock[Q_MAY_NS]) + fall if int(clock[Q_MAY_NS]) + fall < 1000000000 else 0
            clock[Q_TAKEN_NS] += fall
            rel = last
        if rel > last:
            clock[Q_REL_NS] = rel
        cols[REL, i] = rel
        clock[Q_LAST_NS] = time


@kernel(f"void({BYTES}, {TABLE}, int64, {ROW})")
def read(b, cols, rows, clock):
    """Fill all columns of frames of which a walker has filled the first."""
    classify(b, cols, rows)
    steady(cols, rows, clock)


@kernel(f"int64({TABLE}, int64, {TABLE}, {ROW}, int64, int64, {ROW})")
def pick(cols, rows, seen, totals, per_source, per_kind, chosen):
    """Choose control frames for dissecting: at most `per_source` of a kind from one source, `per_kind` in
    all.

    `seen` is a hash table (key, count), `totals` counts by kind what was seen. Returns how many rows are in
    `chosen`."""
    found = 0
    for i in range(rows):
        kind = int(cols[KIND, i])
        if kind == K_NONE:
            continue
        totals[kind] += 1
        key = mix(mix(11, kind), int(cols[SRC, i])) | 1
        at = slot_of(seen, key)
        if at < 0 or seen[at, 1] >= per_source or totals[kind + KINDS] >= per_kind:
            continue
        seen[at, 0] = key
        seen[at, 1] += 1
        totals[kind + KINDS] += 1
        chosen[found] = i
        found += 1
    return found
