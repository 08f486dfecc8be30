"""A kernel that follows the beat of every periodic flow, whatever its protocol.

Strategy: the first LEARN frames of each flow are kept; `periodic.learn` finds from them whether the flow is
periodic, its period and how many frames come in a beat. From then on the kernel follows the beat as a
phase-locked loop does: it expects the next one a period later and corrects itself by a part of the error. A
beat that does not come makes a debt of frames. Frames that come after it in a bunch pay the debt: they were
late. What is not paid in time was missing. A long silence is a stop, not a loss. Copies (a mirror, a loop)
are left out.

LEARN frames may hold too few blocks to show that the block is the beat, and its frames the pace within. Where
some of their intervals are long, the kernel goes on to keep when blocks begin and end and how many frames
they have; `periodic.learn_blocks` decides from BLOCKS of them. A flow without a beat may have begun unevenly:
it is tried again after a rest, longer each time.
"""

from preflight.frames.compile import SELDOM, TABLE, Columns, kernel
from preflight.frames.kernels import COPY, REL, SLOT
from preflight.tally.periodic import (
    BLOCK_COLUMNS,
    FOUND,
    L_BEATS,
    L_MISSING,
    L_MISSING_NS,
    L_PER_BEAT,
    L_PERIOD_NS,
    L_SPAN_NS,
    LEARN,
    LEAST_BEATS,
    TIMES,
    edge,
    learn,
)

BLOCKS = LEARN // BLOCK_COLUMNS
LEARNING, SEARCHING, LOCKED, APERIODIC = range(4)
_periodic = Columns()
B_STATE, B_COUNT = _periodic.take(2)  # B_COUNT frames are kept for learning
B_TRIED, B_REST = _periodic.take(
    2
)  # how often no beat was found; frames until the next try, 0 where it was given up
# A frame within B_WINDOW_NS after the beat's place is of that beat: half the pause beyond its last frame.
B_PERIOD_NS, B_PER_BEAT, B_BEATS, B_WINDOW_NS = _periodic.take(4)
# An interval longer than this parts two blocks (0: not looked for); blocks kept so far, and the last frame of
# the open one.
B_EDGE_NS, B_BLOCKS, B_BLOCK_END = _periodic.take(3)
# When the last beat was due, after correction; the last frame; frames of the beat.
B_PHASE, B_LAST, B_GOT = _periodic.take(3)
# Frames owed, since when, noticed at which frame, and when that or the last late frame came.
B_DEBT, B_DEBT_NS, B_DEBT_FRAME, B_DEBT_SEEN = _periodic.take(4)
B_MISSING, B_LATE = _periodic.take(2)  # frames that were never paid; that came after their time
B_LONGEST_WAIT_NS, B_LONGEST_WAIT_FRAME, B_LONGEST_WAIT_AT_NS = _periodic.take(3)
B_STOPS, B_LONGEST_STOP_NS, B_EVENTS = _periodic.take(3)
E_AFTER_NS, E_FRAME, E_FRAMES = range(3)  # of each of the first events
EVENTS, EVENT_COLUMNS = 8, 3
(B_FIRST_EVENT,) = _periodic.take(1, width=EVENTS * EVENT_COLUMNS)
BEAT_COLUMNS = _periodic.size

REST, TRIES = 64, 6  # as of counters. Common practice.
LONGEST_BLOCK = 512  # frames: what goes on for longer is no block. Common practice.
STOP_NS = 1_000_000_000  # silence of a second and ten periods is a stop. Common practice.
STOP_PERIODS = 10
PATIENCE_NS = 50_000_000  # a debt is paid by frames that follow within 50 ms and 16 periods. Common practice.
PATIENCE_PERIODS = 16


@kernel()
def settle(table, at):
    """What is owed will not come any more."""
    debt = int(table[at, B_DEBT])
    if debt > 0:
        table[at, B_MISSING] += debt
        n = int(table[at, B_EVENTS])
        if n < EVENTS:
            event = B_FIRST_EVENT + EVENT_COLUMNS * n
            table[at, event + E_AFTER_NS] = table[at, B_DEBT_NS]
            table[at, event + E_FRAME] = table[at, B_DEBT_FRAME]
            table[at, event + E_FRAMES] = debt
        table[at, B_EVENTS] += 1
    table[at, B_DEBT] = 0


@kernel()
def owe(table, at, frames, since, number, now):
    if table[at, B_DEBT] == 0:
        table[at, B_DEBT_NS] = since
        table[at, B_DEBT_FRAME] = number
        table[at, B_DEBT_SEEN] = now
    table[at, B_DEBT] += frames


@kernel()
def enter(table, at, work):
    """Follow the beat that was found from now on."""
    period, per_beat = int(work[FOUND, L_PERIOD_NS]), int(work[FOUND, L_PER_BEAT])
    missing = int(work[FOUND, L_MISSING]) * per_beat
    table[at, B_STATE] = SEARCHING
    table[at, B_PERIOD_NS] = period
    table[at, B_PER_BEAT] = per_beat
    table[at, B_BEATS] = work[FOUND, L_BEATS]
    table[at, B_WINDOW_NS] = (period + int(work[FOUND, L_SPAN_NS])) // 2
    table[at, B_MISSING] = missing
    if missing > 0:
        table[at, B_EVENTS] = 1
        table[at, B_FIRST_EVENT + E_AFTER_NS] = work[FOUND, L_MISSING_NS]
        table[at, B_FIRST_EVENT + E_FRAMES] = missing


@kernel(SELDOM)
def decide(table, at, kept, work):
    """Decide whether a flow has a beat to follow: from its first frames, or, where long intervals part them,
    from its blocks."""
    if table[at, B_EDGE_NS] > 0:
        table[at, B_EDGE_NS] = 0
        if learn(work, kept, at, BLOCKS, True):
            last = int(table[at, B_LAST])
            for column in range(BEAT_COLUMNS):  # what was counted by frames counts no more
                table[at, column] = 0
            table[at, B_COUNT] = LEARN
            table[at, B_LAST] = last
            enter(table, at, work)
        return
    found = learn(work, kept, at, LEARN, False)
    if found:
        enter(table, at, work)
    if not found or work[FOUND, L_PER_BEAT] == 1:
        table[at, B_EDGE_NS] = edge(work, LEARN)
        table[at, B_BLOCK_END] = work[TIMES, LEARN - 1]
    if not found:
        table[at, B_STATE] = APERIODIC
        table[at, B_TRIED] += 1
        tried = int(table[at, B_TRIED])
        rest = max(REST << tried, LONGEST_BLOCK if table[at, B_EDGE_NS] > 0 else 0)
        table[at, B_REST] = rest if tried < TRIES else 0


@kernel(f"void({TABLE}, {TABLE}, {TABLE})")
def conclude(table, kept, work):
    """Decide of flows that sent too little so far, from what is there. Their beats are then as found:
    SEARCHING."""
    for at in range(table.shape[0]):
        blocks = table[at, B_EDGE_NS] > 0
        if not blocks and (table[at, B_STATE] != LEARNING or table[at, B_TRIED] > 0):
            continue
        count = (
            int(table[at, B_BLOCKS]) - 1 if blocks else int(table[at, B_COUNT])
        )  # the last block may be in part
        if count >= LEAST_BEATS and learn(work, kept, at, count, blocks):
            for column in range(B_BEATS if blocks else BEAT_COLUMNS, BEAT_COLUMNS):
                table[at, column] = 0
            enter(table, at, work)


@kernel(f"void({TABLE}, int64, int64, {TABLE}, {TABLE}, {TABLE})")
def periodic(cols, rows, first, kept, table, work):
    """Follow the flows of a batch; SLOT names their rows. `kept` holds the first times of each flow, or its
    blocks."""
    for i in range(rows):
        at = int(cols[SLOT, i])
        if at < 0 or cols[COPY, i] > 0:
            continue
        rel = int(cols[REL, i])
        apart = int(table[at, B_EDGE_NS])
        if apart > 0 and table[at, B_BLOCKS] == BLOCKS and rel - table[at, B_BLOCK_END] > apart:
            decide(table, at, kept, work)
            apart = 0
        state = int(table[at, B_STATE])
        if state == APERIODIC and apart == 0 and table[at, B_REST] == 0:
            continue
        if apart > 0:
            n = int(table[at, B_BLOCKS])
            if rel - table[at, B_BLOCK_END] > apart:
                kept[at, BLOCK_COLUMNS * n] = rel
                kept[at, BLOCK_COLUMNS * n + 2] = 0
                n += 1
                table[at, B_BLOCKS] = n
                if table[at, B_REST] > 0:
                    table[at, B_REST] = LONGEST_BLOCK
            table[at, B_BLOCK_END] = rel
            if n > 0:
                kept[at, BLOCK_COLUMNS * n - 2] = rel
                kept[at, BLOCK_COLUMNS * n - 1] += 1
        if state == APERIODIC:
            if table[at, B_REST] > 0:
                table[at, B_REST] -= 1
                if table[at, B_REST] == 0:
                    table[at, B_STATE] = LEARNING
                    table[at, B_COUNT] = 0
                    table[at, B_EDGE_NS] = 0
                    table[at, B_BLOCKS] = 0
            continue
        if state == LEARNING:
            n = int(table[at, B_COUNT])
            kept[at, n] = rel
            table[at, B_COUNT] = n + 1
            table[at, B_LAST] = rel
            if n + 1 == LEARN:
                decide(table, at, kept, work)
            continue
        period = int(table[at, B_PERIOD_NS])
        window = int(table[at, B_WINDOW_NS])
        since_last = rel - int(table[at, B_LAST])
        last = int(table[at, B_LAST])
        table[at, B_LAST] = max(rel, last)
        if state == SEARCHING:
            if since_last < window and table[at, B_PER_BEAT] == 1 and table[at, B_MISSING] > 0:
                # The first frames ended within a bunch of late ones; this one was counted as missing too
                # early.
                table[at, B_MISSING] -= 1
                table[at, B_LATE] += 1
                table[at, B_FIRST_EVENT + E_FRAMES] = table[at, B_MISSING]
                table[at, B_EVENTS] = 1 if table[at, B_MISSING] > 0 else 0
                continue
            if since_last > period - window or table[at, B_PER_BEAT] == 1:  # the first frame of a beat
                table[at, B_STATE] = LOCKED
                table[at, B_PHASE] = rel
                table[at, B_GOT] = 1
            continue
        since_beat = rel - int(table[at, B_PHASE])
        per_beat = int(table[at, B_PER_BEAT])
        if since_last >= STOP_NS and since_last >= STOP_PERIODS * period:
            settle(table, at)
            table[at, B_STOPS] += 1
            table[at, B_LONGEST_STOP_NS] = max(int(table[at, B_LONGEST_STOP_NS]), since_last)
            table[at, B_PHASE] = rel
            table[at, B_GOT] = 1
            continue
        if since_last > table[at, B_LONGEST_WAIT_NS]:
            table[at, B_LONGEST_WAIT_NS] = since_last
            table[at, B_LONGEST_WAIT_FRAME] = first + i
            table[at, B_LONGEST_WAIT_AT_NS] = last
        if since_beat < window:
            table[at, B_GOT] += 1
            if table[at, B_GOT] > per_beat and table[at, B_DEBT] > 0:
                table[at, B_DEBT] -= 1
                table[at, B_LATE] += 1
                table[at, B_DEBT_SEEN] = rel  # as long as late ones come, more may
            continue
        step = 1 if since_beat < period + window else (since_beat + period - window) // period
        if table[at, B_GOT] < per_beat:
            owe(table, at, per_beat - int(table[at, B_GOT]), int(table[at, B_PHASE]), first + i, rel)
        if step > 1:
            owe(table, at, (step - 1) * per_beat, last, first + i, rel)
        if table[at, B_DEBT] > 0 and rel - table[at, B_DEBT_SEEN] > PATIENCE_NS + PATIENCE_PERIODS * period:
            settle(table, at)
        error = since_beat - step * period
        table[at, B_PHASE] += step * period + error // 8
        if step == 1:
            table[at, B_PERIOD_NS] = period + error // 256
        table[at, B_BEATS] += step
        table[at, B_GOT] = 1
