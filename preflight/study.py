"""Facts from one saved capture."""

from preflight.facts import Facts
from preflight.frames.ahead import Ahead
from preflight.frames.batch import Progress
from preflight.frames.capture import CaptureFile
from preflight.survey import Survey


def study(path: str, on_progress: Progress | None = None) -> Facts:
    """Read the capture at `path` ("-": standard input) to its end, or to Ctrl-C: then the facts are of what was
    read, and marked partial. Raises CaptureError where nothing can be read."""
    return surveyed(path, on_progress)[0]


def surveyed(path: str, on_progress: Progress | None = None) -> tuple[Facts, Survey]:
    """The same, and what the facts were taken from."""
    capture = CaptureFile(path, on_progress)
    survey = Survey()
    batches = Ahead(capture.batches())
    try:
        for batch in batches:
            survey.add(batch)
    except KeyboardInterrupt:
        capture.partial = True
        for batch in batches.rest(patience_s=0.5):
            survey.add(batch)
    return survey.facts(capture.facts()), survey
