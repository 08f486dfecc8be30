"""What a standing watch shows: the board on a terminal, to be read from three metres, and the table at its
end.

The state is told three times: by a word in letters of several rows, by the shape of the bar's edges, and by
colour. So it reads without colour, and without reading. Below it stand the alarms with the one step that may
be done now, then how it goes, then what was. Whatever the terminal's size is, the bar and the gravest alarm
stay: the rest gives way, from the bottom.

Nothing here writes or waits: rows of styled text come out, at most as many as the terminal has.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rich.text import Text

from preflight.checks.say import counted, first_upper, span_text
from preflight.live.diary import Diary, Row
from preflight.live.standby import NS, Event
from preflight.live.steps import step
from preflight.live.watch import State
from preflight.report.page import WIDEST, wrap
from preflight.text import clean

# Letters of five rows; each sign becomes a block of the scale's size.
LETTERS = {
    "A": " ### |#   #|#####|#   #|#   #",
    "C": " ####|#    |#    |#    | ####",
    "E": "#####|#    |#### |#    |#####",
    "G": " ####|#    |#  ##|#   #| ####",
    "I": "###| # | # | # |###",
    "L": "#    |#    |#    |#    |#####",
    "M": "#   #|## ##|# # #|#   #|#   #",
    "N": "#   #|##  #|# # #|#  ##|#   #",
    "O": " ### |#   #|#   #|#   #| ### ",
    "R": "#### |#   #|#### |#  # |#   #",
    "S": " ####|#    | ### |    #|#### ",
    "T": "#####|  #  |  #  |  #  |  #  ",
    "U": "#   #|#   #|#   #|#   #| ### ",
    "W": "#   #|#   #|# # #|## ##|#   #",
    " ": "  |  |  |  |  ",
}
STATES: dict[State, str] = {
    "listening": "LISTENING",
    "well": "ALL WELL",
    "caution": "CAUTION",
    "alarm": "ALARM",
}
# The edge's shape, and what a terminal without such signs gets; its style, and that of what it encloses.
EDGES: dict[State, tuple[str, str, str, str]] = {
    "listening": (". ", ". ", "bold", "bold"),
    "well": ("─", "-", "bold green", "bold green"),
    "caution": ("/\\", "/\\", "bold yellow", "bold yellow reverse"),
    "alarm": ("█", "#", "bold red", "bold red reverse"),
}
WORDS = {"alarm": "ALARM", "caution": "CAUTION", "cleared": "CLEARED", "note": "NOTE"}
STYLES = {"alarm": "bold red", "caution": "bold yellow", "cleared": "green", "note": ""}
GRAVITY = ("alarm", "caution", "cleared", "note")
ROWS_FOR_LETTERS = 20  # of a terminal, for each size of the letters
NARROW = 60  # columns


@dataclass(frozen=True)
class Shown:
    """An event, and the time of day at which it was told."""

    at: str
    event: Event


@dataclass(frozen=True)
class Size:
    """Of a terminal. A `plain` one has no signs beyond ASCII."""

    width: int
    height: int
    plain: bool = False


def words(event: Event) -> str:
    """What happened, in a line: what it is about, what was seen, who and which stream."""
    topic = event.check or (event.kind if event.kind in ("link", "silence") else "")
    after = ""
    if event.severity == "cleared" and event.lasted_s is not None:
        after = f", after {lasted(event.lasted_s)}"
    said = f"{topic}{after}: {event.headline}" if topic else first_upper(event.headline)
    seen = event.seen.rstrip(".")
    return clean(f"{said.removesuffix('.')}; {seen}." if seen else said, 600)


def advice(event: Event) -> str:
    """The one step that may be done while the show goes on, and what may not."""
    if event.severity not in ("alarm", "caution") or event.topics or event.kind == "note":
        return ""
    known = step(event.topic)
    return f"{known.now} {known.wait}".rstrip()


def lasted(seconds: float) -> str:
    if seconds < 0.05:
        return "a moment"
    return f"{seconds:.1f} s" if seconds < 10 else span_text(seconds)


def board(
    state: State,
    changed: str,
    rows: Mapping[str, str],
    alarms: Iterable[Shown],
    past: Sequence[Shown],
    hint: str,
    size: Size,
    in_show: bool = True,
) -> list[Text]:
    """The whole screen: the `state` and when that or an alarm last changed, the `alarms` that stand, how it
    goes (`rows`), the events that are `past` with the newest first, and below all which keys do what
    (`hint`). Steps are for when a show goes on."""
    alarms = sorted(alarms, key=lambda each: (GRAVITY.index(each.event.severity), -each.event.at_ns))
    drawn = bar(state, changed, [each.event.severity for each in alarms], size)
    left = size.height - len(drawn) - 1
    told = _alarms(alarms, max(left - 1, 1), size.width, in_show)
    drawn += told
    left -= len(told)
    how = [
        _cut(Text.assemble((f"{clean(name, 20):<7} ", "bold"), clean(said, 300)), size.width)
        for name, said in rows.items()
        if said
    ][: max(left, 0)]
    left -= len(how)
    drawn += how
    if past and left > 1:
        drawn.append(_cut(Text("last events, newest first", "bold"), size.width))
        left -= 1
        for each in past:
            entry = _entry(each, size.width)
            if len(entry) > left:
                drawn += entry[: max(left, 0)]
                left = 0
                break
            drawn += entry
            left -= len(entry)
    drawn += [Text("")] * max(left, 0)
    return [*drawn[: size.height - 1], _cut(Text(hint, "dim"), size.width)]


def bar(state: State, changed: str, severities: Sequence[str], size: Size) -> list[Text]:
    """As wide as the terminal: in letters of several rows where there is room for them, else in one row, or
    three."""
    sign, plain_sign, edge_style, style = EDGES[state]
    sign = plain_sign if size.plain else sign
    edge = Text((sign * size.width)[: size.width], edge_style)
    about = [f"changed {changed}"]
    counts = [(name, severities.count(name)) for name in ("alarm", "caution")]
    about += [", ".join(counted(n, name) for name, n in counts if n)] if severities else []
    widest = max(len(_letters(word, 1, "#")[0]) for word in STATES.values())
    scale = min(size.height // ROWS_FOR_LETTERS, (size.width - 4) // widest)
    if scale < 1:
        fits = [
            each for each in about if len(", ".join([STATES[state], *about])) + 10 <= size.width
        ] or about[:1]
        said = f"{sign * 3}"[:3] + f" {', '.join([STATES[state], *fits])} "
        whole = Text((said + sign * size.width)[: size.width], style)
        return [whole] if size.height < ROWS_FOR_LETTERS else [edge, whole, edge.copy()]
    letters = _letters(STATES[state], scale, "#" if size.plain else "█")
    beside = size.width - len(letters[0]) - 6 >= max(map(len, about), default=0)
    inside = []
    first = len(letters) // 2 - len(about) // 2
    for number, letter_row in enumerate(letters):
        said = about[number - first] if beside and 0 <= number - first < len(about) else ""
        inside.append(f"  {letter_row}   {said}")
    if not beside:
        inside.append("  " + ", ".join(about))
    return [edge, *(Text(row[: size.width].ljust(size.width), style) for row in inside), edge.copy()]


def _letters(word: str, scale: int, sign: str) -> list[str]:
    rows = [
        " ".join(glyph[row] for glyph in (LETTERS[letter].split("|") for letter in word)) for row in range(5)
    ]
    wide = ["".join(sign * scale if each == "#" else " " * scale for each in row) for row in rows]
    return [row for row in wide for _ in range(scale)]


def _alarms(alarms: Sequence[Shown], most: int, width: int, in_show: bool) -> list[Text]:
    """Each in a row at least, as many as there is room for; and more about the first of them while there is
    room."""
    shown = list(alarms[:most])
    if len(alarms) > most:
        shown.pop()
    drawn = [_alarm(each, width, 1) for each in shown]
    if left_out := len(alarms) - len(shown):
        drawn.append([_cut(Text(f"and {left_out} more", "bold"), width)])
    for detail in (2, 3):
        for at, each in enumerate(shown):
            more = _alarm(each, width, detail) if in_show else _entry(each, width)
            if sum(map(len, drawn)) - len(drawn[at]) + len(more) <= most:
                drawn[at] = more
    return [row for rows in drawn for row in rows]


def _alarm(shown: Shown, width: int, detail: int) -> list[Text]:
    """An alarm that stands: in one row (1), in full with the step (2), with what has to wait, too (3)."""
    event = shown.event
    if detail == 1:
        word = (WORDS[event.severity], STYLES[event.severity])
        return [_cut(Text.assemble(shown.at, " ", word, " ", words(event)), width)]
    indent = _indent(width)
    said = advice(event) if detail == 3 else step(event.topic).now
    now = [Text(" " * indent + row) for row in wrap(f"Now: {said}", width - indent)]
    now[0].stylize("bold", indent, indent + 4)
    return _entry(shown, width) + now


def _entry(shown: Shown, width: int) -> list[Text]:
    """An event, wrapped below its word."""
    event = shown.event
    lead = f"{shown.at} {WORDS[event.severity]} "
    indent = _indent(width)
    rows = wrap(words(event), width - indent, width - len(lead))
    drawn = [Text.assemble(shown.at, " ", (WORDS[event.severity], STYLES[event.severity]), " ", rows[0])]
    drawn += [Text(" " * indent + row) for row in rows[1:]]
    return [_cut(row, width) for row in drawn]


def _indent(width: int) -> int:
    return 9 if width >= NARROW else 2


def _cut(row: Text, width: int) -> Text:
    row.truncate(width, overflow="ellipsis")
    return row


def closing(diary: Diary, began_ns: int, until_ns: int, width: int) -> list[Text]:
    """The table of what happened. `began_ns` is the moment (UTC) from which the diary's times count,
    `until_ns` where it ends."""
    width = min(width, WIDEST)
    begun, ended = _local(began_ns), _local(began_ns + until_ns)
    day = begun.date()
    until = f"{ended:%H:%M:%S}" if ended.date() == day else f"{ended:%Y-%m-%d %H:%M:%S}"
    zone = f"{begun:%z}"
    said = (
        f"Watched for {lasted(until_ns / NS)}: {begun:%Y-%m-%d %H:%M:%S} to {until}, by this computer's "
        f"clock (UTC{zone[:3]}:{zone[3:]})."
    )
    drawn = [Text(row, "bold") for row in wrap(said, width)]
    if not diary.rows:
        return [*drawn, Text("Nothing happened that a watch tells.")]
    indent = 2 if width < NARROW else 22
    drawn.append(Text("when, how long, what" if width < NARROW else f"{'when':<10}{'how long':<12}what"))
    for row in sorted(diary.rows, key=lambda row: row.began_ns):
        at = _local(began_ns + row.began_ns)
        if at.date() != day:
            day = at.date()
            drawn.append(Text(f"{day:%Y-%m-%d}"))
        drawn += _row(row, f"{at:%H:%M:%S}", width, indent)
    if diary.left_out:
        drawn.append(Text(f"and {diary.left_out} more, for which there was no room"))
    if folders := {str(Path(row.file).parent) for row in diary.rows if row.file}:
        where = (
            f"The frames are in {clean(', '.join(sorted(folders)), 300)}. `preflight study FILE` judges them."
        )
        drawn += [Text(row) for row in wrap(where, width)]
    return drawn


def _row(row: Row, at: str, width: int, indent: int) -> list[Text]:
    if row.ended_ns is not None:
        long = lasted(max(row.ended_ns - row.began_ns, 0) / NS)
    else:
        long = "not over" if row.stands else ""
    word = (WORDS[row.severity], STYLES[row.severity])
    said = clean(row.words if row.topic == "device" else f"{row.topic}: {row.words}", 600)
    below = [f"Cleared: {row.over}"] if row.over else []
    if row.file or row.why:
        below.append(f"Frames: {Path(row.file).name}" if row.file else first_upper(row.why))
    if width < NARROW:
        drawn = [Text.assemble(f"{at}  {long}  ".rstrip() + "  ", word)]
        below.insert(0, said)
    else:
        first, *others = wrap(said, width - indent, width - indent - len(word[0]) - 1)
        drawn = [Text.assemble(f"{at:<10}{long:<12}", word, " ", first)]
        drawn += [Text(" " * indent + each) for each in others]
    for text in below:
        drawn += [Text(" " * indent + each) for each in wrap(clean(text, 600), width - indent)]
    return drawn


def _local(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / NS).astimezone()
