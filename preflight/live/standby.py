"""Standing by: the one loop that listens, looks at the computer from time to time, has both judged, keeps, and hands out what is new.

Who stands by is a `Desk`: a line check, a watch, a soak. Frames, computer and clock are handed in. Asking the system may take
longer than the system's buffer holds out, so that a thread of its own does it.
"""

import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal, Protocol

from preflight.frames.batch import Batch
from preflight.frames.live import Listener
from preflight.host.facts import HostFacts
from preflight.live.keeper import Keeper

NS = 1_000_000_000
LOOK_S = 0.5  # between two looks at the computer
SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]


@dataclass(frozen=True)
class Event:
    """`at_ns` is counted from the beginning. `check` is "" for what no check has found. The frames around a `grave`
    one are worth keeping."""

    at_ns: int
    kind: Literal["alarm", "over", "link", "device", "note"]
    headline: str
    check: str = ""
    outcome: str = ""
    culprits: tuple[str, ...] = ()
    grave: bool = False


class Desk(Protocol):
    """Who stands by. Times are nanoseconds from the beginning."""

    def add(self, batch: Batch, /) -> None: ...

    def judge(self, now_ns: int, lost: Callable[[], int], clock: Callable[[], float], /) -> list[Event]:
        """What is new by `now_ns`. `lost` tells how many frames the system lost; `clock` goes on steadily, in seconds."""

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


@contextmanager
def stoppable() -> Iterator[Callable[[], bool]]:
    """Tells whether somebody asked to stop: Ctrl-C, SIGTERM and a terminal that is closed end it in order. A second one does not
    wait for that. What was ignored before (nohup) stays ignored."""
    asked = False

    def ask(*_: object) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True

    before = {each: signal.getsignal(each) or signal.SIG_DFL for each in SIGNALS}
    heeded = [each for each in SIGNALS if before[each] != signal.SIG_IGN]
    try:
        for each in heeded:
            signal.signal(each, ask)
        yield lambda: asked
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
    """What is new, and when, some twenty times a second until `source` ends or it `is_over`. `glance` looks at the computer, the
    last time at the end."""
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
                        keeper.keep(event.check or event.kind, now)
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


def _notes(words: list[str], now_ns: int) -> list[Event]:
    return [Event(now_ns, "note", each) for each in words]
