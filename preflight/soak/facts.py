"""What a soak measured: figures that add up, whatever pieces the time came in.

Five seconds, an hour, a run and a whole soak are all `Figures`; added in order they give those of the longer
time, to the bit, since every sum is of whole numbers. Time in which nobody watched is in none of them.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, Literal

from preflight.host.facts import Counters

NS = 1_000_000_000
State = Literal["running", "done", "stopped", "interrupted"]
UNTOLD = Counters()
COUNTED = tuple(field.name for field in fields(Counters))


@dataclass(frozen=True)
class Figures:
    """`watched_ns` is time that was watched; `rises` how far the adapter's own counts rose in it (None: not
    told). `downs` says how often the link went down, `down_ns` for how long; `changes` how often speed or
    duplex changed. Frames, bytes and what was `dropped` by this computer are of the listening; `lost` are
    packets of streams, `missing` frames of beats. Temperatures are the highest, of the adapter and of the
    whole computer."""

    watched_ns: int = 0
    frames: int = 0
    bytes: int = 0
    dropped: int = 0
    lost: int = 0
    missing: int = 0
    downs: int = 0
    down_ns: int = 0
    changes: int = 0
    slowest_mbps: int | None = None
    fastest_mbps: int | None = None
    adapter_c: float | None = None
    computer_c: float | None = None
    rises: Counters = UNTOLD

    def __add__(self, later: "Figures") -> "Figures":
        def both(name: str, how: Callable) -> Any:
            told = [value for one in (self, later) if (value := getattr(one, name)) is not None]
            return how(told) if told else None

        sums: dict[str, Any] = {name: getattr(self, name) + getattr(later, name) for name in SUMS}
        extremes: dict[str, Any] = {name: both(name, how) for name, how in EXTREMES.items()}
        return Figures(**sums, **extremes, rises=added(self.rises, later.rises))

    @property
    def broken(self) -> int | None:
        """Frames that were broken on the cable or could not be sent, None where no such count is told. A
        driver counts one of them under several names: the larger sum is the truth."""
        kinds = [
            getattr(self.rises, name) for name in ("rx_crc_errors", "rx_frame_errors", "late_collisions")
        ]
        whole = [self.rises.rx_errors, self.rises.tx_errors]
        sums = [
            sum(n for n in counts if n is not None)
            for counts in (kinds, whole)
            if any(n is not None for n in counts)
        ]
        return max(sums) if sums else None


SUMS = ("watched_ns", "frames", "bytes", "dropped", "lost", "missing", "downs", "down_ns", "changes")
EXTREMES: dict[str, Callable] = {
    "slowest_mbps": min,
    "fastest_mbps": max,
    "adapter_c": max,
    "computer_c": max,
}


def added(first: Counters, second: Counters) -> Counters:
    def both(name: str) -> int | None:
        told = [value for one in (first, second) if (value := getattr(one, name)) is not None]
        return sum(told) if told else None

    return Counters(**{name: both(name) for name in COUNTED})


@dataclass(frozen=True)
class Run:
    """One unbroken time of a soak, from `begun_ns` to `until_ns` (UTC). The first one begins the soak, each
    other one resumes it. `refused` says why the system did not let it listen, "" where it did."""

    begun_ns: int
    until_ns: int
    figures: Figures
    refused: str = ""


@dataclass(frozen=True)
class Noted:
    """Something that happened, at `at_ns` (UTC). `kind` is that of the watch's event, of a link "link-down"
    or "link-up": how it stood after that. `outcome` and `check` are "" where no check says it."""

    at_ns: int
    kind: str
    text: str
    check: str = ""
    outcome: str = ""


@dataclass(frozen=True)
class SoakFacts:
    """One soak as it stands. `number` is its place in the log, `computer` the name of the one that it ran on.
    `state` is "interrupted" where its program ended without a word. `happened` is what was told while it ran,
    the first of it; `by_hour` is what each hour of the clock measured, by its beginning."""

    number: int
    item: str
    serial: str
    who: str
    adapter: str
    hardware: str
    computer: str
    planned_ns: int
    state: State
    runs: tuple[Run, ...]
    figures: Figures
    happened: tuple[Noted, ...] = ()
    by_hour: tuple[tuple[int, Figures], ...] = ()

    @property
    def begun_ns(self) -> int:
        return self.runs[0].begun_ns

    @property
    def until_ns(self) -> int:
        return self.runs[-1].until_ns

    @property
    def left_ns(self) -> int:
        return max(self.planned_ns - self.figures.watched_ns, 0)

    @property
    def links(self) -> tuple[Noted, ...]:
        return tuple(note for note in self.happened if note.kind in ("link-down", "link-up"))

    @property
    def refused(self) -> str:
        """Why nothing was listened to, in no run; "" otherwise."""
        return "" if any(not run.refused for run in self.runs) else self.runs[-1].refused

    @property
    def label(self) -> str:
        return f"{self.item} (serial {self.serial})" if self.serial else self.item
