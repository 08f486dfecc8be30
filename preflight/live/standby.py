"""Standing by: the one loop that listens, looks at the computer from time to time, has both judged, keeps,
and hands out what is new.

Who stands by is a `Desk`: a line check, a watch, a soak. Frames, computer and clock are handed in. Asking the
system may take longer than the system's buffer holds out, so that a thread of its own does it.
"""

import os
import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Literal, Protocol

from preflight.frames.batch import Batch
from preflight.frames.live import Listener
from preflight.host.facts import HostFacts
from preflight.live.keeper import Keeper, Kept

NS = 1_000_000_000
LOOK_S = 0.5  # between two looks at the computer
SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]


Severity = Literal["alarm", "caution", "cleared", "note"]


@dataclass(frozen=True)
class Event:
    """`at_ns` is counted from the beginning, as are `began_ns` and `ended_ns`: of what is told, and where it
    is over. `check` is "" for what no check has found. `seen` is what shows it, with the names of streams and
    devices. The frames around a `grave` one are worth keeping. Of what is cleared, `was` has the last words
    of the alarm; of frames that were kept, `topics` says around what, and `file` where ("" where there is
    none)."""

    at_ns: int
    kind: Literal["alarm", "cleared", "link", "silence", "device", "note"]
    headline: str
    check: str = ""
    outcome: str = ""
    culprits: tuple[str, ...] = ()
    grave: bool = False
    severity: Severity = "note"
    seen: str = ""
    began_ns: int | None = None
    ended_ns: int | None = None
    was: str = ""
    topics: tuple[str, ...] = ()
    file: str = ""

    @property
    def topic(self) -> str:
        """What it is about: a check, or its kind."""
        return self.check or self.kind

    @property
    def lasted_s(self) -> float | None:
        if self.began_ns is None or self.ended_ns is None:
            return None
        return max(self.ended_ns - self.began_ns, 0) / NS


class Desk(Protocol):
    """Who stands by. Times are nanoseconds from the beginning."""

    def add(self, batch: Batch, /) -> None: ...

    def judge(self, now_ns: int, lost: Callable[[], int], clock: Callable[[], float], /) -> list[Event]:
        """What is new by `now_ns`. `lost` tells how many frames the system lost; `clock` goes on steadily, in
        seconds."""

    def look(self, host: HostFacts, now_ns: int, /) -> list[Event]:
        """What changed of the computer since the last look."""


class Silence:
    """In place of a listener, where the system does not let us listen: nothing comes, and time goes on."""

    def __init__(self) -> None:
        self._began_ns = time.monotonic_ns()

    def heard(self) -> Iterator[None]:
        while True:
            time.sleep(0.1)
            yield None

    def now_ns(self) -> int:
        return time.monotonic_ns() - self._began_ns

    def dropped(self) -> int:
        return 0

    def facts(self) -> None:
        return None


class Stopped:
    """Tells whether somebody asked to stop. Until it `listens`, being asked ends the program there and then:
    `early` says with which status and words."""

    def __init__(self, early: tuple[int, str] | None = None) -> None:
        self._early = early
        self._asked = False

    def __call__(self) -> bool:
        return self._asked

    def listens(self) -> None:
        self._early = None

    def ask(self, *_: object) -> None:
        if self._early is not None:
            # Not by an exception: raised in the middle of an import or a compilation, it could end as a
            # traceback.
            status, words = self._early
            with suppress(OSError):
                os.write(2, f"{words}\n".encode())
            os._exit(status)
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True


@contextmanager
def stoppable(early: tuple[int, str] | None = None) -> Iterator[Stopped]:
    """Ctrl-C, SIGTERM and a terminal that is closed end it in order. A second one does not wait for that.
    What was ignored before (nohup) stays ignored. With `early` (exit status, words), there is nothing to end
    in order until it listens."""
    stopped = Stopped(early)
    before = {each: signal.getsignal(each) or signal.SIG_DFL for each in SIGNALS}
    heeded = [each for each in SIGNALS if before[each] != signal.SIG_IGN]
    try:
        for each in heeded:
            signal.signal(each, stopped.ask)
        yield stopped
    finally:
        for each in heeded:
            signal.signal(each, before[each])


def stand_by(
    source: Listener | Silence,
    desk: Desk,
    is_over: Callable[[], bool],
    glance: Callable[[], HostFacts] | None = None,
    keeper: Keeper | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[tuple[int, list[Event]]]:
    """What is new, and when, some twenty times a second until `source` ends or it `is_over`. `glance` looks
    at the computer, the last time at the end."""
    looker = ThreadPoolExecutor(1)
    looking = looker.submit(glance) if glance else None
    looked = clock()
    try:
        for batch in source.heard():
            now = source.now_ns()
            if batch is not None:
                desk.add(batch)
                if keeper:
                    keeper.add(batch, now)
            events = desk.judge(now, source.dropped, clock)
            if glance and looking and looking.done() and clock() - looked > LOOK_S:
                events += desk.look(looking.result(), now)
                looking, looked = looker.submit(glance), clock()
            if keeper:
                for event in events:
                    if event.grave:
                        keeper.keep(event.topic, now, event.severity == "alarm")
                events += _notes(keeper.tick(now), now)
            yield now, events
            if is_over():
                break
    finally:
        looker.shutdown(wait=False)
        now = source.now_ns()
        kept = keeper.close(now) if keeper else []
    last = desk.look(glance(), now) if glance else []
    yield now, last + _notes(kept, now)


def _notes(kept: list[Kept], now_ns: int) -> list[Event]:
    return [
        Event(
            now_ns, "note", each.words, severity="note" if each.file else "caution", ended_ns=each.until_ns,
            topics=each.topics, file=each.file,
        )
        for each in kept
    ]  # fmt: skip
