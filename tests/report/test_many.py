"""Many captures on one screen: on a narrow one names are whole, and nothing goes over the edge."""

import io

import pytest
from rich.console import Console

from preflight.report.many import Row, row_of_refused, show

LONG = "2026-11-25-stage-left-second-half-desk-port.pcapng"
ROWS = [
    Row(f"shows/{LONG}", "ready with cautions", "multicast-control", culprits=("00:00:5e:00:53:01",) * 2, frames=12_345_678),
    Row("shows/a.pcap", "not ready", "loop", begins="2026-11-25T20:15:00Z", seconds=3600.0, partial=True),
    row_of_refused("shows/b.pcap", "shows/b.pcap: no capture"),
]  # fmt: skip


def shown(rows: list[Row], width: int) -> list[str]:
    out = io.StringIO()
    show(rows, Console(file=out, width=width, force_terminal=True, color_system=None))
    return out.getvalue().splitlines()


@pytest.mark.parametrize("width", [30, 40, 60])
def test_a_long_name_stands_whole_below_the_rest(width: int) -> None:
    lines = shown(ROWS, width)
    assert LONG in "".join(line.strip() for line in lines)
    assert [line for line in lines if len(line) > width] == []
    assert any("CAUTIONS" in line and "multicast-control" in line for line in lines)


@pytest.mark.parametrize(("name", "whole"), [("x" * 27 + ".pcap", True), ("x" * 28 + ".pcap", False)])
def test_short_names_stand_beside_their_verdict(name: str, whole: bool) -> None:
    """With 32 columns for it a longer name is cut at its beginning, as long as there is nothing else to leave
    out."""
    width = 32 + len("NOT READY  ") + len("  FIRST MEND")
    row = next(line for line in shown([Row(name, "not ready", "loop")], width) if "NOT READY" in line)
    assert row == f"NOT READY  {name if whole else '…' + name[-31:]}  loop"
