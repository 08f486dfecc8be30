"""Standing watch: the checks of the line check over rolling windows, and what changes is told once.

Strategy: two surveys overlap by half. The older one is judged every half second, so that there are always some seconds
of history, and memory is that of two. A third survey counts the whole show: from it comes the summary. Frames, times and
the computer's facts are handed in, events come out; nothing here waits, listens or writes.
"""

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from preflight.checks import check_named, judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.checks.see.names import names_of
from preflight.facts import Facts, told_link
from preflight.frames import kernels as k
from preflight.frames.batch import Batch
from preflight.frames.facts import SourceFacts
from preflight.host.facts import HostFacts
from preflight.live.standby import NS, Event
from preflight.rig.sheet import Sheet
from preflight.survey import Survey
from preflight.verdict import decide

# Long enough for a clock that announces itself each two seconds to be missed after three (IEEE 1588-2008 J.3.2).
WINDOW_NS = 20 * NS
STEP_NS = NS // 2
BUSY = 4  # judging may take one part in this of the time
LEAP_NS = 60 * NS  # times that leap further make the windows begin anew
OVER_NS = 20 * NS  # an alarm that no window has shown for so long is over
AGAIN_S = 5.0  # a stretch that begins so long after the last one ended is told again
HEARD_S = 5.0  # a clock that was silent for longer is not shown
LEARN_NS = 10 * NS  # who speaks so soon was there before
MOST_DEVICES = 4096
MOST_TOLD = 10  # new devices told in a minute


@dataclass(frozen=True)
class Status:
    """What a display shows, of the last moment or the last window. `alarms` are those that are not over."""

    seconds: float
    link: str
    frames_s: float
    mbit_s: float
    broadcasts_s: float
    clock: str
    streams: int
    devices: int
    dropped: int
    alarms: tuple[Event, ...]


class _Window:
    """A survey that began at `start_ns`, whose times and frame numbers count from there."""

    def __init__(self, start_ns: int, dropped: int, link_mbps: int) -> None:
        self.start_ns = start_ns
        self.frames = 0
        self._dropped = dropped
        self._survey = Survey(link_mbps)

    def add(self, batch: Batch) -> None:
        times = batch.columns[k.REL, : batch.rows]
        shown = times.copy()
        np.maximum(times - self.start_ns, 0, out=times)
        self._survey.add(replace(batch, first=self.frames + 1))
        times[:] = shown
        self.frames += batch.rows

    def facts(self, name: str, now_ns: int, dropped: int) -> Facts:
        source = SourceFacts(
            kind="live",
            name=name,
            frames=self.frames,
            duration_s=max(now_ns - self.start_ns, 0) / 1e9,
            link_types=("Ethernet",),
            dropped=dropped - self._dropped,
        )
        return self._survey.facts(source)


@dataclass
class _Alarm:
    culprits: set[str]
    failed: bool
    last_ns: int
    ends_s: float
    told: Event


class Watch:
    """Give it frames with `add`, the computer with `look`, and ask it with `judge` every moment; all times are
    nanoseconds from the beginning."""

    def __init__(self, adapter: str, host: HostFacts, sheet: Sheet | None = None) -> None:
        self._adapter = adapter
        self.host = self._first_host = host
        self._sheet = sheet
        self._whole = Survey(self._link_mbps)
        self._windows = [_Window(0, 0, self._link_mbps)]
        self._alarms: dict[str, _Alarm] = {}
        self._known: set[str] = set()
        self._told: deque[int] = deque()
        self._counts = np.zeros(3, np.int64)  # frames, bytes, broadcasts since the last judging
        self._judged_ns = 0
        self._due_ns = STEP_NS
        self.status = Status(0.0, _link(host, adapter), 0, 0, 0, "", 0, 0, 0, ())

    def add(self, batch: Batch) -> None:
        if not batch.rows:
            return
        for window in self._windows:
            window.add(batch)
        self._whole.add(batch)
        columns = batch.columns[:, : batch.rows]
        self._counts += (
            batch.rows,
            int(columns[k.WIRE].sum()),
            int(np.count_nonzero(columns[k.CAST] == k.BROADCAST)),
        )

    def judge(self, now_ns: int, lost: Callable[[], int], clock: Callable[[], float]) -> list[Event]:
        """What is new by `now_ns`, where it is time to judge; `lost` tells how many frames the system lost since the
        beginning. `clock` measures what judging costs, so that it leaves time to listen."""
        if now_ns < self._due_ns:
            return []
        began, dropped = clock(), lost()
        self._turn(now_ns, dropped)
        oldest = self._windows[0]
        facts = self._beside(oldest.facts(self._adapter, now_ns, dropped), self.host)
        events = [*self._findings(facts, oldest.start_ns, now_ns), *self._devices(facts, now_ns)]
        self._show(facts, now_ns, dropped)
        self._due_ns = now_ns + max(STEP_NS, int((clock() - began) * BUSY * NS))
        return events

    def look(self, host: HostFacts, now_ns: int) -> list[Event]:
        """What changed of the link since the last look."""
        before, after = (each.adapter(self._adapter) for each in (self.host, host))
        self.host = host
        self.status = replace(self.status, link=_link(host, self._adapter))
        down, was_down = (a is None or a.down for a in (after, before))
        said = ""
        if after is None and before is not None:
            said = f"The adapter {self._adapter} is gone."
        elif down and not was_down:
            said = f"The link of {self._adapter} is down."
        elif was_down and not down:
            said = f"The link is up again: {_link(host, self._adapter)}."
        elif after is not None and before is not None:
            flips = (after.counters.carrier_changes or 0) - (before.counters.carrier_changes or 0)
            if after.speed_mbps and before.speed_mbps and after.speed_mbps < before.speed_mbps:
                said = f"The link fell from {before.speed_mbps} to {after.speed_mbps} Mb/s."
            elif flips > 0 and not down:
                said = "The link went down and came back."
        return [Event(now_ns, "link", said, culprits=(self._adapter,), grave=True)] if said else []

    def whole(self, source: SourceFacts) -> Facts:
        """The facts of the whole show, for the summary."""
        return self._beside(self._whole.facts(source), self._first_host)

    def _beside(self, heard: Facts, before: HostFacts) -> Facts:
        """What was heard, beside what is known of the computer `before` and now."""
        return replace(
            heard,
            host=before, host_after=self.host, adapter=self._adapter, sheet=self._sheet,
            **told_link(self.host, self._adapter),
        )  # fmt: skip

    @property
    def _link_mbps(self) -> int:
        return told_link(self.host, self._adapter).get("link_mbps", 1000)

    def _turn(self, now_ns: int, dropped: int) -> None:
        if now_ns - self._windows[-1].start_ns > LEAP_NS:
            self._windows = [_Window(now_ns, dropped, self._link_mbps)]
        elif now_ns - self._windows[-1].start_ns >= WINDOW_NS // 2:
            self._windows.append(_Window(now_ns, dropped, self._link_mbps))
            if len(self._windows) > 2:
                del self._windows[0]

    def _findings(self, facts: Facts, start_ns: int, now_ns: int) -> Iterator[Event]:
        for ranked in decide(judge_all(facts)).findings:
            if not ranked.explained_by and _alarms(ranked.finding):
                yield from self._raise(ranked.finding, start_ns, now_ns)
        for check, alarm in list(self._alarms.items()):
            if now_ns - alarm.last_ns > OVER_NS:
                del self._alarms[check]
                yield Event(now_ns, "over", "It has not been seen again.", check)

    def _raise(self, finding: Finding, start_ns: int, now_ns: int) -> Iterator[Event]:
        """An alarm, where it is new: not told yet, graver or of others than before, or anew after a rest."""
        starts = [start_ns / 1e9 + start for start, _ in finding.spans]
        ends = max((start_ns / 1e9 + end for _, end in finding.spans), default=0.0)
        alarm = self._alarms.get(finding.check)
        if (
            alarm is not None
            and alarm.failed >= (finding.outcome == Outcome.FAIL)
            and alarm.culprits.issuperset(finding.culprits)
            and not any(start > alarm.ends_s + AGAIN_S for start in starts)
        ):
            alarm.last_ns, alarm.ends_s = now_ns, max(alarm.ends_s, ends)
            return
        known = alarm.culprits if alarm is not None and len(alarm.culprits) < MOST_DEVICES else set()
        check = check_named(finding.check)
        of_the_wire = check is not None and check.subject == "wire"
        told = Event(
            now_ns, "alarm", finding.undated, finding.check, finding.outcome.value, finding.culprits, of_the_wire
        )  # fmt: skip
        self._alarms[finding.check] = _Alarm(
            known | set(finding.culprits), finding.outcome == Outcome.FAIL, now_ns, ends, told
        )
        yield told

    def _devices(self, facts: Facts, now_ns: int) -> Iterator[Event]:
        assert facts.tally is not None
        new = [
            talker.hardware
            for talker in facts.tally.talkers
            if talker.hardware and not talker.own and talker.hardware not in self._known
        ]
        if len(self._known) >= MOST_DEVICES or not new:
            return
        self._known.update(new)
        if now_ns < LEARN_NS:
            return
        while self._told and now_ns - self._told[0] > 60 * NS:
            self._told.popleft()
        room = MOST_TOLD - len(self._told)
        names = names_of(facts)
        for hardware in new[: max(room, 0)]:
            self._told.append(now_ns)
            yield Event(now_ns, "device", f"A new device: {names.full(hardware)}.", culprits=(hardware,))
        if 0 < room < len(new):
            yield Event(now_ns, "device", f"{len(new) - room} more new devices, or made-up addresses.")

    def _show(self, facts: Facts, now_ns: int, dropped: int) -> None:
        assert facts.tally is not None and facts.source is not None
        span = max(now_ns - self._judged_ns, 1) / 1e9
        frames, octets, broadcasts = (self._counts / span).tolist()
        masters = {
            _clock(port.grandmaster or port.clock)
            for port in facts.tally.clocks
            if (port.kind == "Announce" or (port.version == 1 and port.kind == "Sync"))
            and port.last_s > facts.source.duration_s - HEARD_S
        }
        self.status = Status(
            seconds=now_ns / 1e9,
            link=_link(self.host, self._adapter),
            frames_s=frames,
            mbit_s=octets * 8 / 1e6,
            broadcasts_s=broadcasts,
            clock=", ".join(sorted(masters)[:3]),
            streams=sum(flow.stream for flow in facts.tally.flows),
            devices=len(facts.tally.talkers),
            dropped=dropped,
            alarms=tuple(alarm.told for alarm in self._alarms.values()),
        )
        self._counts[:] = 0
        self._judged_ns = now_ns


def _alarms(finding: Finding) -> bool:
    """Whether the check says that this is to be told."""
    check = check_named(finding.check)
    from_on = check.watch if check else "never"
    return from_on != "never" and finding.outcome.gravity <= Outcome(from_on).gravity


def _clock(identity: str) -> str:
    """As its hardware address, where it was made of that (IEEE 1588-2008 7.5.2.2.2)."""
    made = identity[:6] + identity[10:] if len(identity) == 16 and identity[6:10] == "fffe" else ""
    return ":".join(made[at : at + 2] for at in range(0, 12, 2)) if made else identity


def _link(host: HostFacts, name: str) -> str:
    adapter = host.adapter(name)
    if adapter is None:
        return "adapter gone"
    if adapter.down:
        return "down"
    speed = f"{adapter.speed_mbps} Mb/s" if adapter.speed_mbps else "speed not told"
    return f"up, {speed}{f', {adapter.duplex} duplex' if adapter.duplex else ''}"
