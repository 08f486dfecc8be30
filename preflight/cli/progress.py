"""A progress bar on standard error, for people only: on a terminal, once reading has taken a second."""

import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING

import click

from preflight.text import clean

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 1.0


class ProgressBar:
    """Call it with bytes read, bytes in all (None: unknown), frames read and a note ("" mostly).
    Where `timed`, the first two are a time, and their rate says nothing."""

    def __init__(self, name: str, timed: bool = False) -> None:
        self._timed = timed
        self._name = clean(name, 30)
        self._wanted = sys.stderr.isatty()
        self._started = time.monotonic()
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> "ProgressBar":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, bytes_read: int, bytes_total: int | None, frames: int, note: str) -> None:
        if not self._wanted:
            return
        if note:
            click.echo(f"{clean(note)} ...", err=True)
            return
        if self._bar is None:
            if time.monotonic() - self._started < PATIENCE_S:
                return
            self._start()
        assert self._bar is not None and self._task is not None
        self._bar.update(
            self._task, completed=bytes_read, total=bytes_total, frames=f"{frames:,}".replace(",", " ")
        )

    def _start(self) -> None:
        from rich import progress

        from preflight.report.page import console

        screen = console(stderr=True)
        columns: list[progress.ProgressColumn] = [progress.BarColumn(), progress.TimeRemainingColumn()]
        if screen.width >= 60:
            columns.insert(0, progress.TextColumn("{task.description}", markup=False))
        if screen.width >= 60 and not self._timed:
            columns.append(progress.TransferSpeedColumn())
        if screen.width >= 100:
            columns.append(progress.TextColumn("{task.fields[frames]} frames", markup=False))
        self._bar = progress.Progress(*columns, console=screen, transient=True)
        self._task = self._bar.add_task(self._name, total=None, frames="")
        self._bar.start()
