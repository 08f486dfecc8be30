"""The command line in processes that need not load it: each is a fork of one that did (Python's fork server).

Half a second of each `python -m preflight` goes into loading. Where a terminal, a signal or an exit status is
the point, a fork has it all the same. How the program itself begins and ends is in test_cli.py, by processes
of its own.
"""

import fcntl
import os
import signal
import sys
import termios
import time
from collections.abc import Callable
from contextlib import chdir
from multiprocessing import forkserver, get_context, reduction
from multiprocessing.context import ForkServerContext
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Timer

from preflight.inbox import pool

TOP = Path(__file__).parents[2]
Command = Callable[[list[str]], object]


def forked(_: str = "") -> ForkServerContext:
    """What begins processes as forks, in place of multiprocessing.get_context."""
    found = get_context("forkserver")
    found.set_forkserver_preload(["tests.cli.loaded"])
    with chdir(TOP):  # where the server finds that
        forkserver.ensure_running()
    return found


def start(
    command: Command, arguments: list[str], ends: tuple[int, int, int], folder: Path = TOP, **environment: str
) -> BaseProcess:
    """`ends` are its standard input, output and error. What of the environment of whoever runs the tests
    would change a terminal is left out."""
    told = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR")}
    about = (command, arguments, _Ends(ends), str(folder), told | environment)
    process = forked().Process(target=_run, args=about)
    process.start()
    return process


class _Ends(tuple[int, ...]):
    """Descriptors that are handed over to the process."""

    def __reduce__(self) -> tuple:
        return _Ends, (tuple(map(reduction.DupFd, self)),)


def _run(
    command: Command, arguments: list[str], ends: tuple, folder: str, environment: dict[str, str]
) -> None:
    os.setsid()
    for number, end in enumerate(ends):
        os.dup2(end.detach(), number)
    if os.isatty(0):
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)  # whose Ctrl-C is for this process
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", 1, encoding="utf-8", closefd=False)  # noqa: SIM115
    pool.get_context = _none
    command(arguments)


def _none(_: str) -> None:
    """A fork has no fork server of its own: it judges several captures by itself, as where a system has no
    locks for processes."""
    raise OSError


class Piped:
    """A command whose output and errors come by pipes, as of subprocess.Popen."""

    def __init__(self, command: Command, *arguments: str) -> None:
        (out, to_out), (errors, to_errors) = os.pipe(), os.pipe()
        with Path(os.devnull).open("rb") as nothing:
            self._process = start(command, list(arguments), (nothing.fileno(), to_out, to_errors))
        os.close(to_out)
        os.close(to_errors)
        self.stdout = os.fdopen(out, encoding="utf-8")
        self._errors = os.fdopen(errors, encoding="utf-8")

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def send_signal(self, how: int) -> None:
        assert self._process.pid is not None
        os.kill(self._process.pid, how)

    def communicate(self, timeout: float) -> tuple[str, str]:
        """The rest of what it writes, up to its end; it is killed where that does not come."""
        late = Timer(timeout, self._process.kill)
        late.start()
        with self.stdout, self._errors:
            told = self.stdout.read(), self._errors.read()
        self._process.join()
        late.cancel()
        return told
