"""The scribe of a soak: an entry every few seconds, and a slow or full disk."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from preflight.live.log import Entry, Log, LogError
from preflight.live.scribe import Scribe
from preflight.live.session import Session
from preflight.soak.facts import NS
from tests.pipes import PATIENCE_S
from tests.soak.soaks import BEGUN, HOST, PLAN


class Soaking:
    """A soak that nothing is heard of, ticked by hand, in a log whose disk can be stopped."""

    def __init__(self, log: Log) -> None:
        self.disk = threading.Event()
        self.disk.set()
        self.full = False
        self.written: list[Entry] = []
        self.now = 0.0
        self.log = log
        number, run = log.begin(PLAN, "no right to listen", BEGUN)
        soak = log.soak(number).facts
        self.session = Session(soak, [], HOST, BEGUN, 0, soak.refused)
        self.add, log.add = log.add, self._add  # type: ignore
        self.scribe = Scribe(log, number, run, self.session, lambda: None, lambda: self.now)

    def _add(self, soak: int, run: int, entry: Entry, ended: str = "") -> None:
        assert self.disk.wait(PATIENCE_S)
        if self.full:
            raise LogError("the disk is full")
        self.add(soak, run, entry, ended)
        self.written.append(entry)

    def tick(self, seconds: int) -> None:
        for _ in range(seconds):
            self.now += 1.0
            self.session.judge(int(self.now * NS), int, lambda: self.now)
            self.scribe.tick()


@pytest.fixture
def soaking(tmp_path: Path) -> Iterator[Soaking]:
    with Log(tmp_path / "soak.db", write=True) as log:
        yield Soaking(log)


def test_what_a_power_cut_may_cost_is_seconds(soaking: Soaking) -> None:
    soaking.tick(5)
    assert soaking.scribe.late_s == 0
    soaking.tick(1)
    soaking.scribe.close()
    assert [entry.total.watched_ns / NS for entry in soaking.written] == [6, 6]
    facts = soaking.log.soak(1).facts
    assert facts.state == "stopped" and facts.figures.watched_ns == 6 * NS


def test_a_slow_disk_keeps_nobody_waiting_and_loses_nothing(soaking: Soaking) -> None:
    soaking.disk.clear()
    soaking.tick(30)
    assert soaking.written == [] and soaking.scribe.late_s == 24
    soaking.disk.set()
    soaking.scribe.close()
    assert [entry.total.watched_ns / NS for entry in soaking.written] == [6, 30]
    assert soaking.log.soak(1).facts.figures.watched_ns == 30 * NS


def test_a_full_disk_is_told_at_the_next_entry(soaking: Soaking) -> None:
    soaking.full = True
    soaking.tick(6)
    with pytest.raises(LogError):
        for _ in range(PATIENCE_S * 100):
            threading.Event().wait(0.01)
            soaking.tick(6)


def test_a_soak_whose_time_is_up_is_done(soaking: Soaking) -> None:
    for second in range(PLAN.planned_ns // NS):
        soaking.session.judge(0, int, lambda second=second: second + 1.0)
    assert soaking.session.left_ns == 0
    result = soaking.scribe.close()
    assert (
        soaking.log.soak(1).facts.state == "done" and result.facts.soak.figures.watched_ns == PLAN.planned_ns
    )
