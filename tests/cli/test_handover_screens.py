"""What handover shows on terminals of 80 and of 40 columns, dumb, without colour and in colour, as
test_screens.py looks at the other commands. Sizes are left out: they are other ones with each library that
packs."""

import os
import re
from pathlib import Path

import pytest

from tests.cli.test_screens import COLOURS, ESCAPES, SNAPSHOTS, made, shown  # noqa: F401 (a fixture)

TERMINALS = {
    "dumb": {"TERM": "dumb"},
    "no colour": {"TERM": "xterm-256color", "NO_COLOR": "1"},
    "colour": {"TERM": "xterm-256color"},
}


@pytest.mark.parametrize(("width", "terminal"), [(80, "dumb"), (40, "no colour"), (40, "colour")])
def test_snapshot(width: int, terminal: str, made: Path, tmp_path: Path) -> None:  # noqa: F811
    (made / "handover.zip").unlink(missing_ok=True)
    environment = TERMINALS[terminal] | {"XDG_DATA_HOME": str(tmp_path)}
    told = shown(["handover", "captures/loop.pcap.gz", "--yes"], width, made, **environment)
    assert bool(COLOURS.search(told)) == (terminal == "colour")
    words = re.sub(r" *[\d.]+ [kM]?B\b", " # B", ESCAPES.sub("", told))
    file = SNAPSHOTS / f"handover-{width}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS") and terminal != "colour":
        file.write_text(words, encoding="utf-8")
    assert words == file.read_text(encoding="utf-8")
    assert [line for line in ESCAPES.sub("", told).splitlines() if len(line) > width] == []
    assert "\x1b" not in told or terminal != "dumb"
