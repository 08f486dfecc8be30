"""Processes measured from outside: how long they take, by the clock and of the processor, and how much
memory."""

import os
import statistics
import subprocess
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from multiprocessing import get_context
from pathlib import Path
from typing import Any

RUNS = 7


@dataclass(frozen=True)
class Taken:
    """One process: seconds by the clock, of all processors, and its peak memory."""

    seconds: float
    cpu_s: float
    mib: float


@dataclass(frozen=True)
class Measured:
    best_s: float
    median_s: float
    cpu_s: float
    mib: float

    def __str__(self) -> str:
        return f"{self.best_s:.2f} s ({self.median_s:.2f}; processor {self.cpu_s:.2f} s; {self.mib:.0f} MiB)"

    @staticmethod
    def of(command: list[str]) -> "Measured":
        return in_turn(command)[0]


def apart(module: str, name: str, *given: Any) -> Any:
    """What a function of a module of this folder returns, called in a process of its own: what it loads and
    holds must not grow this one, whose children the system reckons to be as large as it is when they
    begin."""
    with get_context("spawn").Pool(1) as pool:
        return pool.apply(_call, (module, name, given))


def _call(module: str, name: str, given: tuple) -> Any:
    return getattr(import_module(f"tests.bench.{module}"), name)(*given)


def again(path: Path, size: int) -> Iterator[bytes]:
    """The pcap at `path`, its records again and again, up to `size` bytes."""
    with path.open("rb") as file:
        yield file.read(24)
        while size > 0:
            part = file.read(min(1 << 20, size))
            if not part:
                file.seek(24)
            size -= len(part)
            yield part


def best() -> str:
    return f"the best of {RUNS} runs (in brackets their median, the least processor time of any, and peak memory)"


def in_turn(*commands: list[str]) -> list[Measured]:
    """The commands one after another, RUNS times."""
    runs: list[list[Taken]] = [[] for _ in commands]
    for _ in range(RUNS):
        for command, found in zip(commands, runs, strict=True):
            found.append(taken(command))
    return [
        Measured(
            min(each.seconds for each in found),
            statistics.median(each.seconds for each in found),
            min(each.cpu_s for each in found),
            max(each.mib for each in found),
        )
        for found in runs
    ]


def taken(command: list[str], fed: Iterable[bytes] | None = None) -> Taken:
    """One run of a command, `fed` through a pipe where given."""
    # As after an install, where pip has written the bytecode.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    began = time.perf_counter()
    child = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL if fed is None else subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
        bufsize=0,
    )
    if fed is not None and child.stdin is not None:
        for part in fed:
            view = memoryview(part)
            while view:
                view = view[child.stdin.write(view[: 1 << 20]) :]
        child.stdin.close()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1, 3):
        raise RuntimeError(f"{command[0]} ended with {child.returncode}")
    return Taken(time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
