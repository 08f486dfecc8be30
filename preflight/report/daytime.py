"""Time of day beside the seconds that a capture counts: who was there remembers "at a quarter past eight".

A capture counts from its first frame and holds that moment in UTC. It is told as the clock on this computer's
wall would have shown it, whose zone is named once.
"""

import re
from datetime import datetime

from preflight.facts import Facts

DAY_S = 86_400
# Moments in the words of the checks: "at 3.2 s", "from 0.5 s to 12.0 s", "at 12:05" for minutes and seconds.
_MOMENT = re.compile(
    r"\b(?:at (?P<at>\d+\.\d+) s|from (?P<start>\d+\.\d+) s to (?P<end>\d+\.\d+) s"
    r"|(?:at|from) (?P<minutes>\d{1,6}):(?P<seconds>\d\d)(?![:\d]))\b"
)


class Daytime:
    """Of the frames in `facts`. Where they have no time of day, every answer is "" and texts stay as they
    are."""

    def __init__(self, facts: Facts) -> None:
        source = facts.source
        self._seconds = source.duration_s if source is not None else 0.0
        first_ns = source.first_ns if source is not None else None
        # What begins within a day of 1970 has a clock that was never set.
        self._first_ns = first_ns if first_ns is not None and first_ns > DAY_S * 10**9 else None

    def at(self, seconds: float | None) -> str:
        """20:15:03; with the day where the whole is longer than one."""
        moment = self._moment(seconds)
        form = "%H:%M:%S" if self._seconds < DAY_S else "%m-%d %H:%M:%S"
        return moment.strftime(form) if moment is not None else ""

    @property
    def of_day_s(self) -> float | None:
        """Seconds from midnight to the first frame."""
        first = self._moment(0.0)
        if first is None:
            return None
        return 3600 * first.hour + 60 * first.minute + first.second + first.microsecond / 1e6

    def span(self) -> str:
        """2026-11-22 20:15:00 to 20:15:20 CET"""
        start, end = self._moment(0.0), self._moment(self._seconds)
        if start is None or end is None:
            return ""
        last = f"{end:%H:%M:%S}" if end.date() == start.date() else f"{end:%Y-%m-%d %H:%M:%S}"
        return f"{start:%Y-%m-%d %H:%M:%S} to {last} {_zone(start)}"

    def beside(self, text: str) -> str:
        """`text` with the time of day behind each moment in it."""
        return _MOMENT.sub(self._beside, text)

    def _beside(self, found: re.Match[str]) -> str:
        if found["minutes"]:
            times = [self.at(60.0 * int(found["minutes"]) + int(found["seconds"]))]
        else:
            times = [self.at(float(told)) for told in (found["at"], found["start"], found["end"]) if told]
        return f"{found[0]} ({' to '.join(times)})" if all(times) else found[0]

    def _moment(self, seconds: float | None) -> datetime | None:
        if seconds is None or self._first_ns is None:
            return None
        try:
            return datetime.fromtimestamp(self._first_ns / 1e9 + seconds).astimezone()
        except (ValueError, OverflowError, OSError):
            return None


def _zone(moment: datetime) -> str:
    """CET; where the system gives its zones whole sentences, UTC+01:00."""
    name, offset = moment.tzname() or "", moment.strftime("%z")
    return name if name.isalpha() and len(name) <= 5 else f"UTC{offset[:3]}:{offset[3:5]}"
