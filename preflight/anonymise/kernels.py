"""Kernels that rewrite frames in place: addresses replaced, contents gone, checksums as right or wrong as
they were.

Strategy: a secret function (SipHash-2-4, Aumasson and Bernstein 2012) decides everything. IP addresses are
replaced bit by bit: whether a bit is flipped depends on the bits before it, so that two addresses share as
long a prefix afterwards as before (Crypto-PAn: Xu, Fan, Ammar, Moon 2002, from memory; with another secret
function). The low 24 bits of hardware addresses go through a Feistel network, and so do those of all IPv6
addresses, so that the addresses and groups that are made from a hardware address (RFC 4291) follow it.
Contents become a keyed digest and zeros: what differed still differs, what was the same is still the same.
Checksums are corrected by what changed (RFC 1624), so that a wrong one stays wrong.
"""

from preflight.frames.compile import BYTES, INTRINSIC, ROW, TABLE, kernel
from preflight.frames.kernels import (
    CAP,
    ETHERNET,
    ETYPE,
    FLOW,
    K_STP,
    K_XID,
    KIND,
    L3,
    LINK,
    MASK62,
    OFF,
    SLL,
    be16,
    be32,
    digest,
    le64,
    mix,
    u8,
)
from preflight.tally.kernels import slot_of

# What the secret function is asked for.
T_IP4, T_IP6, T_LOW, T_UPPER, T_MIDDLE, T_SSRC, T_SCRAMBLE, T_RANKED = range(1, 9)
# `pins`: rows (what, first, length, value). For addresses: bits from `first` up to `length` are not flipped
# below the prefix `value` (its upper 63 of 64 bits, left-aligned). For T_RANKED: a low half and its image.
PIN_COLUMNS = 4
KNOWN_COLUMNS = 3  # `known`: what was asked lately, and the answer
ROUNDS = 8
BYTE64 = 0xFFFFFFFFFFFFFFFF


@kernel(INTRINSIC)
def plus(a, b):
    """The sum of two 64-bit patterns, which wraps around. As with `folded_multiply`, only for `plus`, `turn`,
    `^` and a mask."""
    return (a + b) & BYTE64


@kernel(INTRINSIC)
def turn(a, n):
    """A 64-bit pattern rotated left by 0 < n < 64."""
    return (a << n | a >> (64 - n)) & BYTE64


@kernel()
def sip_round(v0, v1, v2, v3):
    v0 = plus(v0, v1)
    v1 = turn(v1, 13) ^ v0
    v0 = turn(v0, 32)
    v2 = plus(v2, v3)
    v3 = turn(v3, 16) ^ v2
    v0 = plus(v0, v3)
    v3 = turn(v3, 21) ^ v0
    v2 = plus(v2, v1)
    v1 = turn(v1, 17) ^ v2
    v2 = turn(v2, 32)
    return v0, v1, v2, v3


@kernel()
def secret(key, label, word):
    """62 bits of SipHash-2-4 over two words of up to 63 bits, by a key of two."""
    k0 = int(key[0])
    k1 = int(key[1])
    v0 = k0 ^ 0x736F6D6570736575
    v1 = k1 ^ 0x646F72616E646F6D
    v2 = k0 ^ 0x6C7967656E657261
    v3 = k1 ^ 0x7465646279746573
    for step in range(3):
        block = label if step == 0 else word if step == 1 else 16 << 56
        v3 = v3 ^ block
        for _ in range(2):
            v0, v1, v2, v3 = sip_round(v0, v1, v2, v3)
        v0 = v0 ^ block
    v2 = v2 ^ 0xFF
    for _ in range(4):
        v0, v1, v2, v3 = sip_round(v0, v1, v2, v3)
    return (v0 ^ v1 ^ v2 ^ v3) & MASK62


# -- addresses -----------------------------------------------------------------------------------------------


@kernel()
def flipped(word, above, depth, what, key, pins):
    """32 bits of an address, below its first `depth` bits `above`."""
    out = 0
    head = above
    for i in range(32):
        at = depth + i
        bit = (word >> (31 - i)) & 1
        # The last of 256 addresses is a broadcast address nearly everywhere (RFC 919): it stays one.
        ones = (1 << max(at - 24, 0)) - 1
        flip = not (what == T_IP4 and at >= 24 and head & ones == ones)
        for row in range(pins.shape[0]):
            if (
                pins[row, 0] == what
                and pins[row, 1] <= at
                and at < pins[row, 2]
                and int(pins[row, 3]) >> (63 - at) == head
            ):
                flip = False
        change = secret(key, what | (at << 8), head) & 1 if flip else 0
        out |= (bit ^ change) << (31 - i)
        if at < 63:
            head = (head << 1) | bit
    return out


@kernel()
def shuffled(word, what, key, pins):
    """The image of 24 bits in a permutation: a Feistel network of ROUNDS rounds."""
    for row in range(pins.shape[0]):
        if what == T_LOW and pins[row, 0] == T_RANKED and pins[row, 1] == word:
            return int(pins[row, 2])
    left = word >> 12
    right = word & 0xFFF
    for step in range(ROUNDS):
        mixed = left ^ (secret(key, what | (step << 8), right) & 0xFFF)
        left = right
        right = mixed
    return (left << 12) | right


@kernel()
def image(word, above, depth, what, key, pins, known):
    """The image of a word, from `known` if it was asked for lately: `flipped` for addresses, `shuffled` for
    24 bits."""
    asked = (word << 8) | what
    at = mix(asked, above) % known.shape[0]
    if known[at, 0] == asked and known[at, 1] == above:
        return int(known[at, 2])
    if what in (T_LOW, T_UPPER):
        answer = shuffled(word, what, key, pins)
    else:
        answer = flipped(word, above, depth, what, key, pins)
    known[at, 0] = asked
    known[at, 1] = above
    known[at, 2] = answer
    return answer


@kernel()
def image_mac(value, key, pins, known):
    """A hardware address: the maker's half stays. So do groups, and addresses that virtual routers share by
    design (RFC 5798 section 7.3; the others from memory). Solicited-node groups (RFC 2464 section 7) hold a
    device's low half."""
    top = value >> 24
    low = value & 0xFFFFFF
    if value == 0 or ((top >> 16) & 1 == 1 and top != 0x3333FF):
        return value
    if top == 0x00005E and (low >> 8 == 1 or low >> 8 == 2):
        return value
    if top == 0x00000C and (low >> 8 == 0x07AC or low >> 12 == 0x9FF):
        return value
    return (top << 24) | image(low, 0, 0, T_LOW, key, pins, known)


@kernel()
def put(b, p, value, n):
    """n bytes, the highest first."""
    for at in range(n):
        b[p + at] = (value >> (8 * (n - 1 - at))) & 255


@kernel()
def blank(b, p, n):
    for at in range(p, p + n):
        b[at] = 0


@kernel()
def cover_mac(b, p, key, pins, known):
    put(b, p, image_mac((be16(b, p) << 32) | be32(b, p + 2), key, pins, known), 6)


@kernel()
def cover_ip4(b, p, key, pins, known):
    """Groups stay (RFC 5771)."""
    if u8(b, p) >> 4 == 14:
        return
    put(b, p, image(be32(b, p), 0, 0, T_IP4, key, pins, known), 4)


@kernel()
def cover_eui(b, p, key, pins, known):
    """An EUI-64: an interface identifier or a clock's identity. One made of a hardware address keeps its
    maker."""
    high = be32(b, p)
    low = be32(b, p + 4)
    if (high == 0 and low == 0) or (high == 0xFFFFFFFF and low == 0xFFFFFFFF):
        return
    upper = high >> 8
    middle = ((high & 0xFF) << 8) | (low >> 24)
    if middle != 0xFFFE:
        by = secret(key, T_MIDDLE, upper) & 0xFFFF
        middle ^= by
        if middle == 0xFFFE:  # is the image of itself alone
            middle ^= by
        upper = image(upper, 0, 0, T_UPPER, key, pins, known)
    put(b, p, upper, 3)
    put(b, p + 3, middle, 2)
    put(b, p + 5, image(low & 0xFFFFFF, 0, 0, T_LOW, key, pins, known), 3)


@kernel()
def cover_prefix6(b, p, bits, key, pins, known):
    """The first `bits` (at most 64) of an IPv6 address."""
    w0 = be32(b, p)
    w1 = be32(b, p + 4)
    i0 = image(w0, 0, 0, T_IP6, key, pins, known)
    i1 = image(w1, w0, 32, T_IP6, key, pins, known)
    k0 = (0xFFFFFFFF << max(32 - bits, 0)) & 0xFFFFFFFF
    k1 = (0xFFFFFFFF << max(64 - max(bits, 32), 0)) & 0xFFFFFFFF
    put(b, p, (i0 & k0) | (w0 & ~k0), 4)
    put(b, p + 4, (i1 & k1) | (w1 & ~k1), 4)


@kernel()
def cover_ip6(b, p, key, pins, known):
    w0 = be32(b, p)
    w1 = be32(b, p + 4)
    w2 = be32(b, p + 8)
    w3 = be32(b, p + 12)
    if w0 >> 24 == 0xFF:
        if w1 == 0 and w2 == 1 and w3 >> 24 == 0xFF:  # a solicited-node group, RFC 4291 section 2.7.1
            put(b, p + 13, image(w3 & 0xFFFFFF, 0, 0, T_LOW, key, pins, known), 3)
        elif (w0 >> 20) & 2 == 2:  # holds the prefix of a network, RFC 3306
            cover_prefix6(b, p + 4, min(w0 & 0xFF, 64), key, pins, known)
    elif (
        w0 == 0 and w1 == 0 and w2 == 0xFFFF
    ):  # an IPv4 address written as one of IPv6: RFC 4291 section 2.5.5.2
        cover_ip4(b, p + 12, key, pins, known)
    elif w0 != 0 or w1 != 0 or w2 != 0 or w3 > 1:  # neither "none" nor this computer itself
        cover_prefix6(b, p, 64, key, pins, known)
        cover_eui(b, p + 8, key, pins, known)


# -- contents ------------------------------------------------------------------------------------------------


@kernel()
def scramble(b, p, n, key):
    """Contents that are not passed on: a keyed digest of them, then zeros. Zeros stay as they are. The first
    two bits are 0, so that no digest looks like RTP."""
    end = p + n
    at = p
    found = False
    while at + 8 <= end and not found:
        found = le64(b, at) != 0
        at += 8
    while at < end and not found:
        found = u8(b, at) != 0
        at += 1
    if not found:
        return
    word = secret(key, T_SCRAMBLE | (n << 8), digest(b, p, n))
    blank(b, p, n)
    for i in range(min(n, 8)):
        b[p + i] = (word >> (56 - 8 * i)) & 255


@kernel()
def total(b, p, n):
    """The sum of n bytes as 16-bit words, modulo 65535: what the Internet checksum is about (RFC 1071)."""
    end = p + n
    found = 0
    while p + 4 <= end:
        found += be32(b, p)
        p += 4
    while p + 2 <= end:
        found += be16(b, p)
        p += 2
    if p < end:
        found += u8(b, p) << 8
    return found % 0xFFFF


@kernel()
def update_checksum(b, p, before, after):
    """Correct the checksum at p for what the sum was, and is now (RFC 1624)."""
    put(b, p, (be16(b, p) + before + 0x3FFFC - after) % 0xFFFF, 2)


@kernel()
def update_header_checksum(b, p, before, head):
    """The same for an IPv4 header; a checksum of 0 was left to the adapter by its sender, and stays so."""
    if be16(b, p + 10) != 0:
        update_checksum(b, p + 10, before, total(b, p, head))


@kernel()
def cover_options4(b, p, end):
    """IPv4 options: their kinds stay, and the alert for routers that IGMP asks for (RFC 2113)."""
    while p < end:
        kind = u8(b, p)
        if kind == 1:
            p += 1
            continue
        size = u8(b, p + 1) if kind != 0 and p + 1 < end else 0
        if size < 2 or p + size > end:
            blank(b, p, end - p)
            return
        if kind != 148 or size != 4:
            blank(b, p + 2, size - 2)
        p += size


@kernel()
def cover_quoted(b, p, end, key, pins, known):
    """The beginning of a packet that an ICMP message is about."""
    version = u8(b, p) >> 4 if p < end else 0
    if version == 4 and p + 20 <= end:
        head = (u8(b, p) & 15) * 4
        if head < 20 or p + head > end:
            head = 20
        before = total(b, p, head)
        cover_ip4(b, p + 12, key, pins, known)
        cover_ip4(b, p + 16, key, pins, known)
        cover_options4(b, p + 20, p + head)
        update_header_checksum(b, p, before, head)
        proto = u8(b, p + 9)
        p += head
    elif version == 6 and p + 40 <= end:
        cover_ip6(b, p + 8, key, pins, known)
        cover_ip6(b, p + 24, key, pins, known)
        proto = u8(b, p + 6)
        p += 40
    else:
        proto = -1
    if (proto == 6 or proto == 17) and p + 4 <= end:
        p += 4
    scramble(b, p, end - p, key)


@kernel()
def cover_icmp4(b, p, end, key, pins, known):
    """RFC 792, 1256."""
    if p + 8 > end:
        scramble(b, p + 4, end - p - 4, key)
        return
    kind = u8(b, p)
    if kind == 9:
        size = 4 * u8(b, p + 5)
        left = u8(b, p + 4)
        p += 8
        while left > 0 and size >= 4 and p + size <= end:
            cover_ip4(b, p, key, pins, known)
            scramble(b, p + 8, size - 8, key)
            p += size
            left -= 1
        scramble(b, p, end - p, key)
    elif kind == 3 or kind == 4 or kind == 5 or kind == 11 or kind == 12:
        if kind == 5:
            cover_ip4(b, p + 4, key, pins, known)
        cover_quoted(b, p + 8, end, key, pins, known)
    else:
        scramble(b, p + 8, end - p - 8, key)


@kernel()
def cover_addresses(b, p, end, width, key, pins, known):
    """Addresses of `width` bytes one after another."""
    while p + width <= end:
        if width == 4:
            cover_ip4(b, p, key, pins, known)
        else:
            cover_ip6(b, p, key, pins, known)
        p += width
    scramble(b, p, end - p, key)


@kernel()
def cover_neighbour_options(b, p, end, key, pins, known):
    """RFC 4861 section 4.6, RFC 4191, RFC 8106."""
    while p + 8 <= end:
        kind = u8(b, p)
        size = 8 * u8(b, p + 1)
        if size == 0 or p + size > end:
            break
        if (kind == 1 or kind == 2) and size == 8:
            cover_mac(b, p + 2, key, pins, known)
        elif kind == 3 and size == 32:
            cover_prefix6(b, p + 16, min(u8(b, p + 2), 64), key, pins, known)
            scramble(b, p + 24, 8, key)
        elif kind == 4:
            cover_quoted(b, p + 8, p + size, key, pins, known)
        elif kind == 24 and size == 24:
            cover_prefix6(b, p + 8, min(u8(b, p + 2), 64), key, pins, known)
            scramble(b, p + 16, 8, key)
        elif kind == 25:
            cover_addresses(b, p + 8, p + size, 16, key, pins, known)
        elif kind != 5:
            scramble(b, p + 2, size - 2, key)
        p += size
    scramble(b, p, end - p, key)


@kernel()
def cover_reports(b, p, end, width, key, pins, known):
    """The group records of a membership report, with addresses of `width` bytes: RFC 3376 section 4.2, RFC
    3810 section 5.2."""
    left = be16(b, p + 6)
    p += 8
    while left > 0 and p + 4 + width <= end:
        more = 4 * u8(b, p + 1)
        several = min(be16(b, p + 2) + 1, (end - p - 4) // width)  # the group and its sources
        stop = p + 4 + several * width
        cover_addresses(b, p + 4, stop, width, key, pins, known)
        more = min(more, end - stop)
        scramble(b, stop, more, key)
        p = stop + more
        left -= 1
    scramble(b, p, end - p, key)


@kernel()
def cover_icmp6(b, p, end, key, pins, known):
    """RFC 4443, 4861, 2710, 3810."""
    if p + 8 > end:
        scramble(b, p + 4, end - p - 4, key)
        return
    kind = u8(b, p)
    head = (
        40 if kind == 137 else 16 if kind == 134 else 8 if kind == 133 else 24
    )  # whole addresses from the ninth byte on
    if kind < 128:
        cover_quoted(b, p + 8, end, key, pins, known)
    elif kind == 143:
        cover_reports(b, p, end, 16, key, pins, known)
    elif kind < 130 or kind > 137 or p + head > end:
        scramble(b, p + 8, end - p - 8, key)
    else:
        for at in range(p + 8, p + head - 15, 16):
            cover_ip6(b, at, key, pins, known)
        p += head
        if kind >= 133:
            cover_neighbour_options(b, p, end, key, pins, known)
        elif p + 4 <= end:  # a query of version 2
            cover_addresses(b, p + 4, end, 16, key, pins, known)
        else:
            scramble(b, p, end - p, key)


@kernel()
def cover_igmp(b, p, end, key, pins, known):
    """RFC 2236, 3376."""
    kind = u8(b, p) if p < end else 0
    if p + 8 > end or (kind != 0x11 and kind != 0x12 and kind != 0x16 and kind != 0x17 and kind != 0x22):
        scramble(b, p + 4, end - p - 4, key)
    elif kind == 0x22:
        cover_reports(b, p, end, 4, key, pins, known)
    else:
        cover_ip4(b, p + 4, key, pins, known)
        at = min(p + 12, end)
        if kind == 0x11:
            cover_addresses(b, at, end, 4, key, pins, known)
        else:
            scramble(b, at, end - at, key)


@kernel()
def cover_ptp(b, p, end, key, pins, known):
    """IEEE 1588-2008 clause 13; of version 1 only the header stays (from memory)."""
    n = end - p
    version = u8(b, p + 1) & 15 if n >= 2 else 0
    if version == 2 and n >= 34:
        kind = u8(b, p) & 15
        blank(b, p + 16, 4)
        cover_eui(b, p + 20, key, pins, known)
        size = 44 if kind == 0 or kind == 1 or kind == 8 or kind == 12 else 34
        size = 54 if kind == 2 or kind == 3 or kind == 9 or kind == 10 else size
        size = 64 if kind == 11 else 48 if kind == 13 else size
        named = 53 if kind == 11 else 34 if kind == 12 or kind == 13 else 44
        if (kind == 11 or kind == 12 or kind == 13 or kind == 3 or kind == 9 or kind == 10) and n >= named:
            if n >= named + 8:
                cover_eui(b, p + named, key, pins, known)
            else:
                size = named
        size = min(size, n)
        scramble(b, p + size, n - size, key)
    elif version == 1 and n >= 36:
        fifth = u8(b, p + 8)
        name = be32(b, p + 4)
        if (
            name != 0x5F44464C and name != 0x5F414C54
        ):  # _DFL(T), _ALT(1): any other is a name of somebody's own
            blank(b, p + 4, 4)
            fifth = 0x40 | (fifth & 15)
        blank(b, p + 8, 12)
        b[p + 8] = fifth
        cover_mac(b, p + 22, key, pins, known)
        scramble(b, p + 36, n - 36, key)
    else:
        scramble(b, p, n, key)


@kernel()
def cover_rtp(b, p, end, whole, key, pins, known):
    """The header stays; the sound, lists of sources and extensions are zeroed (RFC 3550)."""
    head = u8(b, p)
    start = p + 12 + 4 * (head & 15)
    put(b, p + 8, image(be32(b, p + 8), 0, 0, T_SSRC, key, pins, known), 4)
    padding = u8(b, end - 1) if head & 0x20 != 0 and whole else 0
    extension = be32(b, start) if head & 0x10 != 0 and start + 4 <= end else -1
    blank(b, p + 12, end - p - 12)
    if extension >= 0:
        put(b, start, extension, 4)
    if padding != 0:
        b[end - 1] = padding


@kernel()
def known_flow(table, flow):
    key = flow | 1
    at = slot_of(table, key)
    return at >= 0 and table[at, 0] == key


@kernel()
def cover_udp(b, p, end, flow, rtp, key, pins, known):
    if p + 8 > end:
        kept = min(4, end - p) if end - p >= 4 else 0
        scramble(b, p + kept, end - p - kept, key)
        return
    data = p + 8
    told = p + max(be16(b, p + 4), 8)
    last = min(told, end)
    sport = be16(b, p)
    dport = be16(b, p + 2)
    kind = u8(b, data + 1) & 0x7F if data + 12 <= last else 0
    if dport == 319 or dport == 320 or sport == 319 or sport == 320:
        cover_ptp(b, data, last, key, pins, known)
    elif data + 12 <= last and u8(b, data) >> 6 == 2 and not 72 <= kind <= 76 and known_flow(rtp, flow):
        cover_rtp(b, data, last, told <= end, key, pins, known)
    else:
        scramble(b, data, last - data, key)
    scramble(b, last, end - last, key)


@kernel()
def cover_tcp(b, p, end, key):
    """The header stays, its options become padding (RFC 9293)."""
    if p + 20 > end:
        kept = 4 if end - p >= 4 else 0
        scramble(b, p + kept, end - p - kept, key)
        return
    data = min(p + max((u8(b, p + 12) >> 4) * 4, 20), end)
    for at in range(p + 20, data):
        b[at] = 1
    scramble(b, data, end - data, key)


@kernel()
def cover_transport(b, p, end, proto, ip, flow, rtp, key, pins, known):
    """What IP carries from p to end, and with it the addresses in its header at `ip`, which some checksums
    cover."""
    four = u8(b, ip) >> 4 == 4
    at = ip + 12 if four else ip + 8
    size = 8 if four else 32
    spot = p + 6 if proto == 17 else p + 16 if proto == 6 else p + 2
    summed = proto == 17 or proto == 6 or proto == 58 or (four and (proto == 1 or proto == 2))
    summed = summed and spot + 2 <= end and not (proto == 17 and be16(b, spot) == 0)
    pseudo = proto == 17 or proto == 6 or proto == 58
    before = total(b, p, end - p) if summed else 0
    before += total(b, at, size) if pseudo else 0
    if four:
        cover_ip4(b, at, key, pins, known)
        cover_ip4(b, at + 4, key, pins, known)
    else:
        cover_ip6(b, at, key, pins, known)
        cover_ip6(b, at + 16, key, pins, known)
    if proto == 17:
        cover_udp(b, p, end, flow, rtp, key, pins, known)
    elif proto == 6:
        cover_tcp(b, p, end, key)
    elif proto == 1 and four:
        cover_icmp4(b, p, end, key, pins, known)
    elif proto == 2 and four:
        cover_igmp(b, p, end, key, pins, known)
    elif proto == 58 and not four:
        cover_icmp6(b, p, end, key, pins, known)
    else:
        scramble(b, p, end - p, key)
    if summed:
        after = total(b, p, end - p)
        after += total(b, at, size) if pseudo else 0
        update_checksum(b, spot, before, after)
        if proto == 17 and be16(b, spot) == 0:
            put(b, spot, 0xFFFF, 2)


@kernel()
def cover_packet4(b, p, end, flow, rtp, key, pins, known):
    if p + 20 > end:
        scramble(b, p, end - p, key)
        return
    head = (u8(b, p) & 15) * 4
    long = be16(b, p + 2)
    proto = u8(b, p + 9)
    if head < 20 or p + head > end or u8(b, p) >> 4 != 4:
        head = 20
        proto = -1
    last = p + long if head <= long and p + long < end else end
    if be16(b, p + 6) & 0x1FFF != 0:
        proto = -1  # a later fragment
    before = total(b, p, head)
    if u8(b, p) >> 4 == 4:
        cover_transport(b, p + head, last, proto, p, flow, rtp, key, pins, known)
        if proto == 17 and be16(b, p + 6) & 0x2000 != 0 and p + head + 8 <= last:
            put(b, p + head + 6, 0, 2)  # the sum is over fragments that are not here: none (RFC 768)
    else:
        cover_ip4(b, p + 12, key, pins, known)
        cover_ip4(b, p + 16, key, pins, known)
        scramble(b, p + head, last - p - head, key)
    cover_options4(b, p + 20, p + head)
    update_header_checksum(b, p, before, head)
    scramble(b, last, end - last, key)


@kernel()
def cover_packet6(b, p, end, flow, rtp, key, pins, known):
    if p + 40 > end:
        scramble(b, p, end - p, key)
        return
    long = 40 + be16(b, p + 4)
    last = p + long if long > 40 and p + long < end else end
    proto = u8(b, p + 6)
    at = p + 40
    steps = 0
    while steps < 6 and at + 8 <= last and (proto == 0 or proto == 43 or proto == 60 or proto == 44):
        size = 8 if proto == 44 else 8 + 8 * u8(b, at + 1)
        stop = min(at + size, last)
        later = proto == 44 and be16(b, at + 2) & 0xFFF8 != 0
        kept = 8 if proto == 44 else 4 if proto == 43 else 6 if be32(b, at + 2) == 0x05020000 else 2
        blank(b, at + kept, stop - at - kept)
        proto = u8(b, at)
        at = stop
        steps += 1
        if later:
            proto = -1
            break
    if u8(b, p) >> 4 == 6:
        cover_transport(b, at, last, proto, p, flow, rtp, key, pins, known)
    else:
        cover_ip6(b, p + 8, key, pins, known)
        cover_ip6(b, p + 24, key, pins, known)
        scramble(b, at, last - at, key)
    scramble(b, last, end - last, key)


@kernel()
def cover_arp(b, p, end, key, pins, known):
    """RFC 826."""
    if p + 28 > end or be32(b, p) != 0x00010800 or be16(b, p + 4) != 0x0604:
        scramble(b, p + 8, end - p - 8, key)
        return
    for half in range(2):
        cover_mac(b, p + 8 + 10 * half, key, pins, known)
        cover_ip4(b, p + 14 + 10 * half, key, pins, known)
    scramble(b, p + 28, end - p - 28, key)


@kernel()
def cover_bpdu(b, p, end, tagged, key, pins, known):
    """IEEE 802.1D-1998 clause 9: bridges replaced; of what follows, only the VLAN of a tree of its own
    stays."""
    kept = 4 if p + 3 < end and u8(b, p + 3) == 0x80 else 35
    if p + kept > end or be16(b, p) != 0 or u8(b, p + 3) & 0x7D != 0:
        scramble(b, p, end - p, key)
        return
    if kept == 35:
        cover_mac(b, p + 7, key, pins, known)
        cover_mac(b, p + 19, key, pins, known)
    p += kept
    if tagged and kept == 35:
        vlan = -1
        spot = p
        while spot + 6 <= end and vlan < 0:
            if be32(b, spot) == 2:
                vlan = be16(b, spot + 4)
            else:
                spot += 1
        blank(b, p, end - p)
        if vlan >= 0:
            put(b, spot, 2, 4)
            put(b, spot + 4, vlan, 2)
    else:
        scramble(b, p, end - p, key)


@kernel()
def cover_llc(b, p, end, kind, key, pins, known):
    """IEEE 802.2: the kind of what follows stays."""
    if p + 3 > end:
        scramble(b, p, end - p, key)
        return
    kept = 8 if be16(b, p) == 0xAAAA and p + 8 <= end else 3
    if kind == K_STP:
        cover_bpdu(b, p + kept, end, kept == 8, key, pins, known)
        return
    if kind == K_XID:
        kept = 6
    kept = min(kept, end - p)
    scramble(b, p + kept, end - p - kept, key)


@kernel(f"void({BYTES}, {TABLE}, int64, {TABLE}, {ROW}, {TABLE}, {TABLE})")
def anonymise(b, cols, rows, rtp, key, pins, known):
    """Rewrite the frames of a batch where they lie. `rtp` is a table of the flows whose RTP headers stay."""
    for i in range(rows):
        off = int(cols[OFF, i])
        end = off + int(cols[CAP, i])
        link = int(cols[LINK, i])
        etype = int(cols[ETYPE, i])
        flow = int(cols[FLOW, i])
        if etype < 0:
            scramble(b, off, end - off, key)
            continue
        if link == ETHERNET:
            cover_mac(b, off, key, pins, known)
            cover_mac(b, off + 6, key, pins, known)
        else:
            at = off + 6 if link == SLL else off + 12
            size = be16(b, off + 4) if link == SLL else u8(b, off + 11)
            if size == 6:
                cover_mac(b, at, key, pins, known)
                blank(b, at + 6, 2)
            else:
                scramble(b, at, 8, key)
        p = off + int(cols[L3, i])
        if etype == 0x0800:
            cover_packet4(b, p, end, flow, rtp, key, pins, known)
        elif etype == 0x86DD:
            cover_packet6(b, p, end, flow, rtp, key, pins, known)
        elif etype == 0x0806:
            cover_arp(b, p, end, key, pins, known)
        elif etype == 0x88F7:
            cover_ptp(b, p, end, key, pins, known)
        elif etype == 0:
            cover_llc(b, p, end, int(cols[KIND, i]), key, pins, known)
        else:
            # Pause frames (IEEE 802.3 annex 31B) and what only Wi-Fi causes are told by their first bytes.
            kept = 4 if etype == 0x8808 else 2 if etype == 0x88C7 else 1 if etype == 0x890D else 0
            kept = max(min(kept, end - p), 0)
            scramble(b, p + kept, end - p - kept, key)
