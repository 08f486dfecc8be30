"""Batches made one ahead, in a thread of their own, so that reading and tallying share two cores.

At any time one batch is being tallied, one waits, and one is being made: that is why sources keep their
arrays in SETS.
"""

import queue
import threading
from collections.abc import Iterator

from preflight.frames.batch import SETS, Batch


class Ahead:
    """Iterates over `batches` while a thread runs them. What they raise is raised here. After an interrupt
    one can go on."""

    def __init__(self, batches: Iterator[Batch]) -> None:
        self._batches = batches
        # The library's own bounded queue is Python, and takes longer than a short batch.
        self._made: queue.SimpleQueue[Batch | BaseException | None] = queue.SimpleQueue()
        self._room: queue.SimpleQueue[None] = queue.SimpleQueue()
        for _ in range(SETS - 2):
            self._room.put(None)
        self._ended = False
        # A daemon: a pipe that nobody writes to must not keep the program alive.
        threading.Thread(target=self._run, daemon=True, name="reader").start()

    def _run(self) -> None:
        end: BaseException | None = None
        try:
            for batch in self._batches:
                self._room.get()
                self._made.put(batch)
        except BaseException as error:
            end = error
        self._made.put(end)
        del end  # its traceback holds this frame, and with it megabytes, until the collector finds the circle

    def __iter__(self) -> "Ahead":
        return self

    def __next__(self) -> Batch:
        return self._next(None)

    def rest(self, patience_s: float) -> Iterator[Batch]:
        """What is still made, once the source has been told to stop; gives up after `patience_s` without
        any."""
        try:
            while True:
                yield self._next(patience_s)
        except (StopIteration, queue.Empty):
            return

    def _next(self, timeout: float | None) -> Batch:
        if self._ended:
            raise StopIteration
        made = self._made.get(timeout=timeout)
        if isinstance(made, Batch):
            self._room.put(None)
            return made
        self._ended = True
        if made is None:
            raise StopIteration
        try:
            raise made
        finally:
            del made  # as above
