"""One capture judged, and all that is wanted of it made at once: a process that judges hands back texts, not
facts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from preflight.frames.batch import Progress
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from preflight.frames.stream import Place
from preflight.inbox.apart import with_apart
from preflight.inbox.join import Span
from preflight.study import study
from preflight.text import clean
from preflight.verdict import Result, judged

if TYPE_CHECKING:
    from preflight.report.many import Row
    from preflight.rig.sheet import Sheet


@dataclass(frozen=True)
class Task:
    """A capture in one file or several that follow one another, or `why` it cannot be read; the rig sheet to
    judge it by; and whether a page is wanted."""

    name: str
    places: tuple[Place, ...]
    why: str = ""
    sheet: Sheet | None = None
    page: bool = False


@dataclass(frozen=True)
class Done:
    """`json` is one line, `page` is "" where none is wanted."""

    row: Row
    json: str
    page: str = ""
    status: int = 2
    strict_status: int = 2


def result_of(task: Task, progress: Progress | None = None) -> Result:
    """Raises CaptureError where the capture cannot be read."""
    if task.why:
        raise CaptureError(task.why)
    return with_apart(task.places, judged(replace(study(task.places, progress), sheet=task.sheet)))


def judge(task: Task) -> Done:
    try:
        result = result_of(task)
    except CaptureError as error:
        return refused(task, str(error))
    except MemoryError:
        return refused(task, f"{task.name}: there is not enough memory to read it; study it alone")
    except Exception as error:
        fault = clean(f"{type(error).__name__}: {error}", 200)
        return refused(task, f"{task.name}: a fault of preflight itself: {fault}. Please report it")
    from preflight.report.many import row_of
    from preflight.report.result import as_json

    page = ""
    if task.page:
        from preflight.report.html import as_html
        from preflight.report.html.closeup import with_milliseconds

        page = as_html(with_milliseconds(task.places, result))
    return Done(
        row_of(task.name, result),
        as_json(result, None),
        page,
        result.verdict.exit_status(),
        result.verdict.exit_status(strict=True),
    )


def refused(task: Task, why: str) -> Done:
    from preflight.report.many import row_of_refused
    from preflight.report.result import refused_json

    return Done(row_of_refused(task.name, why), refused_json(task.name, why, None))


def died(task: Task, why: str) -> Done:
    return refused(task, f"{task.name}: {why}")


def span(task: Task) -> Span:
    """When its first and last frames came."""
    if task.why:
        return Span(task.name, why=task.why)
    try:
        capture = CaptureFile(task.places)
        for _ in capture.batches():
            pass
    except CaptureError as error:
        return Span(task.name, why=str(error))
    facts = capture.facts()
    return Span(task.name, facts.first_ns, facts.last_ns)
