"""The longest silence of a capture, as far as it lies in a stretch of time: here from 2 s to 5 s."""

import pytest

from preflight.checks.see.silence import hole_s
from tests.tally.captures import broadcast, every, studied


@pytest.mark.parametrize(
    ("start_s", "end_s", "hole"),
    [(0, 9, 3), (3, 9, 2), (0, 4, 2), (2.5, 4, 1.5), (0, 3.1, 1.1), (0, 3, 1), (0, 2.9, 0), (4, 9, 1), (4.1, 9, 0), (6, 9, 0)],
)  # fmt: skip
def test_a_second_of_it_at_the_least(tmp_path, start_s, end_s, hole):
    frames = every(0.25, broadcast(5, 1), 0, 2.25), every(0.25, broadcast(5, 1), 5, 9)
    facts = studied(tmp_path, *frames)
    assert hole_s(facts, start_s, end_s, 0.999999) == pytest.approx(hole, abs=1e-6)
