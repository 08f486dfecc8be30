"""Facts from one saved capture."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from preflight.facts import Facts
from preflight.frames.ahead import Ahead
from preflight.frames.batch import Batch, Progress
from preflight.frames.capture import CaptureFile
from preflight.frames.stream import Place
from preflight.survey import Survey


def study(place: Place | Sequence[Place], on_progress: Progress | None = None) -> Facts:
    """Read the capture at `place` ("-": standard input), or in several files that are one, to its end, or to
    Ctrl-C: then the facts are of what was read, and marked partial. Raises CaptureError where nothing can be
    read."""
    return surveyed(place, on_progress)[0]


def surveyed(place: Place | Sequence[Place], on_progress: Progress | None = None) -> tuple[Facts, Survey]:
    """The same, and what the facts were taken from."""
    return read(CaptureFile(place, on_progress))


def read(capture: CaptureFile) -> tuple[Facts, Survey]:
    """The same of a capture that was opened already."""
    survey = Survey()
    paced = _paced(capture, survey)
    batches = paced if capture.is_short else Ahead(paced)
    try:
        for batch in batches:
            survey.follow(batch)
    except KeyboardInterrupt:
        capture.partial = True
        if isinstance(batches, Ahead):
            for batch in batches.rest(patience_s=0.5):
                survey.follow(batch)
    facts = survey.facts(capture.facts())
    if capture.link_mbps:
        facts = replace(facts, link_mbps=capture.link_mbps, link_assumed=False)
    return facts, survey


def _paced(capture: CaptureFile, survey: Survey) -> Iterator[Batch]:
    """The batches, with one half of the tallying done: by the thread that reads, so that two processors have
    as much to do."""
    for batch in capture.batches():
        if batch.first == 1 and capture.link_mbps:  # told before the first frame
            survey.link_mbps = capture.link_mbps
        survey.pace(batch)
        yield batch
