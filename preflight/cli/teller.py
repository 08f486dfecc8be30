"""How a standing watch tells what happens: a quiet display on a terminal, plain lines elsewhere, JSON lines for scripts."""

import sys
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from datetime import datetime
from typing import TYPE_CHECKING, TextIO

import click

from preflight.checks.say import counted
from preflight.live.standby import Event
from preflight.live.watch import Status
from preflight.text import clean

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType
    from rich.live import Live

WORDS = {"alarm": "ALARM", "over": "over", "link": "LINK", "device": "device", "note": "note"}
STYLES = {"alarm": "bold red", "link": "bold red", "over": "green"}
DAYTIME = "%H:%M:%S"
LAST_EVENTS, KEPT_EVENTS = 8, 100
REFRESH_S = 0.5


Rows = Callable[[], Mapping[str, str]]
"""What a display shows above the alarms, by name."""


def teller(json_to: str | None, hello: str) -> "Teller":
    """`hello` is told first."""
    if json_to:
        return JsonLines(json_to, hello)
    return Screen(hello) if sys.stdout.isatty() else Teller(hello)


def watch_rows(name: str, status: Status) -> dict[str, str]:
    hours, rest = divmod(int(status.seconds), 3600)
    return {
        name: f"watching for {hours}:{rest // 60:02d}:{rest % 60:02d}; Ctrl-C ends it with a summary",
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


def _words(event: Event) -> str:
    return clean(f"{event.check}: {event.headline}" if event.check else event.headline, 500)


class Teller(AbstractContextManager["Teller"]):
    """Plain lines: time of day, what kind, what."""

    def __init__(self, hello: str) -> None:
        self._hello = hello

    def __enter__(self) -> "Teller":
        self.tell(Event(0, "note", self._hello))
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def tell(self, event: Event) -> None:
        now = datetime.now().strftime(DAYTIME)
        click.echo(f"{now} {WORDS[event.kind]} {_words(event)}")

    def status(self, status: Status, rows: Rows) -> None:
        """What a display shows; lines do without."""

    def progress(self, event: Event) -> None:
        """What a display shows anyway; lines say it now and then."""
        self.tell(event)


class JsonLines(Teller):
    """One object a line, to standard output ("-") or to a file, at once."""

    def __init__(self, to: str, hello: str) -> None:
        super().__init__(hello)
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

    def tell(self, event: Event) -> None:
        from preflight.report.result import SCHEMA, moment
        from preflight.text import to_json

        told = {
            "schema": SCHEMA,
            "event": event.kind,
            "at": moment(time.time_ns()),
            "time_s": round(event.at_ns / 1e9, 3),
            "check": event.check or None,
            "outcome": event.outcome or None,
            "headline": event.headline,
            "culprits": event.culprits,
        }
        self.line(to_json(told, None))


class Screen(Teller):
    """A few rows that stay where they are: how it stands, what is wrong now, the last events. The newest comes first, so
    that a low terminal loses the oldest."""

    def __init__(self, hello: str) -> None:
        super().__init__(hello)
        self._told: deque[tuple[str, Event]] = deque(maxlen=KEPT_EVENTS)
        self._since: dict[str, str] = {}  # a check's alarm
        self._live: Live | None = None
        self._shown = 0.0

    def __enter__(self) -> "Screen":
        from rich.live import Live

        from preflight.report.page import console

        self._live = Live(console=console(), auto_refresh=False, transient=True)
        self._live.start()
        super().__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live.console.print(_table(self._told))  # they stay on the screen, above the summary

    def tell(self, event: Event) -> None:
        now = datetime.now().strftime(DAYTIME)
        self._told.append((now, event))
        self._since[event.check] = now
        self._shown = 0.0

    def progress(self, event: Event) -> None:
        pass

    def status(self, status: Status, rows: Rows) -> None:
        if self._live is None or time.monotonic() - self._shown < REFRESH_S:
            return
        self._shown = time.monotonic()
        self._live.update(self._drawn(status, rows()), refresh=True)

    def _drawn(self, status: Status, rows: Mapping[str, str]) -> "RenderableType":
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        up = status.link.startswith("up")
        alarms = [(self._since.get(event.check, ""), event) for event in reversed(status.alarms)]
        trouble = counted(len(alarms), "alarm") if alarms else "" if up else "no link"
        table = Table.grid(padding=(0, 2))
        for name, words in {**rows, "now": trouble or "quiet"}.items():
            bad = (name == "now" and trouble) or (name == "link" and not up)
            style = "bold red" if bad else "bold green" if name == "now" else ""
            if words:
                table.add_row(Text(clean(name), "bold"), Text(clean(words, 200), style))
        now = [event for _, event in alarms]
        past = [row for row in reversed(self._told) if row[1] not in now]
        return Group(
            table, _table(alarms), Text("last events, newest first", "bold"), _table(past[:LAST_EVENTS])
        )


def _table(events: "Iterable[tuple[str, Event]]") -> "RenderableType":
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    for at, event in events:
        table.add_row(Text(at), Text(f"{WORDS[event.kind]} {_words(event)}", STYLES.get(event.kind, "")))
    return table
