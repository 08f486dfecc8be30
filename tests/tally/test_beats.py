"""Beats of flows whatever their protocol: found, followed, and told from what comes by chance. Own method."""

import random
from pathlib import Path

import numpy as np
import pytest

from preflight.tally.beats import learn
from preflight.tally.facts import Beat
from tests.tally.captures import Timed, ethernet, mac, studied

GROUP = "01:00:5e:90:10:07"


def frame(number: int) -> bytes:
    return ethernet(GROUP, mac(7), 0x88B5, number.to_bytes(4, "big"))


def beats(folder: Path, times: list[float]) -> tuple[Beat, ...]:
    frames: list[Timed] = [(time, frame(n)) for n, time in enumerate(times)]
    tally = studied(folder, frames).tally
    assert tally is not None
    return tally.beats


@pytest.mark.parametrize("period_s", [20e-6, 250e-6, 1e-3, 4e-3, 0.1, 2.0])
@pytest.mark.parametrize("per_beat", [1, 4])
def test_the_period_is_found(tmp_path: Path, period_s: float, per_beat: int) -> None:
    random.seed(3)
    inside = min(period_s / 50, 12e-6)
    times = [
        n * period_s + k * inside + random.uniform(0, period_s / 100) * (per_beat == 1)
        for n in range(400 if period_s < 1 else 40)
        for k in range(per_beat)
    ]
    (beat,) = beats(tmp_path, times)
    assert beat.period_s == pytest.approx(period_s, rel=0.01)
    assert (beat.per_beat, beat.missing, beat.late, beat.stops) == (per_beat, 0, 0, 0)


def test_missing_beats_are_counted_and_placed(tmp_path: Path) -> None:
    times = [n / 1000 for n in range(3000) if n not in (500, *range(2000, 2030))]
    (beat,) = beats(tmp_path, times)
    assert beat.missing == 31
    assert [(event.frames, round(event.after_s, 3)) for event in beat.events] == [(1, 0.499), (30, 1.999)]
    assert beat.longest_wait_s == pytest.approx(0.031, abs=1e-4)


def test_missing_beats_of_a_flow_with_several_frames_a_beat(tmp_path: Path) -> None:
    times = [n / 250 + k * 1e-5 for n in range(500) for k in range(4) if n != 300 and (n, k) != (400, 3)]
    (beat,) = beats(tmp_path, times)
    assert beat.missing == 5


def test_late_beats_that_come_in_a_bunch_are_not_missing(tmp_path: Path) -> None:
    """A sender on a busy machine: three beats come together with the fourth."""
    times = [n / 1000 for n in range(2000)]
    for start in (700, 1200):
        for late in range(3):
            times[start + late] = (start + 3) / 1000 + 1e-5 * (late - 3)
    (beat,) = beats(tmp_path, sorted(times))
    assert beat.missing == 0
    assert beat.late == 6


def test_a_pause_of_seconds_is_a_stop(tmp_path: Path) -> None:
    (beat,) = beats(tmp_path, [n / 100 for n in range(300)] + [10 + n / 100 for n in range(300)])
    assert (beat.missing, beat.stops) == (0, 1)
    assert beat.longest_stop_s == pytest.approx(7.01, abs=0.02)


def test_what_comes_by_chance_has_no_beat() -> None:
    chance = np.random.default_rng(5)
    found = [learn(np.cumsum(chance.exponential(1e6, 64)).astype(np.int64)) for _ in range(300)]
    assert not any(found)


def test_a_missing_beat_among_the_first_is_seen(tmp_path: Path) -> None:
    (beat,) = beats(tmp_path, [n / 10 for n in range(40) if n != 20])
    assert beat.missing == 1


def test_beats_held_back_for_longer_than_sixteen_periods_are_late_not_missing(tmp_path: Path) -> None:
    """As a sender does that was not let run, and catches up."""
    times = [n / 100 for n in range(400)]
    for n in range(150, 180):
        times[n] = 1.79 + 5e-5 * (n - 150)
    (beat,) = beats(tmp_path, times)
    assert (beat.missing, beat.late) == (0, 29)
    assert beat.longest_wait_s == pytest.approx(0.3, abs=1e-3)


@pytest.mark.parametrize("bunch", [3, 8])
def test_late_beats_among_the_first_are_not_missing(tmp_path: Path, bunch: int) -> None:
    """A sender that starts on a busy machine pauses, then sends at once what it owes."""
    times = [n / 1000 for n in range(300)]
    for n in range(20, 20 + bunch):
        times[n] = (20 + bunch) / 1000 - 1e-5 * (20 + bunch - n)
    (beat,) = beats(tmp_path, times)
    assert beat.missing == 0


def test_a_bunch_of_late_beats_that_is_longer_than_the_first_frames_is_not_missing(tmp_path: Path) -> None:
    times = [n / 100 for n in range(300)]
    for n in range(50, 80):
        times[n] = 0.79 + 5e-5 * (n - 79)
    (beat,) = beats(tmp_path, times)
    assert (beat.missing, beat.events) == (0, ())
