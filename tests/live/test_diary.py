"""The rows of what happened: begun, over, graver, kept."""

from preflight.live.diary import MOST_ROWS, Diary
from preflight.live.standby import NS, Event

LOST = Event(42 * NS, "alarm", "The clock was lost.", "clock", severity="alarm", began_ns=39 * NS)
BACK = Event(
    60 * NS, "cleared", "The clock is back.", "clock", severity="cleared", began_ns=39 * NS, ended_ns=55 * NS,
    was="The clock was lost, twice.",
)  # fmt: skip


def kept(*topics: str, until_s: int, file: str = "kept.pcapng") -> Event:
    return Event(
        90 * NS, "note", "no file" if not file else "", ended_ns=until_s * NS, topics=topics, file=file
    )


def rows(*events: Event) -> list:
    diary = Diary()
    for event in events:
        diary.tell(event)
    return diary.rows


def test_an_alarm_has_its_beginning_its_end_and_its_last_words() -> None:
    [row] = rows(LOST, BACK)
    assert (row.began_ns, row.ended_ns, row.stands) == (39 * NS, 55 * NS, False)
    assert (row.words, row.over) == ("The clock was lost, twice.", "The clock is back.")


def test_what_grows_graver_ends_the_milder_row_where_it_begins() -> None:
    milder = Event(10 * NS, "alarm", "It changed hands.", "clock", severity="caution", began_ns=9 * NS)
    first, second = rows(milder, LOST)
    assert (first.severity, first.ended_ns, first.stands) == ("caution", 39 * NS, False)
    assert (second.severity, second.ended_ns, second.stands) == ("alarm", None, True)


def test_frames_go_to_what_happened_until_then_and_have_no_file_yet() -> None:
    again = Event(80 * NS, "alarm", "Lost again.", "clock", severity="alarm", began_ns=79 * NS)
    loop = Event(41 * NS, "alarm", "A loop.", "loop", severity="alarm", began_ns=41 * NS)
    first, second, third, fourth = rows(
        loop, LOST, BACK, again, Event(85 * NS, "device", "A new device."),
        kept("clock", "loop", until_s=45), kept("clock", until_s=82, file=""),
    )  # fmt: skip
    assert (first.file, second.file, third.file, fourth.file) == ("kept.pcapng", "kept.pcapng", "", "")
    assert third.why == "no file" and not second.why


def test_notes_and_what_comes_back_make_no_row_and_what_stands_gets_its_last_words() -> None:
    diary = Diary()
    for event in (LOST, Event(43 * NS, "note", "Hello."), Event(44 * NS, "link", "Up.", severity="cleared")):
        diary.tell(event)
    later = Event(42 * NS, "alarm", "The clock was lost. It came back after 2 s.", "clock", severity="alarm")
    diary.close([later])
    [row] = diary.rows
    assert row.words == later.headline and row.stands


def test_a_night_of_trouble_does_not_fill_the_memory() -> None:
    diary = Diary()
    for n in range(MOST_ROWS + 7):
        diary.tell(Event(n * NS, "device", "A new device."))
    assert len(diary.rows) == MOST_ROWS and diary.left_out == 7
