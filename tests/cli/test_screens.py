"""What each command shows on a terminal of 80 and of 40 columns, against files in snapshots/
(UPDATE_SNAPSHOTS=1 writes them anew): on a dumb one, on one whose user wants no colour, and on one in colour
the words are the same, and nothing goes over the edge.

linecheck and study have theirs in tests/report/test_screen.py, the whole of a result in test_terminal.py,
watch in test_board.py, soak in test_soak.py, handover in test_handover_screens.py, the archive in
tests/archive/test_screens.py.
"""

import os
import re
import termios
from contextlib import chdir
from pathlib import Path

import pytest
from click.testing import CliRunner

from preflight.cli import main
from tests.between.made import Fate, both_ends, by_another_clock, stream
from tests.cli.played import played
from tests.cli.warm import TOP, start
from tests.tally.captures import write

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
    with chdir(folder):  # what is compared has the name by which it was studied
        for name, capture in (("good", "clean-rig.pcap.gz"), ("bad", "loop.pcap.gz")):
            CliRunner().invoke(main, ["study", f"captures/{capture}", "--save-result", f"{name}.json"])
    a, b = both_ends(stream(2000), {500: Fate(lost=True), 501: Fate(lost=True)})
    write(folder / "a.pcap", a)
    write(folder / "b.pcap", by_another_clock(b))
    return folder


def shown(arguments: list[str], width: int, made: Path, **environment: str) -> str:
    """What the command writes to a terminal so wide."""
    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (24, width))
    with Path(os.devnull).open("wb") as nowhere:
        ends = (theirs, theirs, nowhere.fileno())
        running = start(played, ["captures/loop.pcap.gz", *arguments], ends, made, TZ="UTC", **environment)
    os.close(theirs)
    told = b""
    try:
        while piece := os.read(ours, 65536):
            told += piece
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    running.join()
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
