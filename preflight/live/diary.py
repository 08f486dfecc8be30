"""What happened in a watch: a row for each alarm and each new device, with when it began, when it was over,
and where its frames are.

Events go in as they are told. Bounded is the number of rows: a network that goes mad all night must not fill
the memory.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from preflight.live.standby import Event

MOST_ROWS = 1000


@dataclass
class Row:
    """`words` are the last ones of the alarm, `over` what was said when it ended. Times are nanoseconds from
    the beginning; `ended_ns` is None for what has no duration or is not over. `file` has the frames; where
    there is none, `why` may say why not."""

    topic: str
    severity: str
    at_ns: int
    began_ns: int
    words: str
    ended_ns: int | None = None
    over: str = ""
    stands: bool = False
    file: str = ""
    why: str = ""


class Diary:
    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.left_out = 0

    def tell(self, event: Event) -> None:
        if event.topics:
            self._kept(event)
        elif event.severity == "cleared":
            for row in self._standing(event.topic):
                row.stands, row.ended_ns, row.over = False, event.ended_ns, event.headline
                row.words = event.was or row.words
        elif event.severity in ("alarm", "caution") or event.kind == "device":
            began_ns = event.began_ns if event.began_ns is not None else event.at_ns
            for row in self._standing(event.topic):  # graver now, or of others, or once more
                row.stands, row.ended_ns = False, max(began_ns, row.began_ns)
            if len(self.rows) >= MOST_ROWS:
                self.left_out += 1
                return
            row = Row(event.topic, event.severity, event.at_ns, began_ns, event.headline, event.ended_ns)
            row.stands = event.kind != "device" and event.ended_ns is None
            self.rows.append(row)

    def close(self, standing: Iterable[Event]) -> None:
        """The last words of the alarms that are not over."""
        for event in standing:
            for row in self._standing(event.topic):
                row.words = event.headline

    def _standing(self, topic: str) -> list[Row]:
        return [row for row in self.rows if row.stands and row.topic == topic]

    def _kept(self, event: Event) -> None:
        until_ns = event.ended_ns if event.ended_ns is not None else event.at_ns
        for row in self.rows:
            if row.topic in event.topics and row.at_ns <= until_ns and not (row.file or row.why):
                row.file, row.why = event.file, "" if event.file else event.headline
