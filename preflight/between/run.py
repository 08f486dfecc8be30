"""Two passes over both captures: the first compares the clocks, the second walks both by the time of A.

Strategy: both captures are read by threads of their own, so that two cores are busy; memory is the rings, the
tables and a few batches, whatever the captures' lengths. Between captures of which the snap length cut one,
only the bytes that both hold are compared.
"""

import itertools
import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

import numpy as np

from preflight.between import kernels as x
from preflight.between.clocks import Aligned, ClockSet, aligned, floors, is_mirror
from preflight.between.facts import BetweenFacts, Clocks, End, Ending, Gap, Here, Lone, Seen, Talker
from preflight.between.facts import Path as FlowPath
from preflight.frames import compile as kernels_compile
from preflight.frames import kernels as k
from preflight.frames.ahead import Ahead
from preflight.frames.batch import Batch, Progress
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from preflight.frames.facts import SourceFacts
from preflight.tally.facts import Cast
from preflight.tally.rows import ip_text, mac_text

FLOW_ROWS, TALKER_ROWS, SAMPLE_ROWS = 1 << 13, 1 << 12, 1 << 16
# Rows of a ring, in powers of two. What is larger than the processor's cache takes twice as long, so a flood
# of small frames is waited for less long; but always long enough for B to be walked later than A.
LEAST_RING, USUAL_RING, MOST_RING = 13, 16, 19
LINE = 8  # numbers in a line of the processor's cache, mostly
SHORT = 64  # bytes beyond the link header that the first pass compares: the headers down to RTP
LEAST = 28  # shorter pieces tell nothing: an IP and a UDP header
WHOLE = 1 << 30
PLAIN_BYTES = 1 << 18  # below this, plain Python is done before Numba is imported
NS = 1_000_000_000
PATIENCE_NS = NS  # a frame that is not there after a second is lost to any audio. Common practice.
LEAST_LAG_NS, MOST_LAG_NS = 2_000_000, 500_000_000
LEAST_OFF_NS = 50_000
LATE_NS = 1_000_000  # AES67's usual packet time (from memory)
CASTS = get_args(Cast)


@dataclass
class Side:
    """One capture of the two: the file, the interface or None, and its tables."""

    path: str
    interface: int | None
    name: str
    flows: np.ndarray
    talkers: np.ndarray = field(default_factory=lambda: np.zeros((TALKER_ROWS, x.TALKER_COLUMNS), np.int64))
    ways: np.ndarray = field(default_factory=lambda: np.zeros((TALKER_ROWS, 2), np.int64))
    counts: np.ndarray = field(default_factory=lambda: np.zeros(x.MARKED, np.int64))

    def begin(self) -> None:
        for table in (self.flows, self.talkers, self.counts):
            table[:] = 0
        self.counts[x.N_LEAST_CUT] = WHOLE

    def marked(
        self,
        capture: CaptureFile,
        engine: kernels_compile.Engine,
        limit: int,
        how: int,
        offset_ns: int = 0,
        drift_32: int = 0,
    ) -> Iterator[Batch]:
        """The batches of a capture, each frame with its content, its flow and its number."""
        told = np.array(
            [limit, how, -1 if self.interface is None else self.interface, offset_ns, drift_32], np.int64
        )
        for batch in capture.batches():
            view = engine.bytes_of(batch.block)
            engine.mark(
                view,
                batch.columns,
                batch.rows,
                batch.first,
                told,
                self.ways,
                self.flows,
                self.talkers,
                self.counts,
            )
            yield batch


@dataclass(frozen=True)
class Sampled:
    """What the first pass learns of a side."""

    contents: np.ndarray
    source: SourceFacts
    least_cut: int
    ethernet: bool


def interfaces_of(path: str) -> list[int]:
    """The interfaces of a pcapng file that heard any frame, counted from 0."""
    found: set[int] = set()
    for batch in CaptureFile(path).batches():
        found |= set(np.unique(batch.columns[k.INTERFACE, : batch.rows]).tolist())
    return sorted(found)


def between(
    a: tuple[str, int | None],
    b: tuple[str, int | None],
    pair: bool = False,
    one_clock: bool = False,
    late_ns: int = LATE_NS,
    progress: Progress | None = None,
) -> BetweenFacts:
    """What became on its way of what both captures hold: each a file and, of several interfaces, the one that
    is meant. With `pair` they are of two networks that carry the same streams. `one_clock` says that both
    have one clock. Raises CaptureError."""
    flows = np.zeros((2 * FLOW_ROWS, x.FLOW_COLUMNS), np.int64)
    sides = [
        Side(path, interface, _named(path, interface), part)
        for (path, interface), part in zip((a, b), np.split(flows, 2), strict=True)
    ]
    one_clock = one_clock or a[0] == b[0]
    engine = _engine([a[0], b[0]], progress)
    try:
        how = x.WITH_TO | (x.PAIR if pair else 0)
        first, limit = _sampled(sides, engine, how, progress)
        if not all(each.ethernet for each in first):
            how &= ~x.WITH_TO
            first, limit = _sampled(sides, engine, how, progress)
    except _Cut as cut:
        raise CaptureError(
            f"{cut}: its frames are cut so short that they cannot be told apart; capture again with a snap "
            "length of 128 or more"
        ) from None
    starts = [each.source.first_ns or 0 for each in first]
    mirrored = tuple(is_mirror(each.contents) for each in first)
    known = None
    if one_clock:
        known = starts[0] - starts[1]
    jump_s = None
    try:
        fitted = aligned(first[0].contents, first[1].contents, known, (mirrored[0], mirrored[1]))
    except ClockSet as was_set:
        fitted, jump_s = None, was_set.jump_s
    if fitted is None:
        ends = [_end(side, each.source, False, 0, ()) for side, each in zip(sides, first, strict=True)]
        return BetweenFacts(ends[0], ends[1], pair, None, jump_s=jump_s)
    whole = WHOLE if limit is None else limit
    return _walked(
        sides,
        flows,
        engine,
        fitted,
        whole,
        how,
        (mirrored[0], mirrored[1]),
        one_clock,
        starts,
        late_ns,
        progress,
    )


class _Cut(Exception):
    """A side whose frames are cut too short."""


def _named(path: str, interface: int | None) -> str:
    return path if interface is None else f"{path} interface {interface + 1}"


def _engine(paths: list[str], progress: Progress | None) -> kernels_compile.Engine:
    """Compiled, unless the captures are small and nothing is compiled yet."""
    size = 0
    for path in set(paths):
        try:
            size += Path(path).stat().st_size
        except OSError:
            continue  # opening it says why
    if size > PLAIN_BYTES or kernels_compile.ready(kernels_compile.BETWEEN):
        say = None if progress is None else lambda note: progress(0, None, 0, note)
        return kernels_compile.compiled(say, kernels_compile.BETWEEN)
    return kernels_compile.plain(kernels_compile.BETWEEN)


def _sampled(
    sides: list[Side], engine: kernels_compile.Engine, how: int, progress: Progress | None
) -> tuple[list[Sampled], int | None]:
    """The first pass over both. Also how many bytes beyond the link header both hold of every frame, None:
    all."""
    limit = SHORT
    while True:
        captures = [CaptureFile(side.path, progress if n == 0 else None) for n, side in enumerate(sides)]
        with ThreadPoolExecutor(2) as pool:
            going = [
                pool.submit(_sample, side, capture, engine, limit, how)
                for side, capture in zip(sides, captures, strict=True)
            ]
            try:
                first = [each.result() for each in going]
            except BaseException:  # Ctrl-C, or one that cannot be read: the other need not be read to its end
                for capture in captures:
                    capture.partial = True
                raise
        least = min(each.least_cut for each in first)
        if least >= limit:
            return first, None if least == WHOLE else least
        if least < LEAST:
            raise _Cut(next(s.name for s, f in zip(sides, first, strict=True) if f.least_cut == least))
        limit = least


def _sample(
    side: Side, capture: CaptureFile, engine: kernels_compile.Engine, limit: int, how: int
) -> Sampled:
    side.begin()
    table = np.zeros((SAMPLE_ROWS, x.SAMPLE_COLUMNS), np.int64)
    chosen = np.array([x.NONE, 2 * SAMPLE_ROWS], np.int64)
    ethernet = True
    for batch in side.marked(capture, engine, limit, how | x.FIRST):
        ethernet = ethernet and bool((batch.columns[k.LINK, : batch.rows] == k.ETHERNET).all())
        engine.sample(engine.bytes_of(batch.block), batch.columns, batch.rows, how, table, chosen)
    table[table[:, x.Q_KEY] > chosen[0]] = 0
    return Sampled(table, capture.facts(), int(side.counts[x.N_LEAST_CUT]), ethernet)


def _walked(
    sides: list[Side],
    flows: np.ndarray,
    engine: kernels_compile.Engine,
    fitted: Aligned,
    limit: int,
    how: int,
    mirrored: tuple[bool, bool],
    one_clock: bool,
    starts: list[int],
    late_ns: int,
    progress: Progress | None,
) -> BetweenFacts:
    """The second pass. `flows` are those of both sides."""
    seen = [(int(side.counts[x.N_FIRST_NS]), int(side.counts[x.N_LAST_NS])) for side in sides]
    most = max(int(side.counts[x.N_FRAMES]) for side in sides)
    for side in sides:
        side.begin()
    for key, (way, floor) in floors(fitted).items():
        at = k.slot_of(sides[0].flows, key)
        if at >= 0:
            sides[0].flows[at, [x.G_KEY, x.G_WAY, x.G_FLOOR]] = key, way, floor
    for src, way in fitted.ways.items():
        at = k.slot_of(sides[0].ways, src + 1)
        if at >= 0:
            sides[0].ways[at] = src + 1, way
    held = np.zeros(x.HELD, np.int64)
    for end in (x.A, x.B):
        held[[x.H_NEXT + end, x.H_UNTOLD + end]] = 2 + end
        held[x.H_MIRROR + end] = mirrored[end]
    b_seen = [at - fitted.offset_ns - round(at * fitted.drift) for at in seen[1]]
    held[x.H_FROM_NS], held[x.H_UNTIL_NS] = max(seen[0][0], b_seen[0]), min(seen[0][1], b_seen[1])
    far = float(np.percentile(np.abs(fitted.spans), 99))
    held[x.H_LAG_NS] = int(min(max(2 * far, 2 * fitted.bend_ns, LEAST_LAG_NS), MOST_LAG_NS))
    held[x.H_PATIENCE_NS] = held[x.H_SHORTEST_NS] = PATIENCE_NS
    held[x.H_LATE_NS] = late_ns
    low, high = np.percentile(fitted.spans, [1, 50])
    held[x.H_FLOOR_NS] = int(low)
    held[x.H_OFF_NS] = int(max(LEAST_OFF_NS, 2 * (high - low), 2 * fitted.bend_ns))
    room = _ring_rows(held, most * NS / max(min(last - first for first, last in seen), NS // 1000))
    ring = _by_lines(2 * room, x.RING_COLUMNS)
    queues = np.zeros((2 * room, x.QUEUE_COLUMNS), np.int64)
    heads = np.zeros(2 * room, np.int64)

    captures = [CaptureFile(side.path, progress if n == 0 else None) for n, side in enumerate(sides)]
    moves = [(0, 0), (fitted.offset_ns, fitted.drift_32)]
    batches = [
        Ahead(side.marked(capture, engine, limit, how, *move))
        for side, capture, move in zip(sides, captures, moves, strict=True)
    ]
    nothing = np.zeros((k.COLUMNS, 1), np.int64)
    columns, rows, first = [nothing, nothing], [0, 0], [1, 1]
    wants = 1
    while wants:
        n = wants - 1
        batch = next(batches[n], None)
        held[x.H_AT + n] = 0
        columns[n], rows[n], first[n] = (
            (nothing, -1, 0) if batch is None else (batch.columns, batch.rows, batch.first)
        )
        wants = engine.hold(
            columns[0], rows[0], first[0], columns[1], rows[1], first[1],
            ring, queues, heads, flows, held,
        )  # fmt: skip
    engine.let_out(ring, queues, heads, flows, held)
    paths = _paths(sides, fitted)
    return BetweenFacts(
        a=_end(sides[0], captures[0].facts(), mirrored[0], int(held[x.H_TWINS + x.A]), _lone(sides[0])),
        b=_end(sides[1], captures[1].facts(), mirrored[1], int(held[x.H_TWINS + x.B]), _lone(sides[1])),
        pair=bool(how & x.PAIR),
        clocks=Clocks(
            one=one_clock,
            offset_s=(starts[1] - starts[0] + round(fitted.offset_ns / (1 - fitted.drift))) / NS,
            drift_ppm=fitted.drift * 1e6,
            uncertainty_s=fitted.uncertainty_ns / NS,
            contents=len(fitted.spans),
            bend_s=fitted.bend_ns / NS,
        ),
        common_s=max(int(held[x.H_UNTIL_NS]) - int(held[x.H_FROM_NS]), 0) / NS,
        matched=int(held[x.H_MATCHED]),
        patience_s=int(held[x.H_SHORTEST_NS]) / NS,
        late_s=late_ns / NS,
        paths=paths,
    )


def _by_lines(rows: int, columns: int) -> np.ndarray:
    """Rows of zeros, the first of which begins where a line of the processor's cache does."""
    room = np.zeros(rows * columns + LINE - 1, np.int64)
    start = -(room.ctypes.data // room.itemsize) % LINE
    return room[start : start + rows * columns].reshape(rows, columns)


def _ring_rows(held: np.ndarray, frames_per_s: float) -> int:
    """Enough for the patience at twice the mean rate, as far as that stays in the cache; always enough for
    the lag."""
    lag_s, patience_s = int(held[x.H_LAG_NS]) / NS, int(held[x.H_PATIENCE_NS]) / NS
    wished = math.ceil(math.log2(max(2 * frames_per_s * (patience_s + lag_s), 1)))
    needed = math.ceil(math.log2(max(4 * frames_per_s * lag_s, 1)))
    return 1 << min(max(min(wished, USUAL_RING), needed, LEAST_RING), MOST_RING)


# -- from rows to facts --------------------------------------------------------------------------------------


def _paths(sides: list[Side], fitted: Aligned) -> tuple[FlowPath, ...]:
    """The flows that both hold, those with the most frames first."""
    a, b = sides[0].flows, sides[1].flows
    rows = np.flatnonzero(a[:, x.G_PARTNER] > 0)
    rows = rows[np.argsort(-a[rows, x.G_FRAMES], kind="stable")]
    partners = a[:, x.G_PARTNER] - 1 - FLOW_ROWS
    return tuple(_path(a[at].tolist(), b[partners[at]].tolist(), fitted) for at in rows)


def _path(a: list[int], b: list[int], fitted: Aligned) -> FlowPath:
    way = fitted.ways.get(a[x.G_SRC])
    timed = a[x.G_TIMED]
    never = a[x.G_STRETCHES] + a[x.G_HIGHEST] - a[x.G_BASE] + 1 - a[x.G_NUMBERS] if a[x.G_STARTED] else 0
    return FlowPath(
        **_who(a),
        b_source=mac_text(b[x.G_SRC]),
        b_source_ip=ip_text(b[x.G_IP_VERSION], b[x.G_SRC_IP : x.G_SRC_IP + 4]),
        b_destination_ip=ip_text(b[x.G_IP_VERSION], b[x.G_DST_IP : x.G_DST_IP + 4]),
        way=None if way is None else "A to B" if way > 0 else "B to A",
        a=_here(a),
        b=_here(b),
        matched=a[x.G_MATCHED],
        timed=timed,
        least_s=a[x.G_LEAST_NS] / NS if timed else None,
        most_s=a[x.G_MOST_NS] / NS if timed else None,
        spread_s=a[x.G_SPREAD_NS] / NS,
        spread_at=Seen(a[x.G_SPREAD_FRAME], a[x.G_SPREAD_OTHER], a[x.G_SPREAD_AT_NS] / NS),
        mean_s=a[x.G_SUM_NS] / timed / NS if timed else 0.0,
        late=a[x.G_LATE],
        first_late=Seen(a[x.G_LATE_FRAME], a[x.G_LATE_OTHER], a[x.G_LATE_AT_NS] / NS),
        reordered=a[x.G_REORDERED],
        first_reordered=Seen(a[x.G_REORDERED_FRAME], a[x.G_REORDERED_OTHER], a[x.G_REORDERED_AT_NS] / NS),
        never=max(never, 0) if _rtp(a) else 0,
        jump_frame=a[x.G_JUMP_FRAME] or None,
        jump_s=a[x.G_JUMP_NS] / NS,
    )  # fmt: skip


def _who(row: list[int]) -> dict:
    version = row[x.G_IP_VERSION]
    return {
        "source": mac_text(row[x.G_SRC]),
        "destination": mac_text(row[x.G_DST]),
        "cast": CASTS[row[x.G_CAST]],
        "ethertype": row[x.G_ETHERTYPE],
        "protocol": row[x.G_PROTOCOL] if row[x.G_PROTOCOL] >= 0 else None,
        "source_port": row[x.G_SOURCE_PORT],
        "destination_port": row[x.G_DESTINATION_PORT],
        "source_ip": ip_text(version, row[x.G_SRC_IP : x.G_SRC_IP + 4]),
        "destination_ip": ip_text(version, row[x.G_DST_IP : x.G_DST_IP + 4]),
        "rtp": _rtp(row),
    }


def _rtp(row: list[int]) -> bool:
    """Whether it counts its packets as RTP does: what only looks like it does not."""
    return bool(row[x.G_SSRC]) and row[x.G_FRAMES] >= 10 and row[x.G_STEPS] > 0.4 * row[x.G_FRAMES]


def _here(row: list[int]) -> Here:
    events = itertools.islice(
        range(x.G_EVENTS, x.FLOW_COLUMNS, x.EVENT_COLUMNS), min(row[x.G_GAPS], x.EVENTS)
    )
    return Here(
        frames=row[x.G_FRAMES],
        first_frame=row[x.G_FIRST_FRAME],
        first_s=row[x.G_FIRST_NS] / NS,
        last_frame=row[x.G_LAST_FRAME],
        last_s=row[x.G_LAST_NS] / NS,
        only=row[x.G_ONLY],
        gap_count=row[x.G_GAPS],
        longest=row[x.G_LONGEST],
        alike=row[x.G_ALIKE],
        gaps=tuple(
            Gap(
                row[at + x.E_FRAMES], row[at + x.E_FRAME], row[at + x.E_NS] / NS, row[at + x.E_END_NS] / NS,
                row[at + x.E_BEFORE], row[at + x.E_AFTER],
            )
            for at in events
        ),
        ending=Ending(row[x.G_RUN], row[x.G_RUN_FRAME], row[x.G_RUN_NS] / NS),
        doubled=row[x.G_DOUBLED],
        doubled_frame=row[x.G_DOUBLED_FRAME],
        doubled_s=row[x.G_DOUBLED_NS] / NS,
        doubled_other=row[x.G_DOUBLED_OTHER],
        more=row[x.G_MORE],
        more_frame=row[x.G_MORE_FRAME],
        more_s=row[x.G_MORE_NS] / NS,
    )  # fmt: skip


def _lone(side: Side) -> tuple[Lone, ...]:
    rows = np.flatnonzero((side.flows[:, x.G_FRAMES] > 0) & (side.flows[:, x.G_PARTNER] == 0))
    rows = rows[np.argsort(-side.flows[rows, x.G_FRAMES], kind="stable")]
    return tuple(
        Lone(
            **_who(row),
            frames=row[x.G_FRAMES],
            first_frame=row[x.G_FIRST_FRAME],
            first_s=row[x.G_FIRST_NS] / NS,
            last_s=row[x.G_LAST_NS] / NS,
        )
        for row in side.flows[rows].tolist()
    )


def _end(side: Side, source: SourceFacts, mirrored: bool, twins: int, lone: tuple[Lone, ...]) -> End:
    counts = side.counts.tolist()
    rows = side.talkers[side.talkers[:, x.T_KEY] != 0].tolist()
    return End(
        name=_named(source.name, side.interface),
        source=source,
        frames=counts[x.N_FRAMES],
        first_s=counts[x.N_FIRST_NS] / NS,
        last_s=counts[x.N_LAST_NS] / NS,
        link_local=counts[x.N_LINK_LOCAL],
        cut=counts[x.N_CUT],
        no_room=counts[x.N_NO_ROOM],
        quiet_s=counts[x.N_QUIET_NS] / NS,
        quiet_at_s=counts[x.N_QUIET_AT_NS] / NS,
        mirrored=mirrored,
        twins=twins,
        lone=lone,
        talkers=tuple(
            Talker(
                mac_text(row[x.T_KEY] - 1), ip_text(4, [row[x.T_ADDRESS]]) if row[x.T_ADDRESS] else "", row[x.T_FRAMES],
                row[x.T_FIRST_FRAME], row[x.T_FIRST_NS] / NS, row[x.T_BROADCAST], row[x.T_BROADCAST_FRAME],
            )
            for row in rows
        ),
    )  # fmt: skip
