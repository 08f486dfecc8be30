"""The board of a watch at several sizes, and the table at its end, against files in snapshots/
(UPDATE_SNAPSHOTS=1 writes them anew); what may never be cut off."""

import io
import os
import re
import time
from pathlib import Path

import pytest
from rich.console import Console
from rich.text import Text

from preflight.live.diary import Diary
from preflight.live.standby import NS, Event
from preflight.report.board import STATES, Shown, Size, advice, bar, board, closing, words

SNAPSHOTS = Path(__file__).parent / "snapshots"
SIZES = [(80, 24), (40, 12), (200, 50)]
BEGAN_NS = 1_795_813_200 * NS  # 2026-11-27 21:00:00 UTC

LOST = Event(
    900 * NS, "alarm", "The clock was lost. It has not come back.", "clock", "fail", ("00:00:5e:00:53:14",), True,
    "alarm", "last announcement of 00:00:5e:00:53:14: 21:14:57", 897 * NS,
)  # fmt: skip
STOPPED = Event(
    905 * NS, "alarm", "1 stream stopped.", "stream-health", "caution", (), True, "caution",
    "“Monitors” to 233.252.0.1 port 5004 from 00:00:5e:00:53:01 stopped at 21:15:04", 904 * NS,
)  # fmt: skip
STORM = Event(
    906 * NS, "alarm", "Broadcast storm: 2 000 frames in one second, from 00:00:5e:00:53:21.", "broadcast-storm", "fail",
    ("00:00:5e:00:53:21",), True, "alarm", "2 000 broadcast frames in the busiest second", 905 * NS,
)  # fmt: skip
DOWN = Event(30 * NS, "link", "The link of eth0 is down.", severity="alarm", began_ns=30 * NS)
UP = Event(
    33 * NS, "link", "The link is up again: up, 1000 Mb/s, full duplex.", severity="cleared", began_ns=30 * NS,
    ended_ns=33 * NS, was="The link of eth0 is down.",
)  # fmt: skip
NEW = Event(60 * NS, "device", "A new device: 00:00:5e:00:53:77.", culprits=("00:00:5e:00:53:77",))
KEPT = Event(
    910 * NS, "note", "what surrounded clock and stream-health is kept in "
                      "kept/2026-11-27_21-15-00+0000_clock.pcapng",
    ended_ns=905 * NS, topics=("clock", "stream-health"), file="kept/2026-11-27_21-15-00+0000_clock.pcapng",
)  # fmt: skip
REFUSED = Event(
    911 * NS, "note", "no file for broadcast-storm: 5 of it were written within the hour; the rest is for "
                      "others",
    severity="caution", ended_ns=906 * NS, topics=("broadcast-storm",),
)  # fmt: skip
BACK = Event(
    11000 * NS, "cleared", "the clock 00:00:5e:00:53:14 is back.", "clock", severity="cleared", began_ns=897 * NS,
    ended_ns=10990 * NS, was="The clock was lost.",
)  # fmt: skip
ROWS = {
    "on": "eth0, for 0:15:11",
    "link": "up, 1000 Mb/s, full duplex",
    "rates": "2104 frames/s, 5.6 Mb/s, 0 broadcasts/s",
    "clock": "00:00:5e:00:53:14",
    "heard": "3 streams, 12 devices",
    "lost": "",
}
HINT = "h hushes the bell. Ctrl-C ends it with a summary."


@pytest.fixture(autouse=True)
def _wall_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def shown(*events: Event) -> list[Shown]:
    return [
        Shown(time.strftime("%H:%M:%S", time.gmtime((BEGAN_NS + each.at_ns) / NS)), each) for each in events
    ]


PAST = shown(REFUSED, KEPT, NEW, UP, DOWN)
BOARDS = {
    "listening": ("listening", []),
    "well": ("well", []),
    "caution": ("caution", [STOPPED]),
    "alarm": ("alarm", [STOPPED, LOST, STORM]),
}


def drawn(name: str, width: int, height: int, plain: bool = False) -> list[Text]:
    state, alarms = BOARDS[name]
    past = [] if state == "listening" else PAST
    return board(state, "21:15:06", ROWS, shown(*alarms), past, HINT, Size(width, height, plain))


def held(name: str, text: str) -> None:
    file = SNAPSHOTS / f"{name}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", BOARDS)
def test_board(name, width, height):
    rows = [row.plain.rstrip() for row in drawn(name, width, height)]
    held(f"watch-{name}-{width}x{height}", "\n".join(rows) + "\n")


@pytest.mark.parametrize("name", BOARDS)
@pytest.mark.parametrize(("width", "height"), [*SIZES, (20, 5), (60, 20), (52, 24), (120, 30), (80, 8)])
def test_a_board_fills_the_terminal_and_no_more_and_the_gravest_alarm_stays(name, width, height):
    rows = drawn(name, width, height)
    assert len(rows) == height and all(row.cell_len <= width for row in rows)
    text = " ".join(row.plain for row in rows)
    if name == "alarm":
        assert "ALARM broa" in text  # the gravest, and of those the newest
    big = "█" if height >= 20 and width >= 53 else STATES[BOARDS[name][0]]
    assert big in text


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_state_reads_without_colour_and_by_its_shape_alone(width, height):
    """Letters left out, no two bars look alike; a terminal without signs beyond ASCII gets none."""
    edges = set()
    for state in STATES:
        rows = bar(state, "21:15:06", [], Size(width, height, plain=True))
        assert all(row.plain.isascii() and row.cell_len == width for row in rows)
        edges.add(rows[0].plain[:3])
    assert len(edges) == len(STATES)


def test_no_colour_leaves_the_words_as_they_are():
    def written(**how) -> str:
        out = io.StringIO()
        Console(file=out, width=80, force_terminal=True, color_system="standard", **how).print(
            Text("\n").join(drawn("alarm", 80, 24))
        )
        return out.getvalue()

    coloured, plain = written(), written(no_color=True)
    assert "\x1b[1;7;31m" in coloured and "31m" not in plain
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == re.sub(r"\x1b\[[0-9;]*m", "", plain)


def test_each_alarm_has_its_step_where_there_is_room():
    text = " ".join(" ".join(row.plain for row in drawn("alarm", 200, 50)).split())
    for event in (LOST, STOPPED, STORM):
        assert advice(event) in text
    assert "Do not change priorities" in advice(LOST)
    bench = board("alarm", "21:15:06", ROWS, shown(LOST), [], HINT, Size(80, 24), in_show=False)
    assert "Now:" not in "".join(row.plain for row in bench) and any("21:14:57" in row.plain for row in bench)
    assert advice(BACK) == advice(KEPT) == advice(NEW) == ""


def test_many_alarms_are_counted_where_there_is_no_room():
    alarms = [
        Event(n * NS, "alarm", f"Fault {n}.", f"check-{n}", "fail", severity="alarm") for n in range(30)
    ]
    rows = board("alarm", "21:15:06", ROWS, shown(*alarms), [], HINT, Size(80, 24))
    text = "\n".join(row.plain for row in rows)
    more = int(re.search(r"and (\d+) more", text)[1])
    assert more + text.count("Fault ") == 30 and "Fault 29." in text and "30 alarms" in text


def test_words_name_topic_device_and_stream():
    assert words(STOPPED) == (
        "stream-health: 1 stream stopped; “Monitors” to 233.252.0.1 port 5004 from 00:00:5e:00:53:01 "
        "stopped at 21:15:04."
    )
    assert words(BACK) == "clock, after 2 h 48 min: the clock 00:00:5e:00:53:14 is back."
    assert words(DOWN) == "link: The link of eth0 is down."
    made = Event(
        0,
        "alarm",
        "This is no wired adapter.",
        "adapter-kind",
        severity="caution",
        seen="va: made by software",
    )
    assert "va: made" in words(made)  # a name is written as it is
    hostile = Event(0, "alarm", "A \x1b]0;title\x07 name", "clock", severity="alarm", seen="‮evil")
    assert words(hostile).isprintable()


@pytest.mark.parametrize("width", [40, 80, 200])
def test_closing_table(width):
    diary = Diary()
    for event in (DOWN, UP, NEW, LOST, STOPPED, STORM, KEPT, REFUSED, BACK):
        diary.tell(event)
    diary.close([STOPPED])
    rows = closing(diary, BEGAN_NS, 11005 * NS, width)
    held(f"watch-table-{width}", "\n".join(row.plain.rstrip() for row in rows) + "\n")


def test_a_table_tells_where_the_day_changes_and_of_a_quiet_show():
    diary = Diary()
    diary.tell(Event(11000 * NS, "device", "A new device."))
    text = "\n".join(row.plain for row in closing(diary, BEGAN_NS, 11005 * NS, 80))
    assert "2026-11-27 21:00:00 to 2026-11-28 00:03:25" in text and "UTC+00:00" in text
    assert "\n2026-11-28\n00:03:20" in text
    assert "Nothing happened" in closing(Diary(), BEGAN_NS, 5 * NS, 80)[-1].plain
