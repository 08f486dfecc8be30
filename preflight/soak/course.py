"""From one look at the computer to the next, and from what was heard so far to what is heard by now: figures.

`tick` counts the time, `look` takes what the computer says, `heard` what the listening has counted since this
run began; `take` hands over the figures since it was last asked. Time that passed without a tick (the
computer slept, or was stopped) is not counted as watched, and what rose meanwhile is: the adapter counted it
while this run stood.
"""

from dataclasses import dataclass, fields, replace

from preflight.host.facts import Adapter, Counters, HostFacts
from preflight.soak.facts import NS, Figures

MOST_NS = 5 * NS  # between two ticks; longer, and nobody watched. Ticks come some twenty times a second.


@dataclass(frozen=True)
class Heard:
    """What the listening counted since the run began."""

    frames: int = 0
    bytes: int = 0
    dropped: int = 0
    lost: int = 0
    missing: int = 0


class Course:
    """One run on `adapter`. `now_ns` is any clock that goes on steadily."""

    def __init__(self, adapter: str, host: HostFacts, now_ns: int) -> None:
        self._name = adapter
        self._adapter = host.adapter(adapter)
        self._known = self._adapter  # the last one that had a link
        self._ticked_ns = now_ns
        self._heard = Heard()
        self._figures = _state(self._adapter, host)
        self.total = Figures()

    def tick(self, now_ns: int) -> int:
        """Count the time since the last tick; gives back what of it was not watched."""
        passed, self._ticked_ns = now_ns - self._ticked_ns, now_ns
        if not 0 <= passed <= MOST_NS:
            return max(passed, 0)
        down = passed if _down(self._adapter) else 0
        self._figures += Figures(watched_ns=passed, down_ns=down)
        return 0

    def look(self, host: HostFacts) -> None:
        now = host.adapter(self._name)
        changed = 0
        if now is not None and not _down(now):
            changed = int(self._known is not None and _differs(self._known, now))
            self._known = now
        self._figures += replace(
            _state(now, host),
            downs=downs(self._adapter, now),
            changes=changed,
            rises=rises(self._adapter.counters, now.counters) if self._adapter and now else Counters(),
        )
        self._adapter = now

    def heard(self, now: Heard) -> None:
        risen = {
            each.name: getattr(now, each.name) - getattr(self._heard, each.name) for each in fields(Heard)
        }
        self._figures += Figures(**risen)
        self._heard = now

    def take(self) -> Figures:
        taken, self._figures = self._figures, Figures()
        self.total += taken
        return taken

    @property
    def so_far(self) -> Figures:
        return self.total + self._figures


def _down(adapter: Adapter | None) -> bool:
    """An adapter that is gone has no link."""
    return adapter is None or adapter.down


def _differs(before: Adapter, after: Adapter) -> bool:
    pairs = ((before.speed_mbps, after.speed_mbps), (before.duplex, after.duplex))
    return any(None not in pair and pair[0] != pair[1] for pair in pairs)


def _state(adapter: Adapter | None, host: HostFacts) -> Figures:
    """What holds at a moment."""
    speed = adapter.speed_mbps if adapter is not None and not _down(adapter) else None
    return Figures(
        slowest_mbps=speed,
        fastest_mbps=speed,
        adapter_c=adapter.temperature_c if adapter is not None else None,
        computer_c=host.temperature_c,
    )


def downs(before: Adapter | None, after: Adapter | None) -> int:
    """How often the link went down between two looks. The system counts each change, up or down; where it
    does not, only a link that is down at a look is known of."""
    was, now = _down(before), _down(after)
    seen = int(now and not was)
    if before is None or after is None:
        return seen
    early, late = before.counters.carrier_changes, after.counters.carrier_changes
    if early is None or late is None or late < early:
        return seen
    return max(seen, (late - early + seen) // 2)


def rises(before: Counters, after: Counters) -> Counters:
    """How far each count rose that was told both times. One that is smaller than before began anew at
    zero."""

    def rise(name: str) -> int | None:
        early, late = getattr(before, name), getattr(after, name)
        if early is None or late is None:
            return None
        return late - early if late >= early else late

    return Counters(**{each.name: rise(each.name) for each in fields(Counters)})
