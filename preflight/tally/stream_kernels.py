"""A kernel that follows every RTP stream: sequence numbers, timestamps, jitter, and what buffer would have
held it.

Strategy: RFC 3550 A.1 (extended sequence numbers, probation, restarts) and A.8 (jitter in the stream's own
clock), packet by packet, in a table of fixed size. The rate of a stream's clock is that of all its course so
far: found from the first packets, so that there is jitter to measure, and again whenever a stretch of it
ends. What was measured by a rate that proved wrong is forgotten. What a packet holds is what most hold, not
the first. A window of the last 62 sequence numbers tells a packet that is late from one that comes twice.
"""

from preflight.frames.compile import Columns, kernel
from preflight.frames.kernels import CAP, FLOW, MASK62, OFF, PAYLOAD, REL, SLOT, be16, be32, mix, slot_of, u8
from preflight.tally.course_kernels import COURSE_COLUMNS, G_PACE, begin_course, go_on
from preflight.tally.kernels import K_STREAMS, take

_stream = Columns()
X_KEY, X_SLOT, X_SSRC, X_PAYLOAD_TYPE = _stream.take(4)  # X_SLOT is the flow's row
X_PACKETS, X_FIRST_FRAME, X_FIRST_NS, X_LAST_NS = _stream.take(4)
# First and highest sequence number since the last restart (the highest is extended beyond 16 bits), numbers
# in the stretches before that, and a window whose bit n tells whether `highest - n` has come.
X_BASE, X_HIGHEST, X_BEFORE, X_WINDOW = _stream.take(4)
# Packets that are no duplicate, that are one, that came after a later one.
X_RECEIVED, X_DUPLICATES, X_LATE, X_RESTARTS = _stream.take(4)
# Jumps over numbers; the longest of them.
X_LOSSES, X_LAST_LOSS_NS, X_LONGEST_LOSS, X_LONGEST_LOSS_FRAME, X_LONGEST_LOSS_NS = _stream.take(5)
# Timestamp of the highest packet; how often timestamps jumped while packets went on, by how many units the
# last time, and when.
X_STAMP, X_STAMP_JUMPS, X_STAMP_JUMP, X_STAMP_JUMPED_FRAME, X_STAMP_JUMPED_NS = _stream.take(5)
# What most packets have, how many of them were counted, and by how many more they are than others (`vote`):
# by how much timestamps go on, bytes of media.
X_PACKET_STAMPS, X_STEPS, X_STEPS_AHEAD = _stream.take(3)
X_MEDIA_BYTES, X_SAME_BYTES, X_SAME_AHEAD = _stream.take(3)
(X_CLOCK_HZ,) = _stream.take(1)  # 0: not known yet
X_JITTER16, X_JITTER16_MOST = _stream.take(2)  # 16 times the jitter of A.8
X_LONGEST_WAIT_NS, X_LONGEST_WAIT_FRAME, X_LONGEST_WAIT_AT_NS = _stream.take(3)
(X_LONGEST_STILL_NS,) = _stream.take(1)  # the longest time that a speaker was still
# Delay against the timestamps, least and most in the open second; the largest spread in any second.
X_SECOND, X_DELAY_NS, X_DELAY_STAMP, X_DELAY_LEAST, X_DELAY_MOST = _stream.take(5)
X_DELAY_SPREAD_NS, X_DELAY_SPREAD_AT_NS = _stream.take(2)
# Of each of the first jumps: time before and after it, the frame after, and packets.
L_START_NS, L_END_NS, L_FRAME, L_PACKETS = range(4)
LOSSES, LOSS_COLUMNS = 16, 4
(X_FIRST_LOSSES,) = _stream.take(1, width=LOSSES * LOSS_COLUMNS)
(X_COURSE,) = _stream.take(1, width=COURSE_COLUMNS)  # of the timestamps
STREAM_COLUMNS = _stream.size

# RFC 3550 A.1
MAX_DROPOUT = 3000
MAX_MISORDER = 100
WINDOW = 62
RATE_AFTER = 32  # packets before a rate is found
# pictures sent out of their order, and tones dialled, move timestamps by less. Common practice.
STAMP_JUMP_NS = 500_000_000


# Clock rates of audio and video, each with what is measured as that: 3 % more or less. Rates: AES67, RFC
# 3551.
CLOCKS = (
    *(
        (7760, 8240, 8000),
        (15520, 16480, 16000),
        (31040, 32960, 32000),
        (42777, 45423, 44100),
        (46560, 49440, 48000),
    ),
    *((85554, 88750, 88200), (88750, 92700, 90000), (93120, 98880, 96000)),
    *((171108, 181692, 176400), (186240, 197760, 192000)),
)


@kernel()
def nominal(units_per_s):
    """The clock rate of audio or video nearest to a measured one, 0 when there is none."""
    for least, below, rate in CLOCKS:
        if least <= units_per_s < below:
            return rate
    return 0


@kernel()
def jump(table, at, losses, first_losses, start, end, number, missing):
    """Note a jump over `missing` numbers, from time to time, ended by frame `number`. `losses` is the first
    of five columns in the order of X_LOSSES, `first_losses` where the first jumps are kept."""
    n = int(table[at, losses])
    if n < LOSSES:
        loss = first_losses + LOSS_COLUMNS * n
        table[at, loss + L_START_NS] = start
        table[at, loss + L_END_NS] = end
        table[at, loss + L_FRAME] = number
        table[at, loss + L_PACKETS] = missing
    table[at, losses] += 1
    table[at, losses + 1] = end
    if missing > table[at, losses + 2]:
        table[at, losses + 2] = missing
        table[at, losses + 3] = number
        table[at, losses + 4] = end


@kernel()
def come_behind(table, at, window, behind):
    """Count a packet that is `behind` the highest number, and say whether it came twice; else it was late.
    `window` is the first of four columns in the order of X_WINDOW."""
    if behind >= WINDOW or (int(table[at, window]) >> behind) & 1 == 1:
        table[at, window + 2] += 1
        return True
    table[at, window] = int(table[at, window]) | (1 << behind)
    table[at, window + 1] += 1
    table[at, window + 3] += 1
    return False


@kernel()
def moved_on(window, ahead):
    """The window when the highest number goes on by `ahead`."""
    return ((window << ahead) & MASK62) | 1 if ahead < WINDOW else 1


@kernel()
def note_wait(table, at, longest, wait, number, rel):
    """Note the time since the packet before, ended by frame `number`, where it is the longest. `longest` is
    the first of three columns in the order of X_LONGEST_WAIT_NS."""
    if wait > table[at, longest]:
        table[at, longest] = wait
        table[at, longest + 1] = number
        table[at, longest + 2] = rel


@kernel()
def vote(table, at, column, value):
    """What most packets have, of values that come one by one (Boyer and Moore's vote). `column` is the first
    of three in the order of X_PACKET_STAMPS."""
    if value == table[at, column]:
        table[at, column + 1] += 1
        table[at, column + 2] += 1
    elif table[at, column + 2] == 0:
        table[at, column] = value
        table[at, column + 1] = 1
        table[at, column + 2] = 1
    else:
        table[at, column + 2] -= 1


@kernel()
def streams(b, cols, rows, first, table, taken):
    """Follow the RTP packets of a batch. Packets of RTCP (types 72 to 76, RFC 5761) are none. A stream for
    which there is no row is not followed; its flow is counted all the same."""
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
        at = slot_of(table, key)
        if at < 0:
            continue
        if table[at, X_KEY] == 0:
            take(taken, K_STREAMS, at)
            table[at, X_KEY] = key
            table[at, X_LAST_LOSS_NS] = -1
            table[at, X_LONGEST_LOSS_NS] = -1
            table[at, X_STAMP_JUMPED_NS] = -1
            table[at, X_SLOT] = cols[SLOT, i]
            table[at, X_SSRC] = ssrc
            table[at, X_PAYLOAD_TYPE] = kind
            table[at, X_FIRST_FRAME] = number
            table[at, X_FIRST_NS] = rel
            table[at, X_BASE] = sequence
            table[at, X_HIGHEST] = sequence
            table[at, X_WINDOW] = 1
            table[at, X_PACKETS] = 1
            table[at, X_RECEIVED] = 1
            table[at, X_STAMP] = stamp
            vote(table, at, X_MEDIA_BYTES, media)
            table[at, X_LAST_NS] = rel
            table[at, X_SECOND] = -1
            begin_course(table, at, X_COURSE, rel)
            continue
        table[at, X_PACKETS] += 1
        highest = int(table[at, X_HIGHEST])
        ahead = (sequence - highest) & 0xFFFF
        if ahead == 0 or ahead > 0x10000 - MAX_MISORDER:
            come_behind(table, at, X_WINDOW, (highest - sequence) & 0xFFFF)
            continue
        behind, steps = 0x10000 - ahead, int(table[at, X_PACKET_STAMPS])
        if (
            behind < MAX_DROPOUT
            and steps > 0
            and (int(table[at, X_STAMP]) - stamp) & 0xFFFFFFFF == behind * steps
        ):
            # As many timestamps behind as numbers: no new beginning, but an old packet.
            come_behind(table, at, X_WINDOW, behind)
            continue
        agrees = False
        wait = rel - int(table[at, X_LAST_NS])
        table[at, X_LAST_NS] = rel
        moved = ((stamp - int(table[at, X_STAMP]) + 0x80000000) & 0xFFFFFFFF) - 0x80000000
        rate = int(table[at, X_CLOCK_HZ])
        # Dividing by another number for each packet is what costs most here: both sides are multiplied where
        # that says the same.
        moved_units = moved * 1_000_000_000  # ns, times the rate
        speaks = False
        if ahead == 1 and u8(b, p + 1) & 0x80 != 0 and rate > 0:
            # Speech begins anew, and its sender says so (RFC 3551 section 4.1): it was still, not held up.
            speaks = 2 * abs(moved_units // rate - wait) < wait
        if speaks:
            table[at, X_LONGEST_STILL_NS] = max(wait, int(table[at, X_LONGEST_STILL_NS]))
        else:
            note_wait(table, at, X_LONGEST_WAIT_NS, wait, number, rel)
        each = int(table[at, X_PACKET_STAMPS])
        if ahead >= MAX_DROPOUT and each > 0 and moved > 0 and moved % each == 0:
            # As many timestamps went by as numbers, and about as much time: all that was lost.
            went = moved // each
            passed = wait // 1000 * int(table[at, X_CLOCK_HZ]) // 1_000_000
            if (went - ahead) & 0xFFFF == 0 and moved <= 2 * passed and passed <= 2 * moved:
                ahead = went
                agrees = True
        if ahead >= MAX_DROPOUT and not agrees:
            # Another beginning: the sender started anew (RFC 3550 A.1 waits for a second packet in order; a
            # jump as far as this by chance is rarer than a sender that starts anew).
            table[at, X_RESTARTS] += 1
            table[at, X_BEFORE] += highest - int(table[at, X_BASE]) + 1
            table[at, X_BASE] = sequence
            table[at, X_HIGHEST] = sequence
            table[at, X_WINDOW] = 1
            table[at, X_RECEIVED] += 1
            table[at, X_STAMP] = stamp
            table[at, X_SECOND] = -1
            begin_course(table, at, X_COURSE, rel)
            continue
        table[at, X_RECEIVED] += 1
        table[at, X_HIGHEST] = highest + ahead
        table[at, X_WINDOW] = moved_on(int(table[at, X_WINDOW]), ahead)
        if ahead > 1:
            jump(table, at, X_LOSSES, X_FIRST_LOSSES, rel - wait, rel, number, ahead - 1)
        vote(table, at, X_MEDIA_BYTES, media)
        table[at, X_STAMP] = stamp
        if ahead == 1:
            vote(table, at, X_PACKET_STAMPS, moved)
        elif moved % ahead == 0:
            vote(table, at, X_PACKET_STAMPS, moved // ahead)
        same = rate > 0 and ahead == 1 and kind == table[at, X_PAYLOAD_TYPE] and wait < STAMP_JUMP_NS
        if same and (
            moved_units >= (wait + STAMP_JUMP_NS + 1) * rate or moved_units < (wait - STAMP_JUMP_NS) * rate
        ):
            table[at, X_STAMP_JUMPS] += 1
            table[at, X_STAMP_JUMP] = moved
            table[at, X_STAMP_JUMPED_FRAME] = number
            table[at, X_STAMP_JUMPED_NS] = rel
            table[at, X_SECOND] = -1
            begin_course(table, at, X_COURSE, rel)
            continue
        ended = go_on(table, at, X_COURSE, rel, moved)
        pace = int(table[at, X_COURSE + G_PACE])
        if pace > 0 and (rate == 0 or ended) and table[at, X_RECEIVED] >= RATE_AFTER:
            found = nominal(256_000_000_000 // pace)
            if found not in (0, rate):
                table[at, X_CLOCK_HZ] = found
                table[at, X_JITTER16] = 0
                table[at, X_JITTER16_MOST] = 0
                table[at, X_DELAY_SPREAD_NS] = 0
                table[at, X_SECOND] = -1
                continue
        if rate == 0:
            continue
        if abs(moved) > 3600 * rate or wait > 3_600_000_000_000:
            continue  # a timestamp that jumped by more than an hour is no delay
        # RFC 3550 A.8, in units of the stream's clock: d is how much more time passed here than there.
        apart = abs(wait * rate // 1_000_000_000 - moved)
        jitter = int(table[at, X_JITTER16])
        jitter += apart - ((jitter + 8) >> 4)
        table[at, X_JITTER16] = jitter
        table[at, X_JITTER16_MOST] = max(jitter, int(table[at, X_JITTER16_MOST]))
        # Delay against the timestamps, from the first packet of each second: what a receive buffer must even
        # out.
        second = rel // 1_000_000_000
        if second != table[at, X_SECOND]:
            table[at, X_SECOND] = second
            table[at, X_DELAY_NS] = rel
            table[at, X_DELAY_STAMP] = 0
            table[at, X_DELAY_LEAST] = 0
            table[at, X_DELAY_MOST] = 0
        else:
            table[at, X_DELAY_STAMP] += moved
            since, stamps = rel - int(table[at, X_DELAY_NS]), int(table[at, X_DELAY_STAMP]) * 1_000_000_000
            least, most = int(table[at, X_DELAY_LEAST]), int(table[at, X_DELAY_MOST])
            if stamps >= (since - least + 1) * rate or stamps < (since - most) * rate:  # shorter, or longer
                delay = since - stamps // rate
                least, most = min(least, delay), max(most, delay)
                table[at, X_DELAY_LEAST] = least
                table[at, X_DELAY_MOST] = most
                if most - least > table[at, X_DELAY_SPREAD_NS]:
                    table[at, X_DELAY_SPREAD_NS] = most - least
                    table[at, X_DELAY_SPREAD_AT_NS] = rel
