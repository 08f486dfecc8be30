"""What the archive's commands show on terminals of 80 and of 40 columns, against files in snapshots/
(UPDATE_SNAPSHOTS=1 writes them anew), as tests/cli/test_screens.py looks at the other commands."""

import os
import re
from pathlib import Path

import pytest

from tests.cli.test_screens import COLOURS, ESCAPES, made, shown  # noqa: F401 (a fixture)

SNAPSHOTS = Path(__file__).parent / "snapshots"
WORDS = "The second cable between the two switches at the stage was pulled. Marked it, and put it into the box of the rig."
COMMANDS = {
    "add": ["add", "captures/loop.pcap.gz", "captures/two-clocks.pcap.gz"],
    "find": ["find"],
    "like": ["like", "captures/loop.pcap.gz"],
    "show": ["show", "loop.pcap.gz"],
    "page": ["page", "cases.html"],
}


@pytest.fixture(scope="module")
def kept(made: Path) -> Path:  # noqa: F811
    """Where an archive lies that knows two captures, and what one of them was."""
    added = shown(["archive", "add", *COMMANDS["add"][1:], "--archive", "kept"], 80, made, TERM="dumb")
    assert re.match(r"2 new captures \(2 not ready\) in .* s; 0 known before\.\n", added)
    noted = shown(
        ["archive", "note", "loop.pcap.gz", WORDS, "--who", "stage left", "--archive", "kept"], 40, made, TERM="dumb"
    )  # fmt: skip
    assert noted.startswith("Noted") and all(len(line) <= 40 for line in noted.splitlines())
    return made


def told(name: str, width: int, kept: Path, **environment: str) -> str:
    """What the command shows, without what is of the moment."""
    (kept / "cases.html").unlink(missing_ok=True)
    text = shown(["archive", *COMMANDS[name], "--archive", "kept"], width, kept, **environment)
    text = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d(?= stage left)", "2026-11-25 20:15", text)
    return re.sub(r"Lies at\s+\S+/captures/", "Lies at captures/", text)


@pytest.mark.parametrize("width", [80, 40])
@pytest.mark.parametrize("name", COMMANDS)
def test_snapshot(name: str, width: int, kept: Path) -> None:
    dumb = told(name, width, kept, TERM="dumb")
    file = SNAPSHOTS / f"{name}-{width}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.parent.mkdir(exist_ok=True)
        file.write_text(dumb, encoding="utf-8")
    assert dumb == file.read_text(encoding="utf-8")
    assert "\x1b" not in dumb
    # A case's number stays in one piece, to be copied.
    assert [x for x in dumb.splitlines() if len(x) > width and not re.search("[0-9a-f]{64}$", x)] == []


def test_colour_adds_nothing_to_the_words_and_may_be_forbidden(kept: Path) -> None:
    words = (SNAPSHOTS / "show-80.txt").read_text(encoding="utf-8").split()
    colour = told("show", 80, kept, TERM="xterm-256color")
    plain = told("show", 80, kept, TERM="xterm-256color", NO_COLOR="1")
    assert COLOURS.search(colour) and not COLOURS.search(plain)
    assert ESCAPES.sub("", colour).split() == ESCAPES.sub("", plain).split() == words
