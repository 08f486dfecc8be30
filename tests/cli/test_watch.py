"""`preflight watch` at the command line: lines and board, bell and command, how it ends at any moment. What
is waited for is what it says, never a time."""

import json
import os
import re
import select
import signal
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from preflight.cli import alert, main
from preflight.cli.alert import MOST_RUNNING, RING_S, Bell, Command
from preflight.live.standby import Event
from tests.cli.played import played
from tests.cli.warm import Piped, start
from tests.pipes import PATIENCE_S
from tests.tally.captures import arp, broadcast, every, write

ALARM = Event(0, "alarm", "A loop.", "loop", "fail", severity="alarm")


@pytest.fixture(scope="module")
def storm(tmp_path_factory) -> Path:
    """Quiet, a storm of two seconds, and quiet until it is cleared."""
    talk = every(0.5, lambda n: arp(n % 4 + 1, 9), 0, 45)
    loud = every(0.001, lambda n: broadcast(33, n), 20, 22)
    return write(tmp_path_factory.mktemp("storm") / "storm.pcap", [*talk, *loud])


class Screen:
    """A watch on a terminal, and all that it wrote there."""

    def __init__(self, *args: str, columns: int = 80, rows: int = 24, **environment: str) -> None:
        self.written = b""
        self.terminal, theirs = os.openpty()
        termios.tcsetwinsize(theirs, (rows, columns))
        self._process = start(played, list(args), (theirs,) * 3, **{"TERM": "xterm"} | environment)
        os.close(theirs)

    def until(self, words: str, since: int = 0) -> str:
        return self._read(lambda: words.encode() in self.written[since:], words).decode("utf-8", "replace")

    def _read(self, enough, what: str) -> bytes:
        deadline = time.monotonic() + PATIENCE_S
        while not enough():
            assert time.monotonic() < deadline, (what, self.written[-3000:])
            if select.select([self.terminal], [], [], 0.1)[0]:
                try:
                    more = os.read(self.terminal, 65536)
                except OSError:  # the other end is closed
                    more = b""
                assert more or enough(), (what, self.written[-3000:])
                self.written += more
        return self.written

    def press(self, keys: bytes) -> None:
        os.write(self.terminal, keys)

    def end(self) -> tuple[int, str]:
        """Its exit status, and all that it wrote."""
        while True:
            try:
                more = os.read(self.terminal, 65536)
            except OSError:
                more = b""
            if not more:
                break
            self.written += more
        self._process.join()
        return self._process.exitcode, self.written.decode("utf-8", "replace")


def lines(process: Piped, last: str) -> Iterator[str]:
    for line in process.stdout:
        yield line
        if last in line:
            return


def test_a_pipe_gets_a_line_an_event_at_once_and_a_table_in_the_end(storm: Path, tmp_path: Path) -> None:
    watching = Piped(played, str(storm), "watch", "--adapter", "eth0", "--keep", str(tmp_path / "kept"))
    told = list(lines(watching, "CLEARED"))  # each is there while it goes on
    alarm = next(line for line in told if "ALARM" in line)
    assert re.match(r"\d\d:\d\d:\d\d ALARM broadcast-storm: .* Now: Is the sender named here", alarm)
    assert re.match(r"\d\d:\d\d:\d\d CLEARED broadcast-storm, after \d", told[-1])
    assert any(
        re.search(r"NOTE What surrounded broadcast-storm is kept in .*_broadcast-storm\.pcapng", x)
        for x in told
    )
    assert "\a" not in "".join(told) and "\x1b" not in "".join(told)
    watching.send_signal(signal.SIGINT)
    out, errors = watching.communicate(timeout=PATIENCE_S)
    assert watching.returncode == 1 and not errors
    assert re.search(r"when +how long +what\n(.*\n)*\d\d:\d\d:\d\d +\d.* s +ALARM broadcast-storm", out)
    assert "Frames: 20" in out and "NOT READY" in out


def test_json_tells_severity_step_beginning_and_file(storm: Path, tmp_path: Path) -> None:
    watching = Piped(played, str(storm), "watch", "--adapter", "eth0", "--keep", str(tmp_path), "--json")
    told = [json.loads(line) for line in lines(watching, '"cleared"')]
    watching.send_signal(signal.SIGTERM)
    rest, errors = watching.communicate(timeout=PATIENCE_S)
    assert not errors and json.loads(rest.splitlines()[-1])["verdict"] == "not ready"
    alarm = next(event for event in told if event["check"] == "broadcast-storm")
    assert (alarm["event"], alarm["severity"], alarm["outcome"]) == ("alarm", "alarm", "fail")
    assert alarm["now"].startswith("Is the sender") and alarm["began_at"] < alarm["at"]
    cleared = told[-1]
    assert (cleared["event"], cleared["severity"]) == ("cleared", "cleared") and cleared["lasted_s"] > 1
    kept = next(event for event in told if event["file"])
    assert kept["topics"] == ["broadcast-storm"] and Path(kept["file"]).stat().st_size > 100_000


def test_a_dumb_terminal_gets_lines(storm: Path, tmp_path: Path) -> None:
    screen = Screen(str(storm), "watch", "--adapter", "eth0", "--keep", str(tmp_path), TERM="dumb")
    screen.until("CLEARED")
    screen.press(b"\x03")
    status, text = screen.end()
    assert status == 1 and "\x1b" not in text
    assert re.search(r"ALARM broadcast-storm: [^\n]*\a\r\n", text)  # even such a terminal has a bell


@pytest.mark.parametrize("no_colour", [False, True])
def test_a_terminal_gets_a_board_that_comes_and_goes(storm: Path, tmp_path: Path, no_colour: bool) -> None:
    environment = {"NO_COLOR": "1"} if no_colour else {}
    screen = Screen(str(storm), "watch", "--adapter", "eth0", "--keep", str(tmp_path), **environment)
    screen.until("ALARM")
    text = screen.until("CLEARED")
    assert "\x1b[?1049h" in text and "█ ███" in text and "\a" in text
    assert ("\x1b[1;7;31m" in text) is not no_colour
    screen.press(b"\x03")
    status, text = screen.end()
    board, after = text.rsplit("\x1b[?1049l", 1)  # the terminal has its old content back
    assert status == 1 and "Traceback" not in text
    assert "how long" in after and "how long" not in board


def test_h_hushes_the_bell(tmp_path: Path) -> None:
    """The storm goes on to the end of what is heard."""
    loud = every(0.001, lambda n: broadcast(33, n), 5, 12)
    capture = write(tmp_path / "storm.pcap", [*every(0.5, lambda n: arp(n % 4 + 1, 9), 0, 12), *loud])
    screen = Screen(str(capture), "watch", "--adapter", "eth0", "--keep", str(tmp_path / "kept"))
    screen.until("h hushes the bell")
    before = len(screen.written)
    screen.press(b"h")
    screen.until("Ctrl-C ends it with a summary", before)
    while "h hushes" in screen.written[before:].decode("utf-8", "replace").rsplit("ALARM", 1)[-1]:
        before = len(screen.written)
        screen.until("Ctrl-C ends it with a summary", before)
    screen.press(b"\x03")
    assert screen.end()[0] == 1


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_before_it_listens_ends_it_in_a_line(how: int) -> None:
    watching = Piped(played, "reading", "watch", "--adapter", "eth0")
    list(lines(watching, "reading"))
    watching.send_signal(how)
    out, errors = watching.communicate(timeout=PATIENCE_S)
    assert watching.returncode == 3 and not out
    assert errors == "preflight watch: stopped before it listened; nothing was judged.\n"


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_while_it_listens_ends_it_with_a_summary(storm: Path, tmp_path: Path, how: int) -> None:
    watching = Piped(played, str(storm), "watch", "--adapter", "eth0", "--keep", str(tmp_path))
    list(lines(watching, "Listening on"))
    watching.send_signal(how)
    out, errors = watching.communicate(timeout=PATIENCE_S)
    assert watching.returncode in (0, 1, 3) and not errors
    assert "Watched for" in out and "stopped by hand" in out


def test_a_command_is_started_for_each_alarm_without_a_shell(storm: Path, tmp_path: Path) -> None:
    told = tmp_path / "told"
    script = tmp_path / "my script.py"
    script.write_text(
        "import os, sys\ntold = [sys.argv[1:], *(os.environ['PREFLIGHT_' + name] for name in ('SEVERITY', "
        f"'CHECK', 'HEADLINE'))]\nopen({str(told)!r}, 'a').write(repr(told) + '\\n')\n"
    )
    command = f'"{sys.executable}" "{script}" "; touch {tmp_path}/shell" $HOME'
    watching = Piped(
        played,
        str(storm),
        "watch",
        "--adapter",
        "eth0",
        "--keep",
        str(tmp_path / "kept"),
        "--on-alarm",
        command,
    )
    list(lines(watching, "CLEARED"))
    deadline = time.monotonic() + PATIENCE_S
    while not told.exists() or not told.read_text().endswith("\n"):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    watching.send_signal(signal.SIGTERM)
    watching.communicate(timeout=PATIENCE_S)
    [once] = told.read_text().splitlines()
    assert "[['; touch" in once and "'$HOME'], 'alarm', 'broadcast-storm', 'Broadcast storm: " in once
    assert not (tmp_path / "shell").exists()


@pytest.mark.parametrize(
    ("command", "said"),
    [("/nowhere/no-such-program x", "there is no program"), ("'half", "No closing"), (" ", "it is empty")],
)
def test_a_command_that_cannot_be_started_is_told_at_once(command: str, said: str) -> None:
    done = CliRunner().invoke(main, ["watch", "--on-alarm", command])
    assert done.exit_code == 2 and said in done.stderr and len(done.stderr.splitlines()) == 1


def test_help_fits() -> None:
    done = CliRunner().invoke(main, ["watch", "--help"])
    assert done.exit_code == 0 and max(map(len, done.stdout.splitlines())) <= 80


def test_the_bell_rings_until_it_is_hushed_or_over_and_anew_for_another() -> None:
    rung: list[float] = []
    now = 100.0
    bell = Bell(lambda: rung.append(now), lambda: now)
    assert not bell.tick([])
    bell.tell(Event(0, "alarm", "x", "clock", severity="caution"))
    bell.tell(ALARM)
    for _ in range(50):
        now += 0.5
        assert bell.tick([ALARM])
    assert rung == [100.0, 100 + RING_S, 100 + 2 * RING_S]
    bell.hush()
    now += 2 * RING_S
    assert not bell.tick([ALARM]) and len(rung) == 3
    bell.tell(ALARM)
    assert len(rung) == 4 and bell.tick([ALARM]) and not bell.tick([])
    now += 2 * RING_S
    bell.tick([ALARM])
    assert len(rung) == 4


def test_alarms_without_end_do_not_start_commands_without_end(tmp_path: Path, monkeypatch) -> None:
    started = []
    monkeypatch.setattr("preflight.host.run.begin", lambda _, told: started.append(told) or (lambda: True))
    command = Command(("x",))
    assert not any(command.tell(ALARM) for _ in range(20))
    assert len(started) == MOST_RUNNING
    refused = Command((str(tmp_path),))
    monkeypatch.undo()
    assert "cannot be started" in refused.tell(ALARM) and not refused.tell(ALARM)  # said once


def test_nobody_at_a_terminal_has_no_keys() -> None:
    with alert.Keys() as keys:
        assert not keys.are_read and keys.pressed() == ""
