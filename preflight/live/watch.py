"""Standing watch: the checks of the line check over rolling windows, and what changes is told once.

Strategy: two surveys overlap by half. The older one is judged every half second, so that there are always
some seconds of history, and memory is that of two. A third survey counts the whole show: from it comes the
summary. Frames, times and the computer's facts are handed in, events come out; nothing here waits, listens or
writes.

An alarm stands until there is a reason to think it over: its last stretch of time is some seconds old, or no
window shows it any more; what had stopped is back; and a stranger that it names is heard no more. Its words
are those of the last window.
"""

import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from preflight.checks import check_named, judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.checks.say import when
from preflight.checks.see.names import Names, names_of
from preflight.checks.see.streams import Announced, recalled
from preflight.checks.see.streams import names as announced_names
from preflight.facts import Facts, told_link
from preflight.frames import kernels as k
from preflight.frames.batch import Batch
from preflight.frames.facts import SourceFacts
from preflight.host.facts import Adapter, HostFacts
from preflight.live.presence import GoingOn, Key, clocks, going_on
from preflight.live.standby import NS, Event
from preflight.rig.sheet import Sheet
from preflight.survey import Survey
from preflight.verdict import decide

# Long enough for a clock that announces itself each two seconds to be missed after three (IEEE 1588-2008
# J.3.2).
WINDOW_NS = 20 * NS
STEP_NS = NS // 2
BUSY = 4  # judging may take one part in this of the time
LEAP_NS = 60 * NS  # times that leap further make the windows begin anew
OVER_NS = 20 * NS  # an alarm that no window has shown for so long is over
CALM_NS = 10 * NS  # and one whose last stretch ended so long ago
BACK_NS = 3 * NS  # and one of something that stopped, when that is back for so long
AGAIN_NS = 5 * NS  # a stretch that begins so long after the last one ended is told again
RECALL_NS = 60 * NS  # between two looks for names in all that was heard
SILENT_NS = 30 * NS  # so long without a frame of another device
# What a device is, rather than what it does: that it keeps quiet for a while is no sign that it is gone.
STRANGERS = frozenset(
    {
        "address-clash",
        "control-plan",
        "house-network",
        "stray-dhcp",
        "stray-router",
        "strangers",
        "wifi-bridge",
    }
)
LINGERS_NS = (
    300 * NS
)  # so long after the last sign of it, such a one is over although the device is still heard
LEARN_NS = 10 * NS  # who speaks so soon was there before
MOST_DEVICES = 4096
MOST_TOLD = 10  # new devices told in a minute


State = Literal["listening", "well", "caution", "alarm"]


@dataclass(frozen=True)
class Status:
    """What a display shows, of the last moment or the last window. `alarms` are those that are not over;
    `heard` says whether any other device was ever heard."""

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
    heard: bool = False

    @property
    def state(self) -> State:
        severities = {alarm.severity for alarm in self.alarms}
        if "alarm" in severities:
            return "alarm"
        if "caution" in severities:
            return "caution"
        return "well" if self.heard else "listening"


class _Window:
    """A survey that began at `start_ns`, whose times and frame numbers count from there."""

    def __init__(self, start_ns: int, dropped: int, link_mbps: int) -> None:
        self.start_ns = start_ns
        self.frames = 0
        self._dropped = dropped
        self._survey = Survey(link_mbps, pictured=False)

    def add(self, batch: Batch) -> None:
        """Frames that came before the window began, and are handed over late, are no part of it."""
        inside = batch.columns[k.REL, : batch.rows] >= self.start_ns
        if not inside.all():
            columns = np.ascontiguousarray(batch.columns[:, : batch.rows][:, inside])
            batch = replace(batch, columns=columns, rows=columns.shape[1])
        if not batch.rows:
            return
        times = batch.columns[k.REL, : batch.rows]
        times -= self.start_ns
        self._survey.add(replace(batch, first=self.frames + 1))
        times += self.start_ns
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
    """One of a check. `ends_ns` is where the last of its stretches ended (0 where it has none), `gone` what
    had stopped, and `back_ns` since when all of that is back (0: not yet); `here_ns` is when a stranger that
    it names was last heard."""

    told: Event
    culprits: set[str]
    failed: bool
    last_ns: int
    ends_ns: int
    gone: set[Key] = field(default_factory=set)
    back_ns: int = 0
    here_ns: int = 0
    cleared: bool = False


class Watch:
    """Give it frames with `add`, the computer with `look`, and ask it with `judge` every moment; all times
    are nanoseconds from the beginning, which was at `began_ns` (UTC)."""

    def __init__(self, adapter: str, host: HostFacts, sheet: Sheet | None = None, began_ns: int = 0) -> None:
        self._adapter = adapter
        self.host = self._first_host = host
        self._sheet = sheet
        self._began_ns = began_ns
        self._whole = Survey(self._link_mbps)
        self._windows = [_Window(0, 0, self._link_mbps)]
        self._alarms: dict[str, _Alarm] = {}
        self._link: Event | None = None  # that it is down
        self._silence: Event | None = None
        self._heard_ns = 0  # the last frame of another device
        self._names: Names | None = None  # of devices and streams, by all that was heard
        self._streams: dict[tuple[str, int], Announced] = {}
        self._recalled_ns = 0
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
        """What is new by `now_ns`, where it is time to judge; `lost` tells how many frames the system lost
        since the beginning. `clock` measures what judging costs, so that it leaves time to listen."""
        if now_ns < self._due_ns:
            return []
        began, dropped = clock(), lost()
        self._turn(now_ns, dropped)
        oldest = self._windows[0]
        facts = self._beside(oldest.facts(self._adapter, now_ns, dropped), self.host)
        events = [
            *self._findings(facts, oldest.start_ns, now_ns),
            *self._silent(facts, oldest.start_ns, now_ns),
            *self._devices(facts, now_ns),
        ]
        self._show(facts, now_ns, dropped)
        self._due_ns = now_ns + max(STEP_NS, int((clock() - began) * BUSY * NS))
        return events

    def look(self, host: HostFacts, now_ns: int) -> list[Event]:
        """What changed of the link since the last look."""
        before, after = (each.adapter(self._adapter) for each in (self.host, host))
        self.host = host
        events = [*self._changes(before, after, now_ns)]
        self.status = replace(
            self.status, link=_link(host, self._adapter), alarms=self._standing(), seconds=now_ns / NS
        )
        return events

    def _changes(self, before: Adapter | None, after: Adapter | None, now_ns: int) -> Iterator[Event]:
        down, was_down = (a is None or a.down for a in (after, before))
        bad = Event(
            now_ns, "link", "", culprits=(self._adapter,), grave=True, severity="alarm", began_ns=now_ns
        )
        if (after is None and before is not None) or (down and not was_down):
            gone = f"The adapter {self._adapter} is gone."
            said = gone if after is None else f"The link of {self._adapter} is down."
            self._link = replace(bad, headline=said, began_ns=self._link.began_ns if self._link else now_ns)
            yield self._link
        elif was_down and not down:
            said = f"The link is up again: {_link(self.host, self._adapter)}."
            was, self._link = self._link or bad, None
            self._heard_ns = now_ns  # silence until now is explained
            yield replace(
                was, at_ns=now_ns, headline=said, grave=False, severity="cleared", ended_ns=now_ns, was=was.headline
            )  # fmt: skip
        elif after is not None and before is not None:
            flips = (after.counters.carrier_changes or 0) - (before.counters.carrier_changes or 0)
            if after.speed_mbps and before.speed_mbps and after.speed_mbps < before.speed_mbps:
                said = f"The link fell from {before.speed_mbps} to {after.speed_mbps} Mb/s."
                yield replace(bad, headline=said, severity="caution", ended_ns=now_ns)
            elif flips > 0 and not down:
                yield replace(bad, headline="The link went down and came back.", ended_ns=now_ns)

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
            if self._names is None or now_ns - self._recalled_ns > RECALL_NS:
                self._recall(now_ns)

    def _recall(self, now_ns: int) -> None:
        """Devices and streams tell their names once in minutes, when no window listens any more."""
        heard = self.whole(SourceFacts("live", self._adapter, 1, duration_s=now_ns / NS))
        self._names, self._streams = names_of(heard), announced_names(heard)
        self._recalled_ns = now_ns

    def _findings(self, facts: Facts, start_ns: int, now_ns: int) -> Iterator[Event]:
        going: dict[tuple[str, Key], GoingOn] = {}
        for each in going_on(facts):
            if each.here or (each.check, each.key) not in going:
                going[each.check, each.key] = each
        passed: dict[str, str] = {}
        ranking = decide(judge_all(facts, names=self._names)).findings
        trouble = {ranked.finding.check for ranked in ranking if ranked.finding.outcome.troubles}
        for ranked in ranking:
            finding = self._continued(ranked.finding, trouble, start_ns)
            alarm = self._alarms.get(finding.check)
            if finding.outcome == Outcome.PASS:
                passed[finding.check] = finding.undated
            elif ranked.explained_by or not _alarms(finding):
                if alarm is not None and finding.outcome.troubles:
                    alarm.last_ns = now_ns  # not worth telling by itself, and not over
            else:
                yield from self._raise(finding, start_ns, now_ns)
                self._alarms[finding.check].gone |= {
                    key for (check, key), each in going.items() if check == finding.check and not each.here
                }
        for check, alarm in list(self._alarms.items()):
            yield from self._clear(check, alarm, going, passed.get(check, ""), facts, start_ns, now_ns)

    def _continued(self, finding: Finding, trouble: set[str], start_ns: int) -> Finding:
        """`finding` under the check that told the same fault before: a flow that keeps a beat is found to
        count its frames some seconds later, and is then told of as a stream. `trouble` are the checks that
        find something in this window."""
        before = self._alarms.get("beat-health")
        if (
            finding.check == "stream-health"
            and before is not None
            and not ("stream-health" in self._alarms or "beat-health" in trouble)
            and any(
                start_ns + start * NS <= before.ends_ns + AGAIN_NS
                and (before.told.began_ns or 0) <= start_ns + end * NS
                for start, end in finding.spans
            )
        ):
            return replace(finding, check="beat-health")
        return finding

    def _raise(self, finding: Finding, start_ns: int, now_ns: int) -> Iterator[Event]:
        """An alarm, where it is new: not told yet, graver or of others than before, or anew after a rest."""
        starts, ends_ns = [], 0
        for start, end in finding.spans:
            starts.append(start_ns + int(start * NS))
            ends_ns = max(ends_ns, start_ns + int(end * NS))
        alarm = self._alarms.get(finding.check)
        failed = finding.outcome == Outcome.FAIL
        anew = [start for start in starts if alarm is None or start > alarm.ends_ns + AGAIN_NS]
        check = check_named(finding.check)
        told = Event(
            now_ns, "alarm", recalled(finding.undated, self._streams), finding.check, finding.outcome.value, finding.culprits,
            grave=check is not None and check.subject == "wire",
            severity="alarm" if failed else "caution",
            seen=recalled(_seen(finding, lambda time_s: self._clock(start_ns + int(time_s * NS))), self._streams),
            began_ns=min([*(anew or starts[-1:]), now_ns]),
        )  # fmt: skip
        if (
            alarm is not None
            and alarm.failed >= failed
            and alarm.culprits.issuperset(finding.culprits)
            and not anew
            and not (alarm.cleared and not starts and alarm.ends_ns)
        ):
            alarm.last_ns, alarm.ends_ns = now_ns, max(alarm.ends_ns, ends_ns)
            if alarm.failed == failed:  # how it looks by now
                alarm.told = replace(told, at_ns=alarm.told.at_ns, began_ns=alarm.told.began_ns)
            return
        known, gone = set[str](), set[Key]()
        if alarm is not None and not alarm.cleared:
            known, gone = (alarm.culprits if len(alarm.culprits) < MOST_DEVICES else known), alarm.gone
        self._alarms[finding.check] = _Alarm(
            told, known | set(finding.culprits), failed, now_ns, ends_ns, gone
        )
        yield told

    def _clear(
        self,
        check: str,
        alarm: _Alarm,
        going: dict[tuple[str, Key], GoingOn],
        now_well: str,
        facts: Facts,
        start_ns: int,
        now_ns: int,
    ) -> Iterator[Event]:
        """That an alarm is over, and what came back. It is remembered for as long as a window shows it."""
        unseen = now_ns - alarm.last_ns > OVER_NS
        if not alarm.cleared:
            back = [going[check, key] for key in sorted(alarm.gone) if (check, key) in going]
            if sum(each.here for each in back) < len(alarm.gone):
                alarm.back_ns = 0
                return
            alarm.back_ns = alarm.back_ns or now_ns
            last_ns = alarm.ends_ns or alarm.last_ns
            calm = alarm.ends_ns and now_ns - alarm.ends_ns > (BACK_NS if back else CALM_NS)
            here, here_ns = self._still_here(check, alarm, facts, start_ns)
            alarm.here_ns = max(alarm.here_ns, here_ns)
            if (
                not (unseen or calm)
                or (back and now_ns - alarm.back_ns < BACK_NS)
                or (here and now_ns - last_ns < LINGERS_NS)
            ):
                return
            names = self._names or names_of(facts)
            since = f"Not seen since {self._clock(last_ns)}."
            was = alarm.told.headline
            if back:
                last_ns = max(last_ns, alarm.back_ns)
                said = _back([recalled(each.name(names), self._streams) for each in back])
                was = was.removesuffix(" It has not come back.")
            elif here:
                said = f"{since} {names.full(here)} is still heard."
            elif check in STRANGERS and alarm.culprits:
                last_ns = max(last_ns, alarm.here_ns)
                named = ", ".join(names.full(each) for each in sorted(alarm.culprits)[:3])
                said = f"Not heard since {self._clock(last_ns)}: {named}."
            else:
                said = f"{since} Now: {now_well.split('. ')[0].rstrip('.')}." if now_well else since
            alarm.cleared = True
            yield replace(
                alarm.told, at_ns=now_ns, kind="cleared", headline=said, outcome="", grave=False, severity="cleared",
                seen="", ended_ns=last_ns, was=was,
            )  # fmt: skip
        if unseen:
            del self._alarms[check]

    def _still_here(self, check: str, alarm: _Alarm, facts: Facts, start_ns: int) -> tuple[str, int]:
        """A stranger that an alarm names and that this window has heard, and when last; "" where there is
        none."""
        if check not in STRANGERS or facts.tally is None:
            return "", 0
        heard = [talker for talker in facts.tally.talkers if talker.hardware in alarm.culprits]
        last = max(heard, key=lambda talker: talker.last_s, default=None)
        return (last.hardware, start_ns + int(last.last_s * NS)) if last else ("", 0)

    def _silent(self, facts: Facts, start_ns: int, now_ns: int) -> Iterator[Event]:
        """That nothing comes any more although the link is up: then nothing can be wrong either, and nothing
        is well."""
        assert facts.tally is not None
        last = [start_ns + int(talker.last_s * NS) for talker in facts.tally.talkers if not talker.own]
        before_ns, self._heard_ns = self._heard_ns, max([self._heard_ns, *last])
        if self._silence is None and now_ns - self._heard_ns > SILENT_NS and self._link is None:
            self._silence = Event(
                now_ns, "silence", f"Nothing is heard of any other device on {self._adapter}.",
                culprits=(self._adapter,), severity="caution", began_ns=before_ns,
            )  # fmt: skip
            yield self._silence
        elif self._silence is not None and self._heard_ns > before_ns:
            was, self._silence = self._silence, None
            yield replace(
                was, at_ns=now_ns, headline="Other devices are heard again.", severity="cleared", ended_ns=now_ns,
                was=was.headline,
            )  # fmt: skip

    def _standing(self) -> tuple[Event, ...]:
        """The alarms that are not over."""
        alarms = [alarm.told for alarm in self._alarms.values() if not alarm.cleared]
        return tuple(each for each in (self._link, self._silence, *alarms) if each is not None)

    def _clock(self, at_ns: int) -> str:
        """The time of day of a moment, as the clock on the wall has it."""
        return when(self._began_ns + at_ns)[-8:]

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
        names = self._names or names_of(facts)
        for hardware in new[: max(room, 0)]:
            self._told.append(now_ns)
            yield Event(now_ns, "device", f"A new device: {names.full(hardware)}.", culprits=(hardware,))
        if 0 < room < len(new):
            yield Event(now_ns, "device", f"{len(new) - room} more new devices, or made-up addresses.")

    def _show(self, facts: Facts, now_ns: int, dropped: int) -> None:
        assert facts.tally is not None and facts.source is not None
        names = self._names or names_of(facts)
        span = max(now_ns - self._judged_ns, 1) / 1e9
        frames, octets, broadcasts = (self._counts / span).tolist()
        self.status = Status(
            seconds=now_ns / 1e9,
            link=_link(self.host, self._adapter),
            frames_s=frames,
            mbit_s=octets * 8 / 1e6,
            broadcasts_s=broadcasts,
            clock=", ".join(names.name(each) if ":" in each else each for each in sorted(clocks(facts))[:3]),
            streams=sum(flow.stream for flow in facts.tally.flows),
            devices=len(facts.tally.talkers),
            dropped=dropped,
            alarms=self._standing(),
            heard=self._heard_ns > 0,
        )
        self._counts[:] = 0
        self._judged_ns = now_ns


def _alarms(finding: Finding) -> bool:
    """Whether the check says that this is to be told."""
    check = check_named(finding.check)
    from_on = check.watch if check else "never"
    return from_on != "never" and finding.outcome.gravity <= Outcome(from_on).gravity


# "at 8.1 s", "from 2.0 s to 8.1 s", ": 8.1 s" at the end: moments. "for up to 0.5 s" is none.
MOMENT = re.compile(r"(?<!up )\b(at|from|to) (\d+\.\d) s\b|(:) (\d+\.\d) s$")


def _seen(finding: Finding, clock: Callable[[float], str]) -> str:
    """The first thing that shows it, with names, where the headline has none: moments that count from a
    window's first frame are told by the clock on the wall."""
    said = finding.headline.rstrip(".")
    text = next((each.text for each in finding.evidence if each.text.rstrip(".") not in said), "")
    return MOMENT.sub(lambda m: f"{m[1] or m[3]} {clock(float(m[2] or m[4]))}", text)


def _back(names: list[str]) -> str:
    if len(names) == 1:
        return f"{names[0]} is back."  # a name is written as it is, at the beginning, too
    return f"{len(names)} are back: {'; '.join(names[:3])}{'; ...' if len(names) > 3 else ''}."


def _link(host: HostFacts, name: str) -> str:
    adapter = host.adapter(name)
    if adapter is None:
        return "adapter gone"
    if adapter.down:
        return "down"
    speed = f"{adapter.speed_mbps} Mb/s" if adapter.speed_mbps else "speed not told"
    return f"up, {speed}{f', {adapter.duplex} duplex' if adapter.duplex else ''}"
