"""How a standing watch tells what happens: a board on a terminal, plain lines elsewhere, JSON lines for
scripts."""

import os
import shutil
import sys
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TextIO

import click

from preflight.checks.say import counted
from preflight.cli.alert import HUSH, Bell, Command, Keys
from preflight.live.standby import NS, Event
from preflight.live.watch import Status

if TYPE_CHECKING:
    from rich.live import Live

KEPT_EVENTS = 100
REFRESH_S = 0.5
SIGNS = "█─"


Rows = Callable[[], Mapping[str, str]]
"""What a display shows of how it goes, by name."""


@dataclass(frozen=True)
class Manner:
    """`hello` is told first. Events count their times from `began_ns` (UTC). In a show alarms ring the bell,
    come with the step that may be taken, and start `command`; on the bench nobody plays, and nobody need
    run."""

    hello: str
    began_ns: int
    in_show: bool = True
    command: tuple[str, ...] = ()


def teller(json_to: str | None, manner: Manner) -> "Teller":
    if json_to:
        return JsonLines(json_to, manner)
    # A dumb terminal cannot move its cursor: it gets lines, as a pipe does.
    able = sys.stdout.isatty() and os.environ.get("TERM", "").lower() not in ("dumb", "unknown")
    return (Screen if able else Teller)(manner)


def watch_rows(name: str, status: Status) -> dict[str, str]:
    hours, rest = divmod(int(status.seconds), 3600)
    return {
        "on": f"{name}, for {hours}:{rest // 60:02d}:{rest % 60:02d}",
        "link": status.link,
        "rates": rates(status),
        "clock": status.clock or "none heard",
        "heard": f"{counted(status.streams, 'stream')}, {counted(status.devices, 'device')}",
        "lost": lost(status),
    }


def rates(status: Status) -> str:
    return f"{status.frames_s:.0f} frames/s, {status.mbit_s:.1f} Mb/s, {status.broadcasts_s:.0f} broadcasts/s"


def lost(status: Status) -> str:
    return f"{status.dropped} frames that this computer was too slow for" if status.dropped else ""


class Teller(AbstractContextManager["Teller"]):
    """Plain lines, each at once: time of day, how grave, what, and what may be done now."""

    def __init__(self, manner: Manner) -> None:
        self._hello = manner.hello
        self._began_ns = manner.began_ns
        self._in_show = manner.in_show
        self._command = Command(manner.command)

    def __enter__(self) -> "Teller":
        begun = datetime.fromtimestamp(self._began_ns / NS).astimezone()
        self.show(Event(0, "note", f"{self._hello} It is {begun:%Y-%m-%d %H:%M:%S %z}."))
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def tell(self, event: Event) -> None:
        """Show it, and call somebody where it is an alarm."""
        self.show(event)
        if trouble := self._command.tell(event):
            self.show(Event(event.at_ns, "note", trouble, severity="caution"))

    def show(self, event: Event) -> None:
        from preflight.report.board import WORDS, advice, words

        step = advice(event) if self._in_show else ""
        bell = "\a" if self._in_show and event.severity == "alarm" and sys.stdout.isatty() else ""
        click.echo(
            f"{self._time_of(event)} {WORDS[event.severity]} "
            f"{words(event)}{f' Now: {step}' if step else ''}{bell}"
        )

    def _time_of(self, event: Event) -> str:
        return datetime.fromtimestamp((self._began_ns + event.at_ns) / NS).strftime("%H:%M:%S")

    def status(self, status: Status, rows: Rows) -> None:
        """What a display shows; lines do without."""

    def progress(self, event: Event) -> None:
        """What a display shows anyway; lines say it now and then."""
        self.show(event)


class JsonLines(Teller):
    """One object a line, to standard output ("-") or to a file, at once."""

    def __init__(self, to: str, manner: Manner) -> None:
        super().__init__(manner)
        self._to = to
        self._out: TextIO | None = None

    def __enter__(self) -> "JsonLines":
        try:
            self._out = open(self._to, "w", encoding="utf-8") if self._to != "-" else None  # noqa: PTH123
        except OSError as error:
            raise click.ClickException(
                f"{self._to}: cannot be written: {error.strerror}. Give another file to --json."
            ) from None
        super().__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        if self._out is not None:
            self._out.close()

    def line(self, text: str) -> None:
        if self._out is None:
            click.echo(text)
        else:
            self._out.write(text + "\n")
            self._out.flush()

    def show(self, event: Event) -> None:
        from preflight.report.board import advice
        from preflight.report.result import SCHEMA, moment
        from preflight.text import to_json

        began_ns = None if event.began_ns is None else self._began_ns + event.began_ns
        told = {
            "schema": SCHEMA,
            "event": event.kind,
            "severity": event.severity,
            "at": moment(self._began_ns + event.at_ns),
            "time_s": round(event.at_ns / 1e9, 3),
            "check": event.check or None,
            "outcome": event.outcome or None,
            "headline": event.headline,
            "seen": event.seen or None,
            "culprits": event.culprits,
            "began_at": moment(began_ns),
            "lasted_s": None if event.lasted_s is None else round(event.lasted_s, 3),
            "now": (advice(event) if self._in_show else "") or None,
            "topics": event.topics,
            "file": event.file or None,
        }
        self.line(to_json(told, None))


class Screen(Teller):
    """The board of `report/board.py` on the whole terminal, which has its old content back in the end."""

    def __init__(self, manner: Manner) -> None:
        super().__init__(manner)
        self._told: deque[Event] = deque(maxlen=KEPT_EVENTS)
        self._open = ExitStack()
        self._live: Live | None = None
        self._keys = Keys()
        self._before: object = None  # how it stood at the last change
        self._changed = ""
        self._size = (0, 0)
        self._shown = 0.0

    def __enter__(self) -> "Screen":
        from rich.live import Live

        from preflight.report.page import console

        screen = console()
        self._plain = not _can_show(screen.file)
        self._bell = Bell(screen.bell)
        self._open.enter_context(self._keys)
        self._live = self._open.enter_context(Live(console=screen, auto_refresh=False, screen=True))
        super().__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def tell(self, event: Event) -> None:
        super().tell(event)
        if self._in_show:
            self._bell.tell(event)

    def show(self, event: Event) -> None:
        self._told.append(event)
        self._shown = 0.0

    def progress(self, event: Event) -> None:
        pass

    def status(self, status: Status, rows: Rows) -> None:
        if self._live is None:
            return
        if any(key in HUSH for key in self._keys.pressed().lower()):
            self._bell.hush()
            self._shown = 0.0
        rings = self._bell.tick(status.alarms)
        size = shutil.get_terminal_size()
        if size == self._size and time.monotonic() - self._shown < REFRESH_S:
            return
        self._shown, self._size = time.monotonic(), size
        self._draw(status, rows(), rings)

    def _draw(self, status: Status, rows: Mapping[str, str], rings: bool) -> None:
        from rich.text import Text

        from preflight.report.board import Shown, Size, board
        from preflight.report.page import console

        assert self._live is not None
        how = status.state, {event.topic for event in status.alarms}
        if how != self._before:
            at_ns = self._began_ns + int(status.seconds * NS)
            self._before, self._changed = how, datetime.fromtimestamp(at_ns / NS).strftime("%H:%M:%S")
        screen = console()
        self._live.console.size = screen.size
        size = Size(screen.width, screen.height, self._plain)
        standing = [Shown(self._time_of(event), event) for event in status.alarms]
        now = {(event.topic, event.at_ns) for event in status.alarms}
        past = [
            Shown(self._time_of(event), event)
            for event in reversed(self._told)
            if (event.topic, event.at_ns) not in now
        ]
        hush = "h hushes the bell. " if rings and self._keys.are_read else ""
        hint = f"{hush}Ctrl-C ends it{' with a summary' if size.width >= 60 else ''}."
        drawn = board(status.state, self._changed, rows, standing, past, hint, size, self._in_show)
        self._live.update(Text("\n").join(drawn), refresh=True)


def _can_show(file: object) -> bool:
    try:
        SIGNS.encode(getattr(file, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
