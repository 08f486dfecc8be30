"""`preflight soak` at the command line: the log's commands, one-line errors, a real run that is stopped,
killed and resumed."""

import csv
import json
import os
import signal
import sqlite3
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from jsonschema import validate

from preflight.cli import main
from preflight.frames import live
from preflight.live import scribe
from preflight.live.log import Log, Plan
from preflight.report.schema import schema
from preflight.soak.facts import NS
from tests.cli.warm import Piped
from tests.lab.rig import wait_until
from tests.pipes import PATIENCE_S
from tests.soak.soaks import logged

SNAPSHOTS = Path(__file__).parent / "snapshots"
ENTRY_S = 0.5  # between entries of the log here


def deaf(arguments: list[str]) -> None:
    """The command without the right to listen, so that the tests are alike for everyone; the lab's tests
    listen."""

    def refused(*_: object, **__: object) -> None:
        raise live.ListenRefused("lo: no right to listen")

    live.open_listener = refused  # type: ignore[assignment]
    scribe.ENTRY_S = ENTRY_S
    main(arguments)


def soak(*args: str, log: Path):
    return CliRunner().invoke(main, ["soak", *args, "--log", str(log)])


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Three soaks of one cable and one of a box."""
    path = tmp_path / "soak.db"
    for pieces in (3, 5, 4):
        logged(path, pieces)
    logged(path, 2, Plan("=box", "", "Kim", "eth1", "", 4 * 3600 * NS))
    return path


@pytest.mark.parametrize("args", [("list",), ("show", "1"), ("trend", "Cable 7")], ids=lambda args: args[0])
def test_snapshot(log: Path, args: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    done = soak(*args, log=log)
    file = SNAPSHOTS / f"soak-{args[0]}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.parent.mkdir(exist_ok=True)
        file.write_text(done.stdout, encoding="utf-8")
    assert done.stdout == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["run", "resume", "list", "show", "export", "trend"])
def test_each_command_has_help_that_fits(name: str) -> None:
    done = CliRunner().invoke(main, ["soak", name, "--help"])
    assert done.exit_code == 0 and max(map(len, done.stdout.splitlines())) <= 80


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["show", "99"], "there is no soak 99"),
        (["resume", "99"], "there is no soak 99"),
        (["trend", "cable 8"], "there is no soak of 'cable 8'"),
        (["trend", "cable 7", "--serial", "no"], "with that serial number"),
        (["export", "x.pdf"], "ends in neither .csv nor .html"),
        (["export", "x.csv", "--samples"], "give one number"),
        (["export", "/proc/x.csv"], "cannot be written"),
        (["run", " "], "it is empty"),
        (["run", "cable 7", "--for", "soon"], "'soon' is no duration"),
        (["run", "cable 7", "--adapter", "none0"], "there is no adapter"),
        (["show", "1", "--report", "x.pcap"], "does not end in .html"),
    ],
)
def test_errors_are_one_line(log: Path, args: list[str], said: str) -> None:
    done = soak(*args, log=log)
    assert (done.exit_code, done.stdout) == (2, "")
    assert said in done.stderr and done.stderr.count("\n") == 1


@pytest.mark.parametrize("args", [["list"], ["show", "1"], ["export", "x.csv"], ["trend", "x"], ["resume"]])
def test_a_log_that_is_none_is_one_line(tmp_path: Path, args: list[str]) -> None:
    (tmp_path / "soak.db").write_text("my notes", encoding="utf-8")
    done = soak(*args, log=tmp_path / "soak.db")
    assert done.exit_code == 2 and "is no soak log" in done.stderr and done.stderr.count("\n") == 1
    done = soak(*args, log=tmp_path / "none.db")
    assert done.exit_code == 2 and "preflight soak run" in done.stderr and done.stderr.count("\n") == 1


def test_list_and_trend_as_json(log: Path) -> None:
    listed = json.loads(soak("list", "--json", log=log).stdout)
    assert [one["item"] for one in listed["soaks"]] == ["cable 7"] * 3 + ["=box"]
    assert listed["soaks"][1]["figures"]["watched_s"] == 25
    assert len(json.loads(soak("trend", "cable 7", "--json", log=log).stdout)["soaks"]) == 3


def test_show_as_json_keeps_to_the_schema_and_makes_a_page(log: Path, tmp_path: Path) -> None:
    done = soak("show", "2", "--json", "--report", str(tmp_path / "page.html"), log=log)
    told = json.loads(done.stdout)
    validate(told, json.loads(schema()))
    assert told["soak"]["number"] == 2 and told["soak"]["state"] == "stopped"
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "cable 7 (serial A-12)" in page and "25 s of 4 h" in page


def test_export(log: Path, tmp_path: Path) -> None:
    assert "Wrote 4 soaks" in soak("export", str(tmp_path / "all.csv"), log=log).stdout
    raw = (tmp_path / "all.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbfsoak,item,") and raw.count(b"\r\n") == raw.count(b"\n") == 5
    with (tmp_path / "all.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["item"] for row in rows] == ["cable 7"] * 3 + ["'=box"]
    soak("export", str(tmp_path / "one.csv"), "2", "--samples", log=log)
    assert len((tmp_path / "one.csv").read_text(encoding="utf-8").splitlines()) == 6
    soak("export", str(tmp_path / "sheet.html"), "1", "4", log=log)
    assert (tmp_path / "sheet.html").read_text(encoding="utf-8").count("<article>") == 2


class Run(Piped):
    """A soak of the loopback adapter by a process of its own."""

    def __init__(self, log: Path, *args: str) -> None:
        super().__init__(deaf, "soak", *args, "--log", str(log))
        self._log = log

    def watched(self, seconds: float) -> None:
        """Wait until so much of the last soak is in the log."""

        def there() -> bool:
            if self.returncode is not None:
                return True
            try:
                with Log(self._log) as log:
                    return log.all()[-1].facts.figures.watched_ns >= seconds * NS
            except Exception:
                return False

        wait_until(there, PATIENCE_S, "nothing came into the log")

    def begun(self) -> None:
        """Wait until it has said so."""
        assert "Soaking" in self.stdout.readline()

    def end(self, how: int | None) -> tuple[int, str, str]:
        if how is not None:
            self.send_signal(how)
        out, errors = self.communicate(PATIENCE_S)
        return self.returncode, out, errors


def of_last(log: Path):
    with Log(log) as opened:
        return opened.soak(opened.all()[-1].facts.number)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_run_that_is_stopped_is_kept_and_resumed_to_its_end(tmp_path: Path, how: int) -> None:
    log = tmp_path / "soak.db"
    # Where it is over before it could be stopped, it was too short for this machine.
    for planned_s in (1, 4, 16, 64, 256):
        run = Run(log, "run", "cable 7", "--adapter", "lo", "--for", f"{planned_s}s")
        run.begun()
        time.sleep(0.3)
        status, out, errors = run.end(how)
        first = of_last(log).facts
        if first.state == "stopped":
            break
    assert status == 0 and "soak-time" in out and "this computer only" in out, (out, errors)
    assert first.state == "stopped" and 0 < first.figures.watched_ns < planned_s * NS
    time.sleep(0.5)
    status, out, errors = Run(log, "resume", "--json").end(None)
    assert status == 0, errors
    last = of_last(log).facts
    assert last.state == "done" and len(last.runs) == 2
    assert last.figures.watched_ns >= planned_s * NS
    # The time in between did not count.
    assert last.until_ns - last.begun_ns > last.figures.watched_ns + 0.5 * NS
    told = json.loads(out.splitlines()[-1])
    validate(told, json.loads(schema()))
    assert told["soak"]["state"] == "done" and [len(told["soak"]["runs"])] == [2]
    assert soak("resume", "1", log=log).exit_code == 2


def test_a_run_that_is_killed_shows_as_interrupted_with_all_but_the_last_seconds(tmp_path: Path) -> None:
    log = tmp_path / "soak.db"
    run = Run(log, "run", "cable 7", "--adapter", "lo", "--for", "1h")
    run.watched(2 * ENTRY_S)
    killed = time.time_ns()
    run.end(signal.SIGKILL)
    with sqlite3.connect(log) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    one = of_last(log)
    assert one.facts.state == "interrupted" and one.facts.figures.watched_ns >= 2 * ENTRY_S * NS
    assert one.facts.begun_ns + 2 * ENTRY_S * NS <= one.facts.until_ns <= killed
    shown = soak("show", "1", log=log)
    assert "interrupted" in shown.stdout and "of 1 h only" in shown.stdout
