"""Facts from one saved capture."""

from preflight.facts import Facts
from preflight.frames.batch import Progress
from preflight.frames.capture import CaptureFile
from preflight.survey import Survey, vantage


def study(path: str, on_progress: Progress | None = None) -> Facts:
    """Read the capture at `path` ("-": standard input) to its end, or to Ctrl-C: then the facts are of what was
    read, and marked partial. Raises CaptureError where nothing can be read."""
    capture = CaptureFile(path, on_progress)
    survey = Survey()
    try:
        for batch in capture.batches():
            survey.add(batch)
    except KeyboardInterrupt:
        capture.partial = True
    tally = survey.tally_facts()
    return Facts(source=capture.facts(), tally=tally, wire=survey.wire(), vantage=vantage(tally))
