"""Calling somebody to the screen: the terminal's bell, and a command of the user's own.

The bell rings on a new alarm, and again until the alarm is over or somebody hushes it by a key. The command
is started once for each new alarm, by `host/run.py`.
"""

import os
import shlex
import shutil
import sys
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import click

from preflight.text import clean

if TYPE_CHECKING:
    from preflight.live.standby import Event

RING_S = 10.0
MOST_RUNNING = 4
HUSH = "h "


def parted(_ctx: click.Context, _param: click.Parameter, text: str | None) -> tuple[str, ...]:
    """The callback of the option that takes a command: its words, as a shell parts them, of which the first
    is a program."""
    if text is None:
        return ()
    try:
        words = tuple(shlex.split(text, posix=os.name != "nt"))
    except ValueError as error:
        raise click.BadParameter(f"{error}: {clean(text, 200)}") from None
    if not words:
        raise click.BadParameter("it is empty.")
    if not (program := shutil.which(words[0])):
        raise click.BadParameter(f"there is no program {clean(words[0], 200)}.")
    return (program, *words[1:])


class Command:
    """Starts `words` for each new alarm; a few at a time, so that an alarm without end does not fill the
    computer."""

    def __init__(self, words: tuple[str, ...]) -> None:
        self._words = words
        self._running: list[Callable[[], bool]] = []
        self._failed = False

    def tell(self, event: "Event") -> str:
        """What there is to say of it, "" where nothing is."""
        if not self._words or event.severity != "alarm":
            return ""
        from preflight.host.run import begin

        self._running = [runs for runs in self._running if runs()]
        if len(self._running) >= MOST_RUNNING:
            return ""
        told = {
            "PREFLIGHT_SEVERITY": event.severity,
            "PREFLIGHT_CHECK": event.topic,
            "PREFLIGHT_HEADLINE": clean(event.headline, 500),
        }
        try:
            self._running.append(begin(self._words, told))
        except OSError as error:
            if not self._failed:
                self._failed = True
                return f"{clean(self._words[0])} cannot be started: {error.strerror or error}"
        return ""


class Bell:
    """`ring` makes it sound. Asked by `tick`, it rings while an alarm stands that is not hushed."""

    def __init__(self, ring: Callable[[], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._ring = ring
        self._clock = clock
        self._wanted = False
        self._rung = 0.0

    def tell(self, event: "Event") -> None:
        if event.severity == "alarm":
            self._wanted = True
            self._sound()

    def hush(self) -> None:
        self._wanted = False

    def tick(self, standing: "Iterable[Event]") -> bool:
        """Whether it would ring again."""
        if not any(each.severity == "alarm" for each in standing):
            self._wanted = False
        elif self._wanted and self._clock() - self._rung >= RING_S:
            self._sound()
        return self._wanted

    def _sound(self) -> None:
        self._rung = self._clock()
        self._ring()


class Keys:
    """The keys that were pressed since the last look, one by one, without waiting; none where nobody sits at
    a terminal.

    Only the process in the terminal's foreground may change how it takes keys: another one would be stopped
    for it."""

    def __init__(self) -> None:
        self.are_read = False
        self._before: list | None = None

    def __enter__(self) -> "Keys":
        try:
            if sys.stdin is None or not sys.stdin.isatty():
                return self
            if sys.platform != "win32":
                import termios
                import tty

                self._keyboard = sys.stdin.fileno()
                if os.tcgetpgrp(self._keyboard) != os.getpgrp():
                    return self
                try:
                    self._before = termios.tcgetattr(self._keyboard)
                    tty.setcbreak(self._keyboard)
                except termios.error:
                    return self
            self.are_read = True
        except (OSError, ValueError):  # closed, or no real file
            pass
        return self

    def __exit__(self, *_: object) -> None:
        if sys.platform != "win32" and self._before is not None:
            import contextlib
            import termios

            with contextlib.suppress(termios.error):  # the terminal has gone
                termios.tcsetattr(self._keyboard, termios.TCSADRAIN, self._before)

    def pressed(self) -> str:
        if not self.are_read:
            return ""
        if sys.platform == "win32":
            import msvcrt

            keys = ""
            while msvcrt.kbhit():
                keys += msvcrt.getwch()
            return keys
        import select

        try:
            ready, _, _ = select.select([self._keyboard], [], [], 0)
            keys = os.read(self._keyboard, 64).decode("ascii", "ignore") if ready else ""
        except OSError:
            ready, keys = [], ""
        self.are_read = bool(keys) or not ready  # at its end it is ready for ever, and has none
        return keys
