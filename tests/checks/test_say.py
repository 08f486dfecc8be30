"""Words that several checks share."""

from datetime import datetime

import pytest

from preflight.checks.say import listed, span_text, when


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ((), ""),
        (("box 1", "box 2"), "box 1, box 2"),
        (("box 1", "box 2", "box 3", "desk"), "box 1–3, desk"),
        (("desk", "“in 9”", "“in 10”", "“in 11”"), "desk, “in 9–11”"),
        (("engine 1 spare", "engine 2 spare", "engine 3 spare"), "engine 1–3 spare"),
        (("box 1", "box 3", "box 5"), "box 1, box 3, box 5"),
        (("a1b2", "a1b3", "a1b4"), "a1b2–4"),
    ],
)
def test_names_that_count_up_are_told_as_one(names, told):
    assert listed(names) == told


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (59.9, "59 s"),
        (60, "1 min"),
        (599, "9 min 59 s"),
        (601, "10 min"),
        (3599, "59 min"),
        (3600, "1 h"),
        (48 * 3600 - 60, "47 h 59 min"),
        (48 * 3600, "2 d"),
        (52 * 3600 + 1, "2 d 4 h"),
    ],
)
def test_a_time_as_people_say_it(seconds, told):
    assert span_text(seconds) == told


def test_a_moment_by_the_clock_of_this_computer():
    then = datetime(2026, 11, 27, 20, 15, 7)
    assert when(int(then.timestamp()) * 10**9 + 999) == "2026-11-27 20:15:07"
    assert when(2**62 * 10**9) == "an unknown time"
