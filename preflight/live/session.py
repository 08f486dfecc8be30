"""One run of a soak while it goes on: a standing watch whose counts and alarms become entries of the log.

Frames, times and the computer's facts are handed in; events to tell and entries to write come out. Nothing
here waits, listens or writes. Where the system refused to listen, the computer alone is watched.
"""

import time
from collections.abc import Callable
from dataclasses import replace

from preflight.facts import Facts
from preflight.frames.batch import Batch
from preflight.frames.facts import SourceFacts
from preflight.host.facts import HostFacts
from preflight.live.log import MOST_TOLD, Entry
from preflight.live.soaked import (
    JudgedRun,
    fitting,
    heard_figures,
    hours,
    judge_run,
    judge_soak,
    run_facts,
    soak_facts,
)
from preflight.live.standby import Event
from preflight.live.watch import Status, Watch
from preflight.soak.course import Course, Heard
from preflight.soak.facts import NS, Figures, Noted, Run, SoakFacts, State
from preflight.verdict import Result, brief, decide

MOST_ALARMS = 1000  # of a run, that weigh in its verdict; the log has them all


class Session:
    """`soak` is the soak as the log had it when this run began at `begun_ns`, `earlier` what was found in the
    runs before this one; `soak` has this run as its last one. `clock_ns` is where the clock stands that
    `judge` is given. Where the system refused to listen, `refused` says why."""

    def __init__(
        self,
        soak: SoakFacts,
        earlier: list[JudgedRun],
        host: HostFacts,
        begun_ns: int,
        clock_ns: int,
        refused: str = "",
    ) -> None:
        self._before = replace(soak, runs=soak.runs[:-1])
        self._earlier = earlier
        self._refused = refused
        self.host = host
        self._begun_ns = begun_ns
        self._watch = Watch(soak.adapter, host, began_ns=begun_ns)
        self._course = Course(soak.adapter, host, clock_ns)
        self._alarms: list[Noted] = []
        self._happened = list(soak.happened)
        self._notes: list[Noted] = []
        self._until_ns = begun_ns
        self._hours = dict(soak.by_hour)

    def add(self, batch: Batch) -> None:
        self._watch.add(batch)

    def judge(self, now_ns: int, lost: Callable[[], int], clock: Callable[[], float]) -> list[Event]:
        """Time goes on; what is new on the wire. `now_ns` is the frames' own time from the beginning of the
        run."""
        asleep = self._course.tick(int(clock() * NS))
        missed = f"Not watched for {asleep / NS:.0f} s: the computer slept, or was too busy."
        events = [Event(now_ns, "note", missed)] if asleep else []
        if not self._refused:
            events += self._watch.judge(now_ns, lost, clock)
        return self._noted([event for event in events if not event.check or event.check in fitting()])

    def look(self, host: HostFacts, now_ns: int) -> list[Event]:
        """What the computer says; what is new of its link."""
        self.host = host
        self._course.look(host)
        return self._noted(self._watch.look(host, now_ns))

    def _noted(self, events: list[Event]) -> list[Event]:
        for event in events:
            kind: str = event.kind
            if event.kind == "link":
                kind = "link-down" if self._is_down() else "link-up"
            note = Noted(time.time_ns(), kind, event.headline, event.check, event.outcome)
            self._notes.append(note)
            if event.kind != "note" and len(self._happened) < MOST_TOLD:
                self._happened.append(note)
            if event.kind == "alarm" and len(self._alarms) < MOST_ALARMS:
                self._alarms.append(note)
        return events

    def _is_down(self) -> bool:
        adapter = self.host.adapter(self._before.adapter)
        return adapter is None or adapter.down

    @property
    def left_ns(self) -> int:
        return max(self._before.left_ns - self._course.so_far.watched_ns, 0)

    @property
    def status(self) -> Status:
        """As the watch shows it, without alarms about the bench computer. Where it may not listen, it waits
        for no frame."""
        shown = self._watch.status
        fits = tuple(alarm for alarm in shown.alarms if not alarm.check or alarm.check in fitting())
        return replace(shown, alarms=fits, heard=shown.heard or bool(self._refused))

    @property
    def soak(self) -> SoakFacts:
        """The soak as it stands now."""
        now = self._course.so_far
        return replace(
            self._before,
            runs=(*self._before.runs, Run(self._begun_ns, self._until_ns, now, self._refused)),
            figures=self._before.figures + now,
            happened=tuple(self._happened),
            by_hour=tuple(sorted(self._hours.items())),
        )

    def entry(self, source: SourceFacts | None, state: State = "running") -> tuple[Entry, Result]:
        """All that is new since the last entry, and the result so far. `source` is what the listening says of
        itself, None where it was refused."""
        self._until_ns = time.time_ns()
        facts = Facts(wire_refused=self._refused) if source is None else self._watch.whole(source)
        found = judge_run(run_facts(facts, self._before.adapter, self.host), self._alarms, self._begun_ns)
        if source is not None:
            lost, missing = heard_figures(facts)
            heard = Heard(source.frames, source.captured_bytes, source.dropped or 0, lost, missing)
            self._course.heard(heard)
        figures = self._course.take()
        for hour, more in hours([(self._until_ns, figures)]):
            self._hours[hour] = self._hours.get(hour, Figures()) + more
        soak = replace(self.soak, state=state)
        run = JudgedRun(self._begun_ns, self._course.total.watched_ns, found)
        findings = judge_soak(soak, self.host, (*self._earlier, run))
        # The page draws what was heard; of a resumed soak it would be the last run's alone.
        drawn = facts if source is not None and not self._before.runs else Facts()
        result = Result(replace(soak_facts(soak, drawn), host=self.host), decide(findings))
        said = (result.verdict.verdict, brief(result))
        notes, self._notes = tuple(self._notes), []
        return Entry(self._until_ns, figures, self._course.total, notes, found, findings, *said), result
