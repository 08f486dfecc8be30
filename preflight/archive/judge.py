"""What a worker does: captures, one after another, to rows.

A capture that takes longer than its limit is given up where the reading reports its progress. Should it hang
where nothing reports, a watchdog ends the worker after the limit and some grace, and the cluster takes it
from there.
"""

import faulthandler
import os
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import groupby
from operator import attrgetter
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from preflight.archive import ArchiveError, rows
from preflight.archive.columns import Rows
from preflight.archive.marks import marks
from preflight.archive.place import Found, digest, reached
from preflight.archive.store import tables_of
from preflight.checks import judge_all
from preflight.checks.finding import Finding
from preflight.frames.errors import CaptureError
from preflight.frames.stream import Place
from preflight.study import study
from preflight.text import clean
from preflight.verdict import decide, judged

if TYPE_CHECKING:
    import pyarrow

GRACE_S = 10.0
# What is to be done with a capture that the archive knows: the checks to judge it by again, none where
# nothing changed.
Known = Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Judged:
    """One capture after its judging. `capture` is its SHA-256, "" where `trouble` says why the file itself
    could not be read. `rows`, and `tables` of the same, are none where it was known already. Where it was
    judged again, `by` are the checks that it was judged by, and `again` what they found: the rest is in the
    archive."""

    found: Found
    capture: str
    rows: Rows
    by: Sequence[str] = ()
    again: tuple[Finding, ...] = ()
    trouble: str = ""
    tables: "Mapping[str, pyarrow.Table]" = field(default_factory=dict)


@dataclass(frozen=True)
class Parcel:
    """Several captures after their judging. What is to be written of new ones is in `tables`, of all
    together, as they are written; of their `rows` only those of the captures are left. Rows by the thousand
    would be most of what the client has to do."""

    judged: Sequence[Judged]
    tables: "Mapping[str, pyarrow.Table]" = field(default_factory=dict)


class TooSlow(Exception):
    pass


def dask_setup(_worker: object) -> None:
    """Called by a worker of our own cluster when it starts. Ctrl-C reaches every process of a terminal, and
    is the client's to answer: it ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def worked(parcel: Sequence[Found], known: Known, limit_s: float, watch: bool) -> Parcel:
    """What a worker is asked to do: `judge`, and what came of it put together to be sent."""
    import pyarrow

    done = judge(parcel, known, limit_s, watch)
    pieces: dict[str, list[pyarrow.Table]] = defaultdict(list)
    for one in done:
        for table, piece in one.tables.items():
            pieces[table].append(piece)
    lean = [
        replace(one, rows={"captures": one.rows["captures"]}, tables={}) if one.tables else one
        for one in done
    ]
    tables = {table: pyarrow.concat_tables(each).combine_chunks() for table, each in pieces.items()}
    return Parcel(lean, tables)


def judge(parcel: Sequence[Found], known: Known, limit_s: float, watch: bool) -> list[Judged]:
    """Judge each capture of a parcel. `watch` says that this process may be ended for one that hangs."""
    known = dict(known)
    watch_s = limit_s + GRACE_S if watch else None
    done: list[Judged] = []
    for _, together in groupby(parcel, attrgetter("place")):
        founds = list(together)
        try:
            with _watchdog(watch_s), reached(founds) as places:
                for found, place in zip(founds, places, strict=True):
                    done.append(_judge(found, place, known, limit_s, watch_s))
                    known[done[-1].capture] = ()  # the same bytes may come again
        except ArchiveError as error:
            done += [Judged(found, "", {}, trouble=str(error)) for found in founds]
    return done


def _judge(found: Found, place: Place, known: Known, limit_s: float, watch_s: float | None) -> Judged:
    try:
        with _watchdog(watch_s):
            capture = digest(place)
            again = known.get(capture)
            if again is not None and not again:
                return Judged(found, capture, {})
            about = (capture, name_of(found), found.bytes, limit_s)
            try:
                facts = study(place, Deadline(limit_s))
                made = rows.of_facts(*about, facts)
                if again is not None:
                    return Judged(found, capture, made, again, judge_all(facts, again))
                made = rows.with_findings(made, judged(facts).verdict)
                return new(
                    found, capture, made
                )  # one that Parquet cannot hold is told here, and stops no other
            except TooSlow:
                return new(found, capture, rows.unreadable(*about, too_slow(limit_s), too_slow=True))
            except CaptureError as error:
                why = str(error).removeprefix(f"{clean(str(place), 300)}: ")
                return new(found, capture, rows.unreadable(*about, why))
            except Exception as error:
                why = clean(f"a fault of preflight itself: {type(error).__name__}: {error}", 300)
                return new(found, capture, rows.unreadable(*about, why))
    except ArchiveError as error:
        return Judged(found, "", {}, trouble=str(error))


def new(found: Found, capture: str, made: Rows) -> Judged:
    return Judged(found, capture, made, tables=tables_of(made))


def too_slow(limit_s: float) -> str:
    return f"not done after {limit_s:g} s; --limit gives it longer"


def completed(again: Judged, kept: Sequence[Mapping[str, object]]) -> Rows:
    """The rows of a capture that was judged again by some checks: what they say now beside what the others
    said then."""
    others = [f for f in rows.findings_of(kept) if f.check not in again.by and f.check in marks()]
    return rows.with_findings(again.rows, decide([*again.again, *others]))


def name_of(found: Found) -> str:
    return clean(PurePath(found.member or found.place).name, 200)


class Deadline:
    """Progress that raises TooSlow once the time is over."""

    def __init__(self, limit_s: float) -> None:
        self._until = time.monotonic() + limit_s

    def __call__(self, _read: int, _total: int | None, _frames: int, _note: str) -> None:
        if time.monotonic() > self._until:
            raise TooSlow


@contextmanager
def _watchdog(after_s: float | None) -> Iterator[None]:
    """Ends this process after a time, even if nothing in it gets a turn any more: by the system's timer, for
    a thread that begins and ends with each capture leaves a processor idle meanwhile. Windows has none."""
    if after_s is None:
        yield
    elif sys.platform == "win32":
        with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
            faulthandler.dump_traceback_later(after_s, exit=True, file=nowhere)
            try:
                yield
            finally:
                faulthandler.cancel_dump_traceback_later()
    else:
        signal.setitimer(signal.ITIMER_REAL, after_s)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
