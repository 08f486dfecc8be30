"""A saved capture's frames by half seconds, as a listener hands them over. Alone in its file: whoever plays a
capture starts with it, again and again."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.batch import Batch
from preflight.frames.capture import CaptureFile

PIECE_NS = 500_000_000


def pieces(path: Path | str, rounds: int = 1) -> Iterator[tuple[int, Batch | None]]:
    """When each half second is over, and what came in it; with `rounds`, over and over."""
    base = 0
    for _ in range(rounds):
        last = 0
        for batch in CaptureFile(str(path)).batches():
            times = batch.columns[k.REL, : batch.rows]
            for piece in range(int(times[0]) // PIECE_NS, int(times[-1]) // PIECE_NS + 1):
                chosen = times // PIECE_NS == piece
                columns = np.ascontiguousarray(batch.columns[:, : batch.rows][:, chosen])
                columns[k.REL] += base
                rows = int(np.count_nonzero(chosen))
                last = base + (piece + 1) * PIECE_NS
                yield last, Batch(batch.block, columns, rows, 1, batch.engine, batch.view) if rows else None
        base = last
