"""A batch: some thousand frames as columns, over the block of bytes that holds them.

Rows are frames, columns are those of `kernels` (all int64). A batch's arrays are used again for the SETS-th
after it, so that memory does not grow with the capture, and one thread can make batches while another tallies
them.
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from preflight.frames import compile as kernels_compile
from preflight.frames import kernels as k
from preflight.frames.facts import SourceFacts
from preflight.frames.tables import zeros

# Not a power of two: columns that begin a power of two apart fall on the same lines of the processor's cache,
# which makes the classifier three times slower.
ROWS = 4096 + 72
# Below this, plain Python is done before Numba is imported (about 15 thousand small frames).
PLAIN_BYTES = 1 << 20
SETS = 3  # one being tallied, one waiting, one being made


@dataclass(frozen=True)
class Frame:
    """One frame as captured: `number` from 1, `time_ns` since 1970, `wire` its length before the snap length
    cut it."""

    number: int
    time_ns: int
    link: int
    wire: int
    outgoing: bool
    data: bytes


@dataclass
class Batch:
    """`rows` frames, the first of which has number `first` (from 1). `block` is uint8, `columns` int64
    (COLUMNS, ROWS). `view` is the block as the engine's kernels read it."""

    block: np.ndarray
    columns: np.ndarray
    rows: int
    first: int
    engine: kernels_compile.Engine
    view: object

    def data(self, row: int) -> bytes:
        """The captured bytes of one frame."""
        start = int(self.columns[k.OFF, row])
        return self.block[start : start + int(self.columns[k.CAP, row])].tobytes()

    def frame(self, row: int) -> Frame:
        """One frame to keep beyond the batch."""
        columns = self.columns
        return Frame(
            self.first + row,
            int(columns[k.TIME, row]),
            int(columns[k.LINK, row]),
            int(columns[k.WIRE, row]),
            bool(columns[k.OUT, row]),
            self.data(row),
        )


class FrameSource(Protocol):
    """Anything that gives batches: a capture file or a live adapter."""

    def batches(self) -> Iterator[Batch]: ...

    def facts(self) -> SourceFacts: ...


Progress = Callable[[int, int | None, int, str], None]
"""Called with bytes read, bytes in all (None: unknown), frames read, and a note ("" mostly)."""


class Bench:
    """What turns filled first columns into a finished batch: the engine, the clock and the counts of a
    source.

    Where no compiled kernels are at hand, the engine starts as plain Python, and changes to compiled kernels
    once the source proves to be large: the state that kernels carry along is the same for both.
    """

    def __init__(self, large: bool, progress: Progress | None = None) -> None:
        self.progress = progress
        self._sets = itertools.cycle([zeros((k.COLUMNS, ROWS)) for _ in range(SETS)])
        self.columns = next(self._sets)
        self.clock = np.zeros(k.CLOCK_STATE, np.int64)
        self.frames = 0
        self._bytes = 0
        self._large = large

    @cached_property
    def engine(self) -> kernels_compile.Engine:
        """Chosen when it is first asked for: what is no capture is refused without waiting for a compiler."""
        return self._compiled() if self._large or kernels_compile.ready() else kernels_compile.plain()

    def _compiled(self) -> kernels_compile.Engine:
        progress = self.progress
        return kernels_compile.compiled(
            (lambda note: progress(0, None, 0, note)) if progress is not None else None
        )

    def grown(self, nbytes: int) -> None:
        """Take note of `nbytes` more; change the engine when they are too many for plain Python."""
        self._bytes += nbytes
        if self._bytes > PLAIN_BYTES and not self.engine.compiled:
            self.engine = self._compiled()

    def finish(self, block: np.ndarray, rows: int) -> Batch:
        """Classify `rows` frames whose first columns are filled."""
        view = self.engine.bytes_of(block)
        columns = self.columns
        self.engine.read(view, columns, rows, self.clock)
        first = self.frames + 1
        self.frames += rows
        self.columns = next(self._sets)
        return Batch(block, columns, rows, first, self.engine, view)

    @property
    def unreadable(self) -> int:
        """Frames without a header that could be read."""
        return int(self.clock[k.Q_UNREADABLE])

    def timing(self) -> dict:
        """The part of SourceFacts that the clock and the counts give."""
        started = self.frames > 0  # a live source starts its clock before the first frame
        return {
            "frames": self.frames,
            "captured_bytes": int(self.clock[k.Q_BYTES]),
            "first_ns": int(self.clock[k.Q_FIRST_NS]) if started else None,
            "last_ns": int(self.clock[k.Q_LAST_NS]) if started else None,
            "duration_s": int(self.clock[k.Q_REL_NS]) / 1e9,
            "cut": int(self.clock[k.Q_CUT]),
            "steps_back": int(self.clock[k.Q_STEPS]),
            "longest_step_back_s": int(self.clock[k.Q_LONGEST_STEP_NS]) / 1e9,
        }
