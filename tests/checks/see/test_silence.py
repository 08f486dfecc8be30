"""The longest silence of a capture, as far as it lies in a stretch of time: here from 2 s to 5 s."""

import pytest

from preflight.checks.see.silence import hole_s, silences, was_silent
from tests.tally.captures import broadcast, every, studied


@pytest.mark.parametrize(
    ("start_s", "end_s", "hole"),
    [(0, 9, 3), (3, 9, 2), (0, 4, 2), (2.5, 4, 1.5), (0, 3.1, 1.1), (0, 3, 1), (0, 2.9, 0), (4, 9, 1), (4.1, 9, 0), (6, 9, 0)],
)  # fmt: skip
def test_a_second_of_it_at_the_least(tmp_path, start_s, end_s, hole):
    frames = every(0.25, broadcast(5, 1), 0, 2.25), every(0.25, broadcast(5, 1), 5, 9)
    facts = studied(tmp_path, *frames)
    assert hole_s(facts, start_s, end_s, 0.999999) == pytest.approx(hole, abs=1e-6)


def three_parts(tmp_path):
    parts = [(0.0, 2.25), (5.0, 7.25), (8.0, 10.0)]  # the longest silence is from 2 s to 5 s
    return studied(tmp_path, *(every(0.25, broadcast(5, 1), *part) for part in parts))


def test_each_silence_is_told_once_and_no_longer_than_the_time_that_is_asked_for(tmp_path):
    facts = three_parts(tmp_path)
    long = [span for span in silences(facts, 0.0, 10.0) if span[1] - span[0] > 0.5]
    assert sorted(long) == [(2.0, 5.0), (pytest.approx(7.1), pytest.approx(8.0))]
    assert max(end - start for start, end in silences(facts, 4.0, 7.5)) == 1.0


@pytest.mark.parametrize(
    ("start_s", "end_s", "share", "silent"),
    [(2, 5, 1.0, True), (0, 6, 0.5, True), (0, 6, 0.51, False), (7, 8, 0.89, True), (7, 8, 0.95, False), (5, 7, 0.5, False)],
)  # fmt: skip
def test_a_share_of_a_time(tmp_path, start_s, end_s, share, silent):
    assert was_silent(three_parts(tmp_path), start_s, end_s, share) is silent
