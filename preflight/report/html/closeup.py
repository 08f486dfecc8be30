"""The milliseconds of the moments that a long capture's findings point to.

The tally keeps all milliseconds of a minute, and of a longer time those that stand out by their rate; that a
stray server answered at minute five does not. So a capture that can be read again is read a second time, up
to the last of these moments, and counted by the same kernel: only the frames of the stretches that the page
opens at, and only where they are not kept already.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.archive import Member
from preflight.frames.batch import Progress
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from preflight.frames.stream import Place
from preflight.report.html.timeline import MOST_CLOSE, places
from preflight.tally.kernels import BIN_NS
from preflight.tally.shape import BIN_S, NOTHING, Shapes
from preflight.verdict import Result


def with_milliseconds(
    place: Place | Sequence[Place], result: Result, progress: Progress | None = None
) -> Result:
    """`result`, of the capture at `place`, with what its page opens at. As it is where nothing lacks, where
    the capture cannot be read twice, and after Ctrl-C: then the page says that no milliseconds were kept."""
    tally, source = result.facts.tally, result.facts.source
    several = [place] if isinstance(place, str | Member) else place
    if (
        tally is None
        or source is None
        or any(isinstance(each, str) and not Path(each).is_file() for each in several)
    ):
        return result
    kept = {round(start / BIN_S): packed for start, packed in tally.shape.close}
    last = int(source.duration_s / BIN_S)
    wanted = dict.fromkeys(
        at
        for start, end in places(result.facts, result.verdict)
        for at in range(max(int(start / BIN_S) - 1, 0), min(int(end / BIN_S) + 1, last) + 1)
    )
    lacking = [at for at in list(wanted)[:MOST_CLOSE] if at not in kept]
    if not lacking:
        return result
    try:
        kept |= _counted(CaptureFile(place, progress), lacking, source.first_ns)
    except (CaptureError, KeyboardInterrupt):
        return result
    close = tuple((at * BIN_S, kept[at]) for at in sorted(kept))
    tally = replace(tally, shape=replace(tally.shape, close=close))
    return replace(result, facts=replace(result.facts, tally=tally))


def _counted(capture: CaptureFile, bins: Sequence[int], origin_ns: int | None) -> dict[int, bytes]:
    """Each of `bins` by the millisecond. Times count from `origin_ns`: of what was kept while listening, that
    is before the first frame."""
    shapes, shift_ns = Shapes(), 0
    for batch in capture.batches():
        if batch.first == 1 and origin_ns is not None:
            shift_ns = int(batch.columns[k.TIME, 0]) - origin_ns
        times = (batch.columns[k.REL, : batch.rows] + shift_ns) // BIN_NS
        inside = np.isin(times, bins)
        if inside.any():
            columns = np.ascontiguousarray(batch.columns[:, : batch.rows][:, inside])
            columns[k.REL] += shift_ns
            shapes.add(replace(batch, columns=columns, rows=columns.shape[1]))
        if times[-1] > max(bins):
            capture.partial = True  # the rest is not asked for
    counted = {round(start / BIN_S): packed for start, packed in shapes.facts().close}
    return {at: counted.get(at, NOTHING) for at in bins}
