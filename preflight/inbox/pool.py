"""Work on all cores, results in the order of the tasks, and a worker that dies costs its own task alone.

Each worker is a process of its own with one task at a time: so it is known whose task a death ends, and
another takes its place. What a worker prints or raises by Ctrl-C reaches nobody: it hears Ctrl-C only while
it works.
"""

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Generic, TypeVar

Task = TypeVar("Task")
Done = TypeVar("Done")
DIED = "the process that read it died, perhaps for want of memory; study it alone, with other programs closed"


def cores() -> int:
    """How many processors this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


class Pool(Generic[Task, Done]):
    """Does `work` on tasks, which processes can be handed. `stopped` is True after Ctrl-C, also where `stops`
    says of a result that it came early: no new tasks are begun then."""

    def __init__(
        self,
        work: Callable[[Task], Done],
        died: Callable[[Task, str], Done],
        stops: Callable[[Done], bool] = lambda _: False,
    ) -> None:
        self._work = work
        self._died = died
        self._stops = stops
        self.stopped = False

    def results(
        self,
        tasks: Sequence[Task],
        here: Callable[[Task], bool] = lambda _: False,
        told: Callable[[int], None] = lambda _: None,
    ) -> Iterator[Done]:
        """The result of each task, in their order. Those that must stay `here` are done by this process.
        `told` is given how many are done."""
        if not tasks:
            return
        waiting = [number for number, task in enumerate(tasks) if not here(task)][::-1]
        try:
            idle = [self._worker() for _ in range(min(cores(), len(waiting)))]
        except (OSError, ImportError):  # no locks for several processes, as in a root without /dev/shm
            waiting, idle, here = [], [], lambda _: True
        running: dict[Future[Done], tuple[int, ProcessPoolExecutor]] = {}
        done: dict[int, Done] = {}
        try:
            for number, task in enumerate(tasks):
                while number not in done:
                    try:
                        self._begin(tasks, waiting, idle, running)
                        if here(task):
                            if self.stopped:
                                break
                            done[number] = self._work(task)
                            self.stopped |= self._stops(done[number])
                        elif not running:
                            break  # stopped before it was begun
                        else:
                            self._collect(tasks, idle, running, done)
                    except KeyboardInterrupt:
                        self.stopped = True
                    told(number + len(done))
                if number in done:
                    yield done.pop(number)
        finally:
            for worker in (*idle, *(worker for _, worker in running.values())):
                worker.shutdown(
                    cancel_futures=True
                )  # waited for: at its end Python writes to pipes that are being closed

    @staticmethod
    def _worker() -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, get_context("spawn"), _deaf)

    def _begin(self, tasks: Sequence[Task], waiting: list[int], idle: list, running: dict) -> None:
        while waiting and idle and not self.stopped:
            worker, number = idle.pop(), waiting.pop()
            with _blocked():  # a new process inherits it
                running[worker.submit(_interruptible, self._work, tasks[number])] = (number, worker)

    def _collect(self, tasks: Sequence[Task], idle: list, running: dict, done: dict[int, Done]) -> None:
        for future in wait(running, return_when=FIRST_COMPLETED).done:
            number, worker = running.pop(future)
            try:
                done[number] = future.result()
                self.stopped |= self._stops(done[number])
            except BrokenProcessPool:
                if not self.stopped:
                    done[number] = self._died(tasks[number], DIED)
                worker.shutdown(wait=False)
                worker = self._worker()
            except KeyboardInterrupt:  # in the worker, before it had anything to judge
                self.stopped = True
            idle.append(worker)


@contextmanager
def _blocked() -> Iterator[None]:
    """No Ctrl-C meanwhile, where the system can hold it back."""
    mask = getattr(signal, "pthread_sigmask", None)
    before = mask(signal.SIG_BLOCK, {signal.SIGINT}) if mask else None
    try:
        yield
    finally:
        if mask:
            mask(signal.SIG_SETMASK, before)


def _deaf() -> None:
    """A worker begins: Ctrl-C is nothing to it but while it works."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _interruptible(work: Callable[[Task], Done], task: Task) -> Done:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return work(task)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
