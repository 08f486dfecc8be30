"""The log: what is not a log, who may write, two at once, and what a kill leaves."""

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.host.facts import Counters
from preflight.live.log import OURS, VERSION, Log, LogError, Plan, default_path
from preflight.soak.facts import NS, Figures, Noted
from tests.cli.warm import Piped
from tests.pipes import PATIENCE_S
from tests.soak.soaks import BEGUN, PLAN, entry, logged

PIECE = Figures(watched_ns=5 * NS, frames=7, rises=Counters(rx_frames=7))


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "new" / "soak.db"
    figures = Figures(
        5 * NS, 9, 900, 1, 2, 3, 1, NS, 1, 100, 1000, 51.5, 70.0, Counters(rx_frames=9, rx_errors=0)
    )
    note = Noted(BEGUN + 1, "link-down", "The link of eth0 is down.")
    with Log(path, write=True) as log:
        number, run = log.begin(PLAN, "no right to listen", BEGUN)
        log.add(
            number, run, entry(figures, figures, note, Noted(BEGUN, "note", "chatter"), at_ns=BEGUN + 5 * NS)
        )
        one = log.soak(number)
        assert one.facts.state == "running"
    with Log(path) as log:
        one = log.soak(number)
        facts = one.facts
        assert (facts.item, facts.serial, facts.who, facts.planned_ns) == (
            "cable 7",
            "A-12",
            "Kim",
            PLAN.planned_ns,
        )
        assert facts.figures == figures and facts.happened == (note,)
        assert facts.runs[0].until_ns == BEGUN + 5 * NS and facts.refused == "no right to listen"
        assert [figures for _, figures in facts.by_hour] == [figures]
        assert log.samples(number) == [(BEGUN + 5 * NS, figures)]
        assert log.findings(number) == (
            Finding("link-up", Outcome.PASS, "All is well.", measured={"carrier": True}, spans=((0.0, 1.0),)),
        )
        assert log.runs(number)[0].watched_ns == 5 * NS
        assert (one.verdict, one.headline) == ("ready", "All is well.")


@pytest.mark.parametrize("write", [False, True], ids=["read", "write"])
@pytest.mark.parametrize(
    "content", [b"no database at all, only words " * 40, b"SQLite format 3\0" + bytes(84), b"x"]
)
def test_a_file_that_is_no_log_is_refused_and_left_alone(tmp_path: Path, content: bytes, write: bool) -> None:
    path = tmp_path / "soak.db"
    path.write_bytes(content)
    with pytest.raises(LogError, match=r"soak\.db: "):
        Log(path, write).all()
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "other.db") as db:
        db.execute("CREATE TABLE soak (x)")
    for write in (False, True):
        with pytest.raises(LogError, match="is no soak log"):
            Log(tmp_path / "other.db", write)


def test_a_log_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    logged(tmp_path / "soak.db")
    with sqlite3.connect(tmp_path / "soak.db") as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    for write in (False, True):
        with pytest.raises(LogError, match="newer preflight"):
            Log(tmp_path / "soak.db", write)


@pytest.mark.parametrize(
    "damage",
    [
        "DROP TABLE sample", "UPDATE soak SET findings = '[{}]'", "UPDATE run SET frames = 'many'", "UPDATE soak SET planned_ns = 'x'",
        "UPDATE soak SET findings = '{'", "UPDATE sample SET watched_ns = 'x'",
    ],
)  # fmt: skip
def test_a_damaged_log_is_one_error(tmp_path: Path, damage: str) -> None:
    number = logged(tmp_path / "soak.db")
    with sqlite3.connect(tmp_path / "soak.db") as db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(damage)
    with Log(tmp_path / "soak.db") as log, pytest.raises(LogError, match="is damaged"):
        log.soak(number)
        log.findings(number)


def test_hostile_names_are_clean_once_they_are_read(tmp_path: Path) -> None:
    number = logged(tmp_path / "soak.db")
    with sqlite3.connect(tmp_path / "soak.db") as db:
        db.execute("UPDATE soak SET item = ?, who = ?", ("a\x1b[2J\u202e", "x" * 9999))
    with Log(tmp_path / "soak.db") as log:
        facts = log.soak(number).facts
    assert "\x1b" not in facts.item and "\u202e" not in facts.item and len(facts.who) <= 200


def test_where_nothing_can_be_written_it_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    for place in (tmp_path / "file" / "soak.db", Path("/proc/soak.db"), tmp_path):
        with pytest.raises(LogError, match=r"cannot be|no soak log"):
            Log(place, write=True)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root to become somebody else"
)
def test_a_log_in_a_folder_that_is_not_ours_is_read_and_not_written() -> None:
    code = """
import os, sys, psutil, pydantic, pydantic.deprecated
from pathlib import Path
from preflight.live.log import Log, LogError
path = Path(sys.argv[1])
with Log(path) as log:
    log.soak(1), log.findings(1)
os.setgid(65534), os.setuid(65534)
with Log(path) as log:
    print(log.soak(1).facts.item)
try:
    Log(path, write=True)
except LogError as error:
    print(error)
"""
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        logged(Path(folder) / "soak.db")
        done = subprocess.run(
            [sys.executable, "-c", code, f"{folder}/soak.db"], capture_output=True, text=True
        )
    said = done.stdout.splitlines()
    assert done.returncode == 0 and said[0] == "cable 7" and "cannot be written" in said[1], done


def test_there_is_no_log_before_the_first_soak(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no such log"):
        Log(tmp_path / "soak.db")
    assert not list(tmp_path.iterdir())


def test_it_is_durable_and_told_apart(tmp_path: Path) -> None:
    with Log(tmp_path / "soak.db", write=True) as log:
        one = log._db.execute
        assert one("PRAGMA synchronous").fetchone() == (2,)  # FULL
        assert one("PRAGMA journal_mode").fetchone() == ("wal",)
        assert one("PRAGMA application_id").fetchone() == (OURS,)
        assert one("PRAGMA user_version").fetchone() == (VERSION,)


def test_a_running_soak_is_not_resumed_nor_its_adapter_taken(tmp_path: Path) -> None:
    with Log(tmp_path / "soak.db", write=True) as log, Log(tmp_path / "soak.db", write=True) as second:
        number, run = log.begin(PLAN, "", BEGUN)
        with pytest.raises(LogError, match="is running already"):
            second.resume(number, PLAN.hardware, "", BEGUN)
        with pytest.raises(LogError, match="is running on eth0"):
            second.begin(PLAN, "", BEGUN)
        log.add(number, run, entry(PIECE, PIECE), "stopped")
        second.resume(number, PLAN.hardware, "", BEGUN)
        second.add(number, run, entry(PIECE, PIECE), "done")
        with pytest.raises(LogError, match="is done"):
            log.resume(number, PLAN.hardware, "", BEGUN)
        with pytest.raises(LogError, match="no soak 99"):
            log.resume(99, PLAN.hardware, "", BEGUN)


def write(arguments: list[str]) -> None:
    """To be a process of its own: a soak of so many pieces, and the number of each as soon as it is
    written."""
    path, item, pieces = arguments
    with Log(Path(path), write=True) as log:
        number, run = log.begin(Plan(item, "", "", item, "", 10**15), "", BEGUN)
        total = Figures()
        for piece in range(int(pieces)):
            total += Figures(watched_ns=5 * NS)
            log.add(number, run, entry(Figures(watched_ns=5 * NS), total, at_ns=time.time_ns()))
            print(piece + 1, flush=True)


def test_what_was_written_survives_a_kill(tmp_path: Path) -> None:
    """Killed again and again in the middle of writing: nothing that was said to be written is lost."""
    path = tmp_path / "soak.db"
    for round_ in range(4):
        process = Piped(write, str(path), f"item {round_}", "100000")
        said = [process.stdout.readline()]
        time.sleep(0.05 * round_)
        process.send_signal(signal.SIGKILL)
        said += process.communicate(PATIENCE_S)[0].splitlines(keepends=True)
        written = max(int(line) for line in said if line.endswith("\n"))
        with Log(path) as log:
            one = log.all()[-1].facts
            assert (one.item, one.state) == (f"item {round_}", "interrupted")
            pieces = one.figures.watched_ns // (5 * NS)
            assert written <= pieces <= written + 1
            assert len(log.samples(one.number)) == pieces
        with sqlite3.connect(path) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    with Log(path, write=True) as log:
        assert log.resume(1, "", "", BEGUN) == 5


def test_several_at_once_do_not_disturb_each_other(tmp_path: Path) -> None:
    path = tmp_path / "soak.db"
    processes = [Piped(write, str(path), f"item {n}", "40") for n in range(4)]
    for process in processes:
        process.communicate(PATIENCE_S)
    assert [process.returncode for process in processes] == [0] * 4
    with Log(path) as log:
        assert {one.facts.item for one in log.all()} == {f"item {n}" for n in range(4)}
        assert {one.facts.figures.watched_ns for one in log.all()} == {40 * 5 * NS}


BEGINNER = """
import sys
from pathlib import Path
from preflight.live.log import Log
for folder in sys.argv[1:]:
    print(flush=True)
    sys.stdin.readline()
    with Log(Path(folder) / "soak.db", write=True) as log:
        log.all()
"""


def test_several_that_begin_it_at_once_find_it_made(tmp_path: Path) -> None:
    folders = [tmp_path / str(n) for n in range(20)]
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", BEGINNER, *map(str, folders)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        for _ in range(4)
    ]
    for _ in folders:
        for process in processes:
            assert process.stdout is not None and process.stdout.readline() == "\n"
        for process in processes:
            assert process.stdin is not None
            process.stdin.write("\n")
    for process in processes:
        process.communicate(timeout=PATIENCE_S)
    assert [process.returncode for process in processes] == [0] * 4


def test_the_log_is_in_the_data_folder_of_the_user_who_called(monkeypatch: pytest.MonkeyPatch) -> None:
    import pwd

    monkeypatch.delenv("SUDO_UID", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", "/tmp/of-mine")
    assert default_path() == Path("/tmp/of-mine/preflight/soak.db")
    monkeypatch.setenv("SUDO_UID", "1")
    assert default_path() == Path(pwd.getpwuid(1).pw_dir) / ".local/share/preflight/soak.db"


def test_the_file_is_an_ordinary_one(tmp_path: Path) -> None:
    logged(tmp_path / "soak.db")
    assert [file.name for file in tmp_path.iterdir()] == [
        "soak.db"
    ]  # the write-ahead log is folded in at the end
    assert stat.S_ISREG((tmp_path / "soak.db").stat().st_mode)
