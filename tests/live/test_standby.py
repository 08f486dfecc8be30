"""The loop that stands by, without a network: what it hands on, when it looks, how it ends, what it keeps."""

import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest

from preflight.frames.batch import Batch
from preflight.frames.capture import CaptureFile
from preflight.host.facts import HostFacts
from preflight.live.keeper import Keeper
from preflight.live.standby import LOOK_S, NS, SIGNALS, Event, stand_by, stoppable
from tests.pipes import PATIENCE_S
from tests.tally.captures import arp, write

HOST = HostFacts("Linux")


class Frames:
    """Moments a tenth of a second apart, each with a batch or none; its clock is that of the loop."""

    def __init__(self, *heard: Batch | None) -> None:
        self._heard = heard
        self.passed = 0
        self.closed = False

    def heard(self) -> Iterator[Batch | None]:
        try:
            for batch in self._heard:
                self.passed += 1
                yield batch
        finally:
            self.closed = True

    def now_ns(self) -> int:
        return self.passed * NS // 10

    def clock(self) -> float:
        return self.passed / 10

    def dropped(self) -> int:
        return 7

    def facts(self) -> None:
        return None


class Desk:
    """Says what it was told."""

    def __init__(self) -> None:
        self.added: list[Batch] = []
        self.looks: list[tuple[HostFacts, int]] = []

    def add(self, batch: Batch) -> None:
        self.added.append(batch)

    def judge(self, now_ns, lost, clock) -> list[Event]:
        return [Event(now_ns, "note", f"{len(self.added)} heard, {lost()} lost by {clock():.1f} s")]

    def look(self, host: HostFacts, now_ns: int) -> list[Event]:
        self.looks.append((host, now_ns))
        return [Event(now_ns, "link", f"look {len(self.looks)}")]


@pytest.fixture
def batch(tmp_path: Path) -> Batch:
    [batch] = CaptureFile(str(write(tmp_path / "one.pcap", [(0.0, arp(1, 2))]))).batches()
    return batch


def never() -> bool:
    return False


def test_what_is_heard_is_judged_each_moment_and_the_last_look_comes_last(batch: Batch) -> None:
    frames, desk = Frames(batch, None, batch), Desk()
    moments = list(stand_by(frames, desk, never, lambda: HOST, clock=frames.clock))
    assert [(now, [event.headline for event in events]) for now, events in moments] == [
        (NS // 10, ["1 heard, 7 lost by 0.1 s"]),
        (NS // 5, ["1 heard, 7 lost by 0.2 s"]),
        (3 * NS // 10, ["2 heard, 7 lost by 0.3 s"]),
        (3 * NS // 10, ["look 1"]),
    ]
    assert desk.added == [batch, batch] and desk.looks == [(HOST, 3 * NS // 10)]


def test_it_looks_at_the_computer_from_time_to_time_and_no_oftener(monkeypatch: pytest.MonkeyPatch) -> None:
    frames, desk, told = Frames(*[None] * 40), Desk(), []
    asked: list[Future[HostFacts]] = []

    class Looker(ThreadPoolExecutor):
        def submit(self, *what):
            asked.append(super().submit(*what))
            return asked[-1]

    monkeypatch.setattr("preflight.live.standby.ThreadPoolExecutor", Looker)

    def glance() -> HostFacts:
        told.append(HostFacts(f"system {len(told)}"))
        return told[-1]

    for _ in stand_by(frames, desk, never, glance, clock=frames.clock):
        asked[-1].result(PATIENCE_S)
    times = [at / NS for _, at in desk.looks]
    assert 4 <= len(times) <= 8 and times[-1] == 4.0
    assert all(later - earlier > LOOK_S - 0.01 for earlier, later in pairwise([0.0, *times[:-1]]))
    assert [host for host, _ in desk.looks[:-1]] == told[: len(times) - 1]


def test_a_computer_that_does_not_answer_keeps_no_frame_waiting(batch: Batch) -> None:
    frames, desk, answer = Frames(*[batch] * 30), Desk(), threading.Event()
    waiting = threading.current_thread()

    def glance() -> HostFacts:
        assert threading.current_thread() is waiting or answer.wait(PATIENCE_S)
        return HOST

    list(stand_by(frames, desk, never, glance, clock=frames.clock))
    answer.set()
    assert len(desk.added) == 30 and len(desk.looks) == 1


def test_it_ends_when_it_is_over_and_lets_go_of_what_listens(batch: Batch) -> None:
    frames, desk = Frames(*[batch] * 9), Desk()
    moments = list(stand_by(frames, desk, lambda: len(desk.added) == 2, clock=frames.clock))
    assert len(desk.added) == 2 and frames.closed
    assert moments[-1] == (NS // 5, [])


@pytest.mark.parametrize("grave", [True, False])
def test_frames_around_what_is_grave_are_kept(batch: Batch, tmp_path: Path, grave: bool) -> None:
    class Alarmed(Desk):
        def judge(self, now_ns, *_) -> list[Event]:
            return [Event(now_ns, "alarm", "A loop.", "loop", grave=grave)] if now_ns == NS // 5 else []

    frames = Frames(*[batch] * 60)
    keeper = Keeper(tmp_path / "kept", "eth0", 1 << 20, 9)
    told = [
        event for _, some in stand_by(frames, Alarmed(), never, None, keeper, frames.clock) for event in some
    ]
    kept = [file.name.split("_")[-1] for file in (tmp_path / "kept").glob("*")]
    assert kept == (["loop.pcapng"] if grave else [])
    assert [event.kind for event in told] == (["alarm", "note"] if grave else ["alarm"])


def test_one_who_hears_of_it_no_more_ends_it_and_what_is_due_is_written(batch: Batch, tmp_path: Path) -> None:
    class Alarmed(Desk):
        def judge(self, now_ns, *_) -> list[Event]:
            return [Event(now_ns, "alarm", "A loop.", "loop", grave=True)]

    frames = Frames(*[batch] * 9)
    keeper = Keeper(tmp_path / "kept", "eth0", 1 << 20, 9)
    standing = stand_by(frames, Alarmed(), never, None, keeper, frames.clock)
    next(standing)
    standing.close()
    assert frames.closed and len(list((tmp_path / "kept").iterdir())) == 1


@pytest.mark.parametrize("how", SIGNALS)
def test_a_signal_asks_to_stop_and_a_second_one_does_not_wait(how: int) -> None:
    before = signal.signal(how, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), stoppable() as stopped:
            assert not stopped()
            os.kill(os.getpid(), how)
            assert stopped()
            os.kill(os.getpid(), how)
        assert signal.getsignal(how) is signal.default_int_handler
    finally:
        signal.signal(how, before)


def test_what_was_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stoppable() as stopped:
            os.kill(os.getpid(), signal.SIGHUP)
            assert not stopped()
    finally:
        signal.signal(signal.SIGHUP, before)
