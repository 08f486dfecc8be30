"""What each command shows on a terminal of 80 and of 40 columns, against files in snapshots/ (UPDATE_SNAPSHOTS=1 writes them anew): on a
dumb one, on one whose user wants no colour, and on one in colour the words are the same, and nothing goes over the edge.

linecheck and study have theirs in tests/report/test_screen.py, the whole of a result in test_terminal.py, watch in test_board.py, soak
in test_soak.py, handover in test_handover_screens.py, the archive in tests/archive/test_screens.py.
"""

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from tests.between.made import Fate, both_ends, by_another_clock, stream
from tests.tally.captures import write

TOP = Path(__file__).parents[2]
SNAPSHOTS = Path(__file__).parent / "snapshots"
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
COLOURS = re.compile(r"\x1b\[[0-9;]*[34][0-9][;m]")
COMMANDS = {
    "help": [],
    "help-study": ["study", "--help"],
    "adapters": ["adapters"],
    "why": ["why"],
    "why-check": ["why", "stray-dhcp"],
    "why-word": ["why", "dropouts"],
    "rehearse": ["rehearse"],
    "study-many": [
        "study",
        "captures/loop.pcap.gz",
        "captures/clean-rig.pcap.gz",
        "captures/two-clocks.pcap.gz",
    ],
    "budget": ["budget", "docs/salt-road.toml"],
    "sheet-check": ["sheet", "check", "docs/salt-road.toml"],
    "compare": ["compare", "good.json", "bad.json"],
    "between": ["between", "a.pcap", "b.pcap"],
    "completion": ["completion", "--help"],
}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Where the commands run: how long the name of a folder is must not decide how words break."""
    folder = tmp_path_factory.mktemp("made")
    for name in ("captures", "docs"):
        (folder / name).symlink_to(TOP / name)
    for name, capture in (("good", "clean-rig.pcap.gz"), ("bad", "loop.pcap.gz")):
        run = [
            sys.executable,
            "-m",
            "preflight",
            "study",
            f"captures/{capture}",
            "--save-result",
            f"{folder}/{name}.json",
        ]
        subprocess.run(run, cwd=TOP, capture_output=True, check=False)
    a, b = both_ends(stream(2000), {500: Fate(lost=True), 501: Fate(lost=True)})
    write(folder / "a.pcap", a)
    write(folder / "b.pcap", by_another_clock(b))
    return folder


def shown(arguments: list[str], width: int, made: Path, **environment: str) -> str:
    """What the command writes to a terminal so wide."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, width, 0, 0))
    command = [
        sys.executable,
        "-m",
        "tests.cli.played",
        "captures/loop.pcap.gz",
        *arguments,
    ]
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR")
    }
    running = subprocess.Popen(
        command, cwd=made, stdin=theirs, stdout=theirs, stderr=subprocess.DEVNULL,
        env=kept | {"TZ": "UTC", "PYTHONPATH": str(TOP)} | environment,
    )  # fmt: skip
    os.close(theirs)
    told = b""
    try:
        while piece := os.read(ours, 65536):
            told += piece
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    running.wait()
    return told.decode().replace("\r\n", "\n")


@pytest.mark.parametrize("width", [80, 40])
@pytest.mark.parametrize("name", COMMANDS)
def test_snapshot(name: str, width: int, made: Path) -> None:
    dumb = shown(COMMANDS[name], width, made, TERM="dumb")
    file = SNAPSHOTS / f"{name}-{width}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.write_text(dumb, encoding="utf-8")
    assert dumb == file.read_text(encoding="utf-8")
    assert "\x1b" not in dumb
    assert [line for line in dumb.splitlines() if len(line) > width] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_colour_adds_nothing_to_the_words_and_may_be_forbidden(name: str, made: Path) -> None:
    words = (SNAPSHOTS / f"{name}-80.txt").read_text(encoding="utf-8").split()
    colour = shown(COMMANDS[name], 80, made, TERM="xterm-256color")
    plain = shown(COMMANDS[name], 80, made, TERM="xterm-256color", NO_COLOR="1")
    assert ESCAPES.sub("", colour).split() == ESCAPES.sub("", plain).split() == words
    assert not COLOURS.search(plain)
