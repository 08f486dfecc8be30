"""The frames that prove each finding, cut from the capture: one small pcapng a finding.

A second pass over the capture, which ends behind the last frame that is asked for. Frames are asked for by
number where the evidence has one, else by time; their neighbours come with them, because most troubles show
in what stands around a frame. Each comment holds the frame's number in the capture that was studied.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.frames import kernels as k
from preflight.frames.archive import Member
from preflight.frames.batch import Batch, Frame, Progress
from preflight.frames.capture import CaptureFile
from preflight.frames.facts import SourceFacts
from preflight.frames.pcapng import Excerpt
from preflight.frames.stream import Place
from preflight.text import clean
from preflight.verdict import Result

# Enough to see what goes on around a frame, few enough to look through. Common practice.
NEIGHBOURS = 20
MOST_MARKS = 40


@dataclass
class _Cut:
    """What is kept for one finding: `marks` still to come as (frame or None, time in ns, text), frames by
    number."""

    check: str
    marks: list[tuple[int | None, int, str]]
    open_until: int = 0  # frames up to this number are neighbours
    frames: dict[int, Frame] = field(default_factory=dict)
    said: dict[int, str] = field(default_factory=dict)


def write_evidence(
    place: Place | Sequence[Place], result: Result, folder: Path, on_progress: Progress | None = None
) -> list[Path]:
    """Write the evidence of what `result` says of the capture at `place` into `folder`. Returns the files
    written."""
    cuts = [cut for ranked in result.verdict.findings if (cut := _cut(ranked.finding)).marks]
    source = result.facts.source
    if cuts:
        _collect(CaptureFile(place, on_progress), cuts, source.first_ns if source else None)
    folder.mkdir(parents=True, exist_ok=True)
    written = {c.frame: c.text for c in source.comments if c.frame is not None} if source else {}
    return [_write(cut, partial(_called, place, source), folder, written) for cut in cuts if cut.frames]


def _called(place: Place | Sequence[Place], source: SourceFacts | None, frame: int) -> str:
    """A frame by its number and its file."""
    if source is not None and source.pieces:
        return source.frame_text(frame)
    first = place if isinstance(place, str | Member) else place[0]
    return f"frame {frame} of {first.name if isinstance(first, Member) else Path(first).name}"


def _cut(finding: Finding) -> _Cut:
    if finding.outcome not in (Outcome.FAIL, Outcome.CAUTION):
        return _Cut(finding.check, [])
    begins = tuple(Evidence("the stretch begins", None, start) for start, _ in finding.spans)
    marks = [
        (seen.frame, round((seen.time_s or 0.0) * 1e9), seen.text)
        for seen in (*finding.evidence, *begins)
        if seen.frame is not None or seen.time_s is not None
    ]
    return _Cut(finding.check, marks[:MOST_MARKS])


def _collect(capture: CaptureFile, cuts: list[_Cut], origin_ns: int | None) -> None:
    """Times of evidence count from `origin_ns`: for what was kept while listening, that is before the first
    frame."""
    before: list[Frame] = []  # the last frames of the batches so far
    shift_ns = 0
    for batch in capture.batches():
        if batch.first == 1 and origin_ns is not None:
            shift_ns = int(batch.columns[k.TIME, 0]) - origin_ns
        for cut in cuts:
            _take(cut, batch, before, shift_ns)
        before += [batch.frame(row) for row in range(max(batch.rows - NEIGHBOURS, 0), batch.rows)]
        before = before[-NEIGHBOURS:]
        last = batch.first + batch.rows - 1
        if all(not cut.marks and cut.open_until <= last for cut in cuts):
            capture.partial = True


def _take(cut: _Cut, batch: Batch, before: list[Frame], shift_ns: int) -> None:
    last = batch.first + batch.rows - 1
    still = []
    ranges = [(batch.first, min(cut.open_until, last))]
    for frame, time_ns, text in cut.marks:
        number = frame if frame is not None else _number_at(batch, time_ns - shift_ns)
        if number is None or not batch.first <= number <= last:
            still.append((frame, time_ns, text))
            continue
        said = cut.said.get(number)
        cut.said[number] = f"{said}; {text}" if said else text
        cut.frames |= {f.number: f for f in before if f.number >= number - NEIGHBOURS}
        ranges.append((max(number - NEIGHBOURS, batch.first), min(number + NEIGHBOURS, last)))
        cut.open_until = max(cut.open_until, number + NEIGHBOURS)
    cut.marks = still
    for start, end in ranges:
        for number in range(start, end + 1):
            if number not in cut.frames:
                cut.frames[number] = batch.frame(number - batch.first)


def _number_at(batch: Batch, time_ns: int) -> int | None:
    """The first frame of the batch at that time or later (within a microsecond: times were rounded on their
    way)."""
    late = batch.columns[k.REL, : batch.rows] >= time_ns - 1000
    return batch.first + int(np.argmax(late)) if late.any() else None


def _write(cut: _Cut, called: Callable[[int], str], folder: Path, written: dict[int, str]) -> Path:
    """`written` are the comments that stand in the capture itself, by frame."""
    file = folder / f"{cut.check}.pcapng"
    frames = [cut.frames[number] for number in sorted(cut.frames)]
    with file.open("wb") as out:
        writer = Excerpt(out)
        for frame in frames:
            said = cut.said.get(frame.number)
            comment = called(frame.number) + (f": {cut.check}: {said}" if said else "")
            if frame.number in written:
                comment += f"; the capture's own comment: {written[frame.number]}"
            writer.add(frame, clean(comment, 2000))
    return file
