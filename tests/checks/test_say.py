"""Words that several checks share."""

import pytest

from preflight.checks.say import listed


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
