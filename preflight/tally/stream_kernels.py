"""A kernel that follows every RTP stream: sequence numbers, timestamps, jitter, and what buffer would have held it.

Strategy: RFC 3550 A.1 (extended sequence numbers, probation, restarts) and A.8 (jitter in the stream's own clock), packet by
packet, in a table of fixed size. The rate of a stream's clock is found from its first packets: without it there is no
jitter. A window of the last 62 sequence numbers tells a packet that is late from one that comes twice.
"""

from preflight.frames.compile import BYTES, ROW, TABLE, kernel
from preflight.frames.kernels import CAP, FLOW, MASK62, OFF, PAYLOAD, REL, SLOT, be16, be32, mix, u8
from preflight.tally.kernels import slot_of

(
    X_KEY,
    X_SLOT,  # row of the flow
    X_SSRC,
    X_TYPE,  # payload type
    X_PACKETS,
    X_FIRST,
    X_FIRST_NS,
    X_LAST_NS,
    X_BASE,  # first and highest sequence number since the last restart; the highest is extended beyond 16 bits
    X_HIGHEST,
    X_EXPECTED,  # in stretches before the last restart
    X_WINDOW,  # bit n: highest - n has come
    X_RECEIVED,  # packets that are no duplicate
    X_DUPLICATES,
    X_LATE,  # came after a later one
    X_RESTARTS,
    X_GAPS,  # jumps over numbers, the longest one, its frame and time
    X_LONGEST,
    X_LONGEST_FRAME,
    X_LONGEST_NS,
    X_STAMP,  # timestamp of the highest packet
    X_STEP,  # timestamp units and how many of the packets went on by as much
    X_STEPS,
    X_BYTES,  # media bytes of the first packet, and how many packets had as many
    X_SAME_BYTES,
    X_RATE,  # timestamp units a second, 0: not known yet
    X_RATE_NS,  # where measuring it began
    X_RATE_STAMPS,
    X_JITTER16,  # 16 times the jitter of A.8
    X_JITTER16_MOST,
    X_WAIT,  # longest time between two packets, its frame and time
    X_WAIT_FRAME,
    X_WAIT_NS,
    X_SECOND,  # delay against the timestamps, least and most in the open second; the largest spread in any second
    X_DELAY_NS,
    X_DELAY_STAMP,
    X_DELAY_LEAST,
    X_DELAY_MOST,
    X_SPREAD,
    X_SPREAD_NS,
    X_LAST_LOSS_NS,
    X_FIRST_LOSS,  # LOSSES of (time before, time after, frame after, packets) of the first jumps
) = range(42)
LOSSES = 16
LOSS_COLUMNS = 4
STREAM_COLUMNS = X_FIRST_LOSS + LOSSES * LOSS_COLUMNS
N_STREAMS, N_STREAM_OVERFLOW = 0, 1

# RFC 3550 A.1
MAX_DROPOUT = 3000
MAX_MISORDER = 100
WINDOW = 62
RATE_AFTER = 32  # packets and
RATE_AFTER_NS = 100_000_000  # time before a rate is found


@kernel()
def nominal(units_per_s):
    """The clock rate of audio or video nearest to a measured one, 0 when none is within 3 %. Rates: AES67, RFC 3551."""
    if 42777 <= units_per_s < 45423:
        return 44100
    if 46560 <= units_per_s < 49440:
        return 48000
    if 85554 <= units_per_s < 88750:
        return 88200
    if 88750 <= units_per_s < 92700:
        return 90000
    if 93120 <= units_per_s < 98880:
        return 96000
    if 186240 <= units_per_s < 197760:
        return 192000
    if 31040 <= units_per_s < 32960:
        return 32000
    if 15520 <= units_per_s < 16480:
        return 16000
    if 7760 <= units_per_s < 8240:
        return 8000
    return 0


@kernel(f"void({BYTES}, {TABLE}, int64, int64, {TABLE}, {ROW})")
def streams(b, cols, rows, first, table, totals):
    """Follow the RTP packets of a batch. Packets of RTCP (types 72 to 76, RFC 5761) are none."""
    for i in range(rows):
        payload = int(cols[PAYLOAD, i])
        if payload == 0 or payload + 12 > cols[CAP, i]:
            continue
        p = int(cols[OFF, i]) + payload
        head = u8(b, p)
        kind = u8(b, p + 1) & 0x7F
        if head >> 6 != 2 or 72 <= kind <= 76:
            continue
        rel = int(cols[REL, i])
        number = first + i
        sequence = be16(b, p + 2)
        stamp = be32(b, p + 4)
        ssrc = be32(b, p + 8)
        size = be16(b, p - 4) - 8  # by the UDP length: the frame may be cut
        start = 12 + 4 * (head & 15)
        if head & 0x10 != 0:  # a header extension (RFC 3550 section 5.3.1)
            if payload + start + 4 > cols[CAP, i]:
                size = 0  # cut: not known
            else:
                start += 4 + 4 * be16(b, p + start + 2)
        if head & 0x20 != 0:  # padding, whose last byte counts it
            if size <= 0 or payload + size > cols[CAP, i]:
                size = 0
            else:
                size -= u8(b, p + size - 1)
        media = max(size - start, 0)
        key = mix(int(cols[FLOW, i]), ssrc) | 1
        at = slot_of(table, key & MASK62)
        if at < 0:
            totals[N_STREAM_OVERFLOW] += 1
            continue
        if table[at, X_KEY] == 0:
            totals[N_STREAMS] += 1
            table[at, X_KEY] = key & MASK62
            table[at, X_SLOT] = cols[SLOT, i]
            table[at, X_SSRC] = ssrc
            table[at, X_TYPE] = kind
            table[at, X_FIRST] = number
            table[at, X_FIRST_NS] = rel
            table[at, X_BASE] = sequence
            table[at, X_HIGHEST] = sequence
            table[at, X_WINDOW] = 1
            table[at, X_PACKETS] = 1
            table[at, X_RECEIVED] = 1
            table[at, X_STAMP] = stamp
            table[at, X_BYTES] = media
            table[at, X_SAME_BYTES] = 1
            table[at, X_RATE_NS] = rel
            table[at, X_LAST_NS] = rel
            table[at, X_SECOND] = -1
            continue
        table[at, X_PACKETS] += 1
        highest = int(table[at, X_HIGHEST])
        ahead = (sequence - highest) & 0xFFFF
        if ahead == 0 or ahead > 0x10000 - MAX_MISORDER:
            behind = (highest - sequence) & 0xFFFF
            if behind >= WINDOW or (int(table[at, X_WINDOW]) >> behind) & 1 == 1:
                table[at, X_DUPLICATES] += 1
            else:
                table[at, X_WINDOW] = int(table[at, X_WINDOW]) | (1 << behind)
                table[at, X_RECEIVED] += 1
                table[at, X_LATE] += 1
            continue
        wait = rel - int(table[at, X_LAST_NS])
        table[at, X_LAST_NS] = rel
        if wait > table[at, X_WAIT]:
            table[at, X_WAIT] = wait
            table[at, X_WAIT_FRAME] = number
            table[at, X_WAIT_NS] = rel
        if ahead >= MAX_DROPOUT:
            # Another beginning: the sender started anew (RFC 3550 A.1 waits for a second packet in order; a jump as far
            # as this by chance is rarer than a sender that starts anew).
            table[at, X_RESTARTS] += 1
            table[at, X_EXPECTED] += highest - int(table[at, X_BASE]) + 1
            table[at, X_BASE] = sequence
            table[at, X_HIGHEST] = sequence
            table[at, X_WINDOW] = 1
            table[at, X_RECEIVED] += 1
            table[at, X_STAMP] = stamp
            table[at, X_SECOND] = -1
            table[at, X_RATE_NS] = rel
            table[at, X_RATE_STAMPS] = 0
            continue
        table[at, X_RECEIVED] += 1
        table[at, X_HIGHEST] = highest + ahead
        if ahead >= WINDOW:
            table[at, X_WINDOW] = 1
        else:
            table[at, X_WINDOW] = ((int(table[at, X_WINDOW]) << ahead) & MASK62) | 1
        if ahead > 1:
            n = int(table[at, X_GAPS])
            if n < LOSSES:
                table[at, X_FIRST_LOSS + LOSS_COLUMNS * n] = rel - wait
                table[at, X_FIRST_LOSS + LOSS_COLUMNS * n + 1] = rel
                table[at, X_FIRST_LOSS + LOSS_COLUMNS * n + 2] = number
                table[at, X_FIRST_LOSS + LOSS_COLUMNS * n + 3] = ahead - 1
            table[at, X_GAPS] += 1
            table[at, X_LAST_LOSS_NS] = rel
            if ahead - 1 > table[at, X_LONGEST]:
                table[at, X_LONGEST] = ahead - 1
                table[at, X_LONGEST_FRAME] = number
                table[at, X_LONGEST_NS] = rel
        if media == table[at, X_BYTES]:
            table[at, X_SAME_BYTES] += 1
        moved = ((stamp - int(table[at, X_STAMP]) + 0x80000000) & 0xFFFFFFFF) - 0x80000000
        table[at, X_STAMP] = stamp
        if ahead == 1:
            if moved == table[at, X_STEP]:
                table[at, X_STEPS] += 1
            elif table[at, X_STEPS] == 0:
                table[at, X_STEP] = moved
        table[at, X_RATE_STAMPS] += moved
        rate = int(table[at, X_RATE])
        if rate == 0:
            spent = rel - int(table[at, X_RATE_NS])
            if table[at, X_RECEIVED] >= RATE_AFTER and spent >= RATE_AFTER_NS and spent < 1_000_000_000_000:
                table[at, X_RATE] = nominal(int(table[at, X_RATE_STAMPS]) * 1_000_000 // (spent // 1000))
                table[at, X_RATE_NS] = rel
                table[at, X_RATE_STAMPS] = 0
            continue
        if abs(moved) > 3600 * rate or wait > 3_600_000_000_000:
            continue  # a timestamp that jumped by more than an hour is no delay
        # RFC 3550 A.8, in units of the stream's clock: d is how much more time passed here than there.
        apart = abs(wait * rate // 1_000_000_000 - moved)
        jitter = int(table[at, X_JITTER16])
        jitter += apart - ((jitter + 8) >> 4)
        table[at, X_JITTER16] = jitter
        if jitter > table[at, X_JITTER16_MOST]:
            table[at, X_JITTER16_MOST] = jitter
        # Delay against the timestamps, from the first packet of each second: what a receive buffer must even out.
        second = rel // 1_000_000_000
        if second != table[at, X_SECOND]:
            table[at, X_SECOND] = second
            table[at, X_DELAY_NS] = rel
            table[at, X_DELAY_STAMP] = 0
            table[at, X_DELAY_LEAST] = 0
            table[at, X_DELAY_MOST] = 0
        else:
            table[at, X_DELAY_STAMP] += moved
            delay = rel - int(table[at, X_DELAY_NS]) - int(table[at, X_DELAY_STAMP]) * 1_000_000_000 // rate
            table[at, X_DELAY_LEAST] = min(int(table[at, X_DELAY_LEAST]), delay)
            table[at, X_DELAY_MOST] = max(int(table[at, X_DELAY_MOST]), delay)
            spread = int(table[at, X_DELAY_MOST]) - int(table[at, X_DELAY_LEAST])
            if spread > table[at, X_SPREAD]:
                table[at, X_SPREAD] = spread
                table[at, X_SPREAD_NS] = rel
