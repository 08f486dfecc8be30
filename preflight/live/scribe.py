"""Writes a running soak into its log: an entry every few seconds, by a thread of its own, so that a slow disk
does not stop the listening, and the last one when it ends."""

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor

from preflight.frames.facts import SourceFacts
from preflight.live.log import Log
from preflight.live.session import Session
from preflight.soak.facts import State
from preflight.verdict import Result

ENTRY_S = 5.0  # what a power cut may cost, and as much again while the disk is slow


class Scribe:
    """Of `run` of soak `number`. `heard` is what the listening says of itself, None where it was refused.
    Each method raises LogError where the log cannot be written."""

    def __init__(
        self,
        log: Log,
        number: int,
        run: int,
        session: Session,
        heard: Callable[[], SourceFacts | None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._log, self._place = log, (number, run)
        self._session, self._heard = session, heard
        self._writer = ThreadPoolExecutor(1)
        self._writing: Future[None] | None = None
        self._clock = clock
        self._written = clock()

    @property
    def late_s(self) -> float:
        """How long ago the last entry was begun, where that is too long."""
        ago = self._clock() - self._written
        return ago if ago > 2 * ENTRY_S else 0.0

    def tick(self) -> None:
        """An entry, where it is time for one and the last one is on the disk."""
        if self._clock() - self._written <= ENTRY_S or (self._writing and not self._writing.done()):
            return
        if self._writing:
            self._writing.result()
        entry, _ = self._session.entry(self._heard())
        self._writing = self._writer.submit(self._log.add, *self._place, entry)
        self._written = self._clock()

    def close(self) -> Result:
        """The last entry, and the result of the soak."""
        self._writer.shutdown(wait=True)
        ended: State = "done" if self._session.left_ns == 0 else "stopped"
        entry, result = self._session.entry(self._heard(), ended)
        self._log.add(*self._place, entry, ended)
        return result
