"""The log of all soaks: one SQLite file, in the platform's folder for a user's data.

A soak's samples are committed every few seconds with synchronous=FULL: what was committed is on the disk when
the power goes. The write-ahead log lets others read, and other soaks write, meanwhile; each soak only ever
adds rows of its own. A soak belongs to one living process: the log keeps its number and start, so that a
killed one is told from a running one. `PRAGMA user_version` is the version of the tables. What is read is
judged by its types: the file may be anything.
"""

import contextlib
import os
import platform
import sqlite3
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from preflight.checks.finding import Finding
from preflight.host.facts import Counters
from preflight.live.soaked import JudgedRun, hours
from preflight.soak.facts import COUNTED, EXTREMES, NS, SUMS, Figures, Noted, Run, SoakFacts, State
from preflight.text import clean, to_json

VERSION = 1
OURS = 0x70726673  # PRAGMA application_id: "prfs"
MAGIC = b"SQLite format 3\0"
BUSY_S = 20.0
# A soak of another computer in one log (a shared folder): its process cannot be looked at, only when it last
# wrote.
STALE_NS = 30 * NS
LONGEST = 200  # characters of a name
MOST_TOLD = 500
NAMES = ("item", "serial", "who", "computer", "adapter", "hardware")
SOAK = ("number", *NAMES, "planned_ns", "ended", "process", "process_at", "verdict", "headline")
FIGURES = (*SUMS, *EXTREMES, *COUNTED)
NUMBERS = ", ".join(f"{name} {'REAL' if name.endswith('_c') else 'INTEGER'}" for name in FIGURES)
TABLES = f"""
CREATE TABLE soak (
    number INTEGER PRIMARY KEY AUTOINCREMENT, item TEXT NOT NULL, serial TEXT NOT NULL, who TEXT NOT NULL,
    computer TEXT NOT NULL, adapter TEXT NOT NULL, hardware TEXT NOT NULL, planned_ns INTEGER NOT NULL,
    ended TEXT NOT NULL DEFAULT '' CHECK (ended IN ('', 'done', 'stopped')), process INTEGER, process_at REAL,
    verdict TEXT NOT NULL DEFAULT 'unproven', headline TEXT NOT NULL DEFAULT '', findings TEXT NOT NULL DEFAULT '[]'
);
CREATE TABLE run (
    number INTEGER PRIMARY KEY AUTOINCREMENT, soak INTEGER NOT NULL REFERENCES soak (number),
    begun_ns INTEGER NOT NULL, until_ns INTEGER NOT NULL, refused TEXT NOT NULL, findings TEXT NOT NULL DEFAULT '[]',
    {NUMBERS}
);
CREATE TABLE sample (run INTEGER NOT NULL REFERENCES run (number), at_ns INTEGER NOT NULL, {NUMBERS});
CREATE TABLE note (
    run INTEGER NOT NULL REFERENCES run (number), at_ns INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL,
    "check" TEXT NOT NULL, outcome TEXT NOT NULL
);
CREATE INDEX run_of_soak ON run (soak);
CREATE INDEX sample_of_run ON sample (run);
CREATE INDEX note_of_run ON note (run);
PRAGMA application_id = {OURS};
PRAGMA user_version = {VERSION};
"""


class LogError(Exception):
    """The log cannot be used so. Its text says why and what to do, in one line."""


@dataclass(frozen=True)
class Plan:
    """What is to be soaked."""

    item: str
    serial: str
    who: str
    adapter: str
    hardware: str
    planned_ns: int


@dataclass(frozen=True)
class Logged:
    """A soak of the log, as it was last written down."""

    facts: SoakFacts
    verdict: str
    headline: str


@dataclass(frozen=True)
class Entry:
    """What a running soak adds: figures since the last entry and of the whole run, what happened, and what is
    to be said so far."""

    at_ns: int
    figures: Figures
    total: Figures
    notes: tuple[Noted, ...]
    run_findings: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    verdict: str
    headline: str


def default_path() -> Path:
    """Of the user who called sudo, where it was sudo: the log is the same with and without."""
    from platformdirs import user_data_path

    try:
        folder = user_data_path("preflight", appauthor=False)
    except RuntimeError:  # platformdirs' word for it
        raise LogError("this user has no home to keep a log in; name one with --log FILE") from None
    caller = os.environ.get("SUDO_UID", "")
    if sys.platform.startswith("linux") and caller.isdigit() and int(caller) > 0:
        import pwd

        with contextlib.suppress(KeyError):
            folder = Path(pwd.getpwuid(int(caller)).pw_dir) / ".local/share/preflight"
    return folder / "soak.db"


class Log:
    """`with Log(path) as log:` opens the log to read, with `write` to write; only then is a missing one
    made."""

    def __init__(self, path: Path, write: bool = False) -> None:
        self.path = path
        self._name = clean(str(path), LONGEST)
        with self._told("cannot be opened"):
            self._look_at_the_file()
            self._db = self._open_to_write() if write else self._open_to_read()
        try:
            self._know(write)
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._db.close()

    def _look_at_the_file(self) -> None:
        """SQLite would take a file of a few bytes for an empty one, and write over it."""
        if self.path.exists():
            with self.path.open("rb") as file:
                head = file.read(len(MAGIC))
            if head and head != MAGIC:
                raise LogError(f"{self._name}: is no soak log. Give another file to --log.")

    def _open_to_write(self) -> sqlite3.Connection:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        return self._connected(f"{self.path.absolute().as_uri()}?mode=rwc")

    def _open_to_read(self) -> sqlite3.Connection:
        uri = self.path.absolute().as_uri()
        if not self.path.exists():
            raise LogError(f"{self._name}: there is no such log. `preflight soak run` begins one.")
        beside = self.path.with_name(self.path.name + "-wal")
        alone = not beside.exists() and not os.access(self.path.parent, os.W_OK)
        return self._connected(f"{uri}?mode=ro{'&immutable=1' if alone else ''}")

    def _connected(self, uri: str) -> sqlite3.Connection:
        # Entries are written by a thread of their own.
        return sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)

    def _know(self, write: bool) -> None:
        with (
            self._told("is no soak log"),
            self._at_once("DEFERRED"),
        ):  # of one moment: another may begin it just now
            version, whose = self._one("PRAGMA user_version"), self._one("PRAGMA application_id")
            tables = self._one("SELECT COUNT(*) FROM sqlite_master")
        if not tables and not version and not whose and write:
            return self._make()
        if whose != OURS:
            raise LogError(f"{self._name}: is no soak log. Give another file to --log.")
        if version > VERSION:
            raise LogError(
                f"{self._name}: was written by a newer preflight (tables {version}, this one knows "
                f"{VERSION}). Update it."
            )
        if write:
            with self._told("cannot be written"):
                self._settle()
                with self._changing():  # refused here, and not after hours, where it may not be written
                    self._db.execute(f"PRAGMA application_id = {OURS}")
        return None

    def _make(self) -> None:
        with self._told("cannot be written"):
            self._settle()
            with self._changing():
                if not self._one("SELECT COUNT(*) FROM sqlite_master"):  # two soaks may begin it at once
                    for statement in TABLES.split(";"):
                        self._db.execute(statement)

    def _settle(self) -> None:
        # Where two begin a log at once, SQLite refuses the second here without waiting.
        until = time.monotonic() + BUSY_S
        while True:
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                break
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                    raise
                time.sleep(0.02)
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA foreign_keys = ON")

    def _one(self, question: str, *values: object) -> int:
        return int(self._db.execute(question, values).fetchone()[0])

    @contextlib.contextmanager
    def _told(self, what: str) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError, ValueError, TypeError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise LogError(f"{self._name}: {what}: {clean(reason, LONGEST)}.") from None

    @contextlib.contextmanager
    def _changing(self) -> Iterator[None]:
        """All of it, or nothing. The lock is taken first, so that nothing read here is old."""
        with self._at_once("IMMEDIATE"):
            yield

    @contextlib.contextmanager
    def _at_once(self, how: str) -> Iterator[None]:
        self._db.execute(f"BEGIN {how}")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise

    # Writing

    def begin(self, plan: Plan, refused: str, at_ns: int) -> tuple[int, int]:
        """A new soak and its first run: their numbers."""
        with self._told("cannot be written"), self._changing():
            self._refuse_a_second(plan.adapter, plan.hardware)
            soak = self._db.execute(
                "INSERT INTO soak (item, serial, who, computer, adapter, hardware, planned_ns) VALUES (?, "
                "?, ?, ?, ?, ?, ?)",
                (plan.item, plan.serial, plan.who, _computer(), plan.adapter, plan.hardware, plan.planned_ns),
            ).lastrowid
            assert soak is not None
            return soak, self._new_run(soak, refused, at_ns)

    def resume(self, number: int, hardware: str, refused: str, at_ns: int) -> int:
        """A new run of a soak: its number. Refused where another process has the soak."""
        with self._told("cannot be written"), self._changing():
            facts = self._logged(number).facts
            state = facts.state
            if state == "running":
                raise LogError(f"soak {number} is running already, in another window or on another computer.")
            if state == "done":
                raise LogError(f"soak {number} is done. Begin a new one with `preflight soak run`.")
            self._refuse_a_second(facts.adapter, hardware)
            self._db.execute(
                "UPDATE soak SET computer = ?, hardware = ? WHERE number = ?", (_computer(), hardware, number)
            )
            return self._new_run(number, refused, at_ns)

    def _refuse_a_second(self, adapter: str, hardware: str) -> None:
        here = (_computer(), adapter, hardware)
        for other in (logged.facts for logged in self._all()):
            if (other.computer, other.adapter, other.hardware) == here and other.state == "running":
                raise LogError(
                    f"soak {other.number} ({other.label}) is running on {adapter}. "
                    "Take another adapter, or stop that one first."
                )

    def _new_run(self, soak: int, refused: str, at_ns: int) -> int:
        process, started = _this_process()
        self._db.execute(
            "UPDATE soak SET ended = '', process = ?, process_at = ? WHERE number = ?",
            (process, started, soak),
        )
        run = self._db.execute(
            "INSERT INTO run (soak, begun_ns, until_ns, refused) VALUES (?, ?, ?, ?)",
            (soak, at_ns, at_ns, refused),
        ).lastrowid
        assert run is not None
        return run

    def add(self, soak: int, run: int, entry: Entry, ended: str = "") -> None:
        """Write an entry to the disk: when this comes back, it is there."""
        values = _values(entry.figures)
        with self._told("cannot be written"), self._changing():
            self._db.execute(
                f"INSERT INTO sample VALUES (?, ?{', ?' * len(values)})", (run, entry.at_ns, *values)
            )
            self._db.executemany(
                "INSERT INTO note VALUES (?, ?, ?, ?, ?, ?)",
                [(run, n.at_ns, n.kind, clean(n.text, 500), n.check, n.outcome) for n in entry.notes],
            )
            self._db.execute(
                f"UPDATE run SET until_ns = ?, findings = ?, {' = ?, '.join(FIGURES)} = ? WHERE number = ?",
                (entry.at_ns, _text(entry.run_findings), *_values(entry.total), run),
            )
            self._db.execute(
                "UPDATE soak SET verdict = ?, headline = ?, findings = ?, ended = ? WHERE number = ?",
                (entry.verdict, clean(entry.headline, 500), _text(entry.findings), ended, soak),
            )

    # Reading

    def all(self) -> list[Logged]:
        with self._told("is damaged"):
            return self._all()

    def soak(self, number: int) -> Logged:
        """One soak with all that is known of it. LogError where there is none of that number."""
        with self._told("is damaged"):
            return self._logged(number)

    def findings(self, number: int) -> tuple[Finding, ...]:
        with self._told("is damaged"):
            [text] = self._db.execute("SELECT findings FROM soak WHERE number = ?", (number,)).fetchone()
            return _findings(text)

    def runs(self, number: int) -> list[JudgedRun]:
        with self._told("is damaged"):
            rows = self._db.execute(
                "SELECT begun_ns, COALESCE(watched_ns, 0), findings FROM run WHERE soak = ? ORDER BY number",
                (number,),
            )
            return [JudgedRun(int(begun), int(watched), _findings(text)) for begun, watched, text in rows]

    def samples(self, number: int) -> list[tuple[int, Figures]]:
        """Each sample by the moment of its end."""
        with self._told("is damaged"):
            return self._samples(number)

    def _samples(self, number: int) -> list[tuple[int, Figures]]:
        rows = self._db.execute(
            f"SELECT at_ns, {', '.join(f'sample.{name}' for name in FIGURES)} FROM sample JOIN run ON run "
            "= run.number WHERE soak = ? ORDER BY sample.rowid",
            (number,),
        )
        return [(int(at), _figures(values)) for at, *values in rows]

    def _happened(self, number: int) -> Iterator[Noted]:
        rows = self._db.execute(
            'SELECT at_ns, kind, text, "check", outcome FROM note JOIN run ON run = run.number '
            "WHERE soak = ? AND kind != 'note' ORDER BY note.rowid LIMIT ?",
            (number, MOST_TOLD),
        )
        return (Noted(int(at), *(clean(str(text), 500) for text in texts)) for at, *texts in rows)

    def _all(self) -> list[Logged]:
        rows = self._db.execute(f"SELECT {', '.join(SOAK)} FROM soak ORDER BY number").fetchall()
        return [logged for row in rows if (logged := self._of(row))]

    def _logged(self, number: int) -> Logged:
        row = self._db.execute(f"SELECT {', '.join(SOAK)} FROM soak WHERE number = ?", (number,)).fetchone()
        logged = self._of(row, whole=True) if row else None
        if logged is None:
            raise LogError(f"{self._name}: there is no soak {number}. `preflight soak list` has them all.")
        return logged

    def _of(self, row: tuple, whole: bool = False) -> Logged | None:
        of = dict(zip(SOAK, row, strict=True))
        number = int(of["number"])
        told = self._db.execute(
            f"SELECT begun_ns, until_ns, refused, {', '.join(FIGURES)} FROM run WHERE soak = ? ORDER BY "
            "number",
            (number,),
        )
        runs = tuple(
            Run(int(begun), int(until), _figures(values), clean(str(refused), 300))
            for begun, until, refused, *values in told
        )
        if not runs:
            return None
        names = {name: clean(str(of[name]), LONGEST) for name in NAMES}
        facts = SoakFacts(
            **names,
            number=number,
            planned_ns=int(of["planned_ns"]),
            state=_state(of["ended"], names["computer"], of["process"], of["process_at"], runs[-1].until_ns),
            runs=runs,
            figures=sum((run.figures for run in runs), Figures()),
            happened=tuple(self._happened(number)) if whole else (),
            by_hour=hours(self._samples(number)) if whole else (),
        )
        return Logged(facts, clean(str(of["verdict"])), clean(str(of["headline"]), 500))


def _name(text: object) -> str:
    return clean(str(text), LONGEST)


def _figures(values: Iterable[Any]) -> Figures:
    """Of a row; a run that has no sample yet holds nothing."""
    told: dict[str, Any] = {
        name: value if value is None else float(value) if name.endswith("_c") else int(value)
        for name, value in zip(FIGURES, values, strict=True)
    }
    return Figures(
        **{name: told[name] or 0 for name in SUMS},
        **{name: told[name] for name in EXTREMES},
        rises=Counters(**{name: told[name] for name in COUNTED}),
    )


def _values(figures: Figures) -> list[int | float | None]:
    return [*(getattr(figures, name) for name in (*SUMS, *EXTREMES)), *vars(figures.rises).values()]


def _text(findings: Iterable[Finding]) -> str:
    return to_json(
        [asdict(each) | {"fixes": [step.written for step in each.fixes]} for each in findings], None
    )


def _findings(text: object) -> tuple[Finding, ...]:
    from pydantic import TypeAdapter

    # Its ValidationError is a ValueError.
    return TypeAdapter(tuple[Finding, ...]).validate_json(str(text))


def _computer() -> str:
    return clean(platform.node() or "this computer", LONGEST)


def _this_process() -> tuple[int, float]:
    import psutil

    return os.getpid(), psutil.Process().create_time()


def _state(ended: object, computer: str, process: object, started: object, until_ns: int) -> State:
    if ended == "done" or ended == "stopped":
        return ended
    if computer != _computer():
        return "running" if abs(time.time_ns() - until_ns) < STALE_NS else "interrupted"
    return "running" if _lives(process, started) else "interrupted"


def _lives(process: object, started: object) -> bool:
    """Whether the process is there, and is that one: numbers are given anew. Start times drift with the
    clock's setting."""
    import psutil

    if not isinstance(process, int) or not isinstance(started, float):
        return False
    try:
        return abs(psutil.Process(process).create_time() - started) < 10
    except (psutil.Error, ValueError, OverflowError):
        return False
