"""Beats of flows whatever their protocol: found, followed, and told from what comes by chance. Own method."""

import random
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.frames import compile as engines
from preflight.tally import periodic as kernels
from preflight.tally import periodic_kernels as r
from preflight.tally.facts import PeriodicFlow
from tests.tally.captures import Timed, ethernet, mac, mirrored, studied

GROUP = "01:00:5e:90:10:07"


class Learned(NamedTuple):
    period_ns: int
    span_ns: int
    per_beat: int
    beats: int
    missing: int
    missing_ns: int


def learn(times: np.ndarray) -> Learned | None:
    """What is found from the times of a flow's first frames (ns)."""
    work = np.zeros((kernels.WORK_ROWS, kernels.LEARN), np.int64)
    if not kernels.learn(work, times[None], 0, len(times), False):
        return None
    return Learned(*work[kernels.FOUND, : len(Learned._fields)].tolist())


def frame(number: int) -> bytes:
    return ethernet(GROUP, mac(7), 0x88B5, number.to_bytes(4, "big"))


def beats(folder: Path, times: list[float]) -> tuple[PeriodicFlow, ...]:
    frames: list[Timed] = [(time, frame(n)) for n, time in enumerate(times)]
    tally = studied(folder, frames).tally
    assert tally is not None
    return tally.periodic


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
    (event,) = beat.events
    assert (event.frames, event.after_s, event.frame) == (1, pytest.approx(1.9), None)
    (beat,) = beats(tmp_path, [n / 10 for n in range(400) if n not in (20, 40, 41, 300)])
    assert [event.frames for event in beat.events] == [3, 1]


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


def grid(count: int, moved: dict[int, float], period_s: float = 0.001) -> list[float]:
    """Beats on the grid of the period, but for some that come as much later (in periods)."""
    return [(n + moved.get(n, 0.0)) * period_s for n in range(count)]


@pytest.mark.parametrize(
    ("moved", "count", "found"),
    [
        (0.31, 6, True),
        (0.31, 7, False),
        (0.29, 7, True),
        (0.29, 20, True),
        (-0.31, 6, True),
        (-0.31, 7, False),
    ],
)
def test_four_fifths_come_within_three_tenths_of_their_place(moved: float, count: int, found: bool) -> None:
    """A beat that is off by itself makes two intervals so: 6 of 64 leave 51 of 63 intervals, 7 leave 49."""
    times = grid(64, dict.fromkeys(range(3, 3 + 3 * count, 3), moved))
    assert (learn((np.array(times) * 1e9).astype(np.int64)) is not None) == found


@pytest.mark.parametrize(
    ("period_ns", "found"), [(14_999, False), (15_000, True), (2_500_000_000, True), (2_500_000_001, False)]
)
def test_a_period_is_no_shorter_and_no_longer(period_ns: int, found: bool) -> None:
    assert (learn(np.arange(64) * period_ns) is not None) == found


@pytest.mark.parametrize(("count", "found"), [(7, 0), (8, 1)])
def test_eight_beats_tell_a_period(tmp_path: Path, count: int, found: int) -> None:
    assert len(beats(tmp_path, grid(count, {}))) == found


@pytest.mark.parametrize(("between", "per_beat"), [(5_000_000, 2), (4_990_000, 1)])
def test_frames_of_a_beat_are_five_times_as_close_as_beats(between: int, per_beat: int) -> None:
    times = np.array([n * (1_000_000 + between) + k * 1_000_000 for n in range(32) for k in range(2)])
    learned = learn(times)
    assert learned is not None and learned.per_beat == per_beat


def test_a_beat_pulls_phase_by_an_eighth_and_period_by_a_256th(tmp_path: Path) -> None:
    """Worked by hand, in ns: a beat 400 000 late moves the period by 400 000 // 256 = 1 562 and the phase by
    50 000. The next, on the grid, then is early by 1 001 562 - 950 000 = 51 562, and moves the period by -51
    562 // 256 = -202."""
    (once,) = beats(tmp_path, grid(200, {199: 0.4}))
    assert once.period_s == pytest.approx(1_001_562e-9, abs=2e-9)
    (twice,) = beats(tmp_path, grid(201, {199: 0.4}))
    assert twice.period_s == pytest.approx(1_001_360e-9, abs=2e-9)
    assert (once.beats, once.missing) == (199, 0)


@pytest.mark.parametrize(("moved", "missing"), [(0.49, 0), (0.51, 1)])
def test_a_beat_is_the_one_that_it_is_nearest_to(tmp_path: Path, moved: float, missing: int) -> None:
    (beat,) = beats(tmp_path, [*grid(200, {}), (200 + moved) / 1000])
    assert beat.missing == 0 and len(beat.events) == 0
    (beat,) = beats(tmp_path, [*grid(200, {}), *((n + moved) / 1000 for n in range(200, 400))])
    assert beat.missing == missing


@pytest.mark.parametrize(
    ("period_s", "silence_s", "stops", "missing"),
    [
        (0.01, 1.0, 1, 0),
        (0.01, 0.99, 0, 98),
        (0.2, 2.0, 1, 0),
        (0.2, 1.8, 0, 8),
        (0.05, 0.95, 0, 18),
        (0.05, 1.0, 1, 0),
    ],
)
def test_a_stop_is_a_silence_of_a_second_and_ten_periods(
    tmp_path: Path, period_s: float, silence_s: float, stops: int, missing: int
) -> None:
    before = grid(100, {}, period_s)
    (beat,) = beats(tmp_path, before + [before[-1] + silence_s + at for at in grid(100, {}, period_s)])
    assert (beat.stops, beat.missing) == (stops, missing)
    assert [event.frames for event in beat.events] == [missing] * (missing > 0)
    assert beat.longest_stop_s == pytest.approx(silence_s * stops)
    if not stops:
        assert (beat.longest_wait_s, beat.longest_wait_at_s) == (
            pytest.approx(silence_s),
            pytest.approx(before[-1]),
        )
        assert beat.longest_wait_frame == 101


@pytest.mark.parametrize(("paid_s", "late"), [(0.5501, 1), (0.5671, 1), (0.5681, 0)])
def test_a_beat_may_come_50_ms_and_16_periods_late(tmp_path: Path, paid_s: float, late: int) -> None:
    """Noticed at 501 ms, waited for until 567 ms."""
    times = [n / 1000 for n in range(1000) if n != 500]
    (beat,) = beats(tmp_path, sorted([*times, paid_s]))
    assert (beat.late, beat.missing) == (late, 1 - late)


def test_as_long_as_late_ones_come_more_may(tmp_path: Path) -> None:
    """Two owed: the second is paid 60 ms after the first, which is 100 ms after both were noticed."""
    times = [n / 1000 for n in range(1000) if n not in (500, 501)]
    (beat,) = beats(tmp_path, sorted([*times, 0.5421, 0.6021]))
    assert (beat.late, beat.missing) == (2, 0)


def test_the_first_eight_stretches_are_kept(tmp_path: Path) -> None:
    missing = {100 + 100 * n for n in range(9)}
    (beat,) = beats(tmp_path, [n / 1000 for n in range(1100) if n not in missing])
    assert (beat.missing, len(beat.events)) == (9, 8)
    first = beat.events[0]
    assert (first.frames, first.after_s, first.frame) == (1, pytest.approx(0.099), 101)


def test_a_beat_that_is_in_part_is_owed_the_rest(tmp_path: Path) -> None:
    times = [n / 100 + k * 1e-4 for n in range(200) for k in range(4) if (n, k) not in ((100, 2), (100, 3))]
    (beat,) = beats(tmp_path, times)
    assert (beat.per_beat, beat.missing) == (4, 2)
    assert beat.events[0].after_s == pytest.approx(1.0, abs=1e-4)


def test_frames_of_a_beat_may_be_unevenly_apart() -> None:
    """3, 8 and 4 us within a beat of 1 ms."""
    learned = learn(np.array([n * 1_000_000 + at for n in range(16) for at in (0, 3_000, 11_000, 15_000)]))
    assert learned is not None
    assert (learned.per_beat, learned.beats, learned.missing) == (4, 16, 0)
    assert learned.period_ns == pytest.approx(1_000_000, abs=10)


@pytest.mark.parametrize(("even", "per_beat"), [(13, 3), (12, 1)])
def test_four_fifths_of_beats_hold_as_many_frames(even: int, per_beat: int) -> None:
    """Of sixteen inner beats some hold two."""
    sizes = [3, *(3 if n < even else 2 for n in range(16)), 3]
    learned = learn(
        np.array([n * 1_000_000 + at * 10_000 for n, size in enumerate(sizes) for at in range(size)])
    )
    assert learned is not None and learned.per_beat == per_beat


@pytest.mark.parametrize(("pauses", "found"), [(2, True), (3, False)])
def test_a_sixteenth_of_long_intervals_are_stragglers(pauses: int, found: bool) -> None:
    """Of 63 intervals three and more are a heap of their own: then they tell the beats, and these are too
    few."""
    times = np.arange(64) * 1_000_000
    for n in range(pauses):
        times[15 * (n + 1) :] += 9_000_000
    assert (learn(times) is not None) == found


@pytest.mark.parametrize(
    ("gone", "after", "missing", "late"), [(20, 0.45, 0, 1), (20, 0.55, 1, 0), (None, 0.45, 0, 0)]
)
def test_the_first_frames_may_end_within_a_bunch(
    tmp_path: Path, gone: int | None, after: float, missing: int, late: int
) -> None:
    """What comes within half a period of the last of the first 64 was counted as missing too early; if any
    was."""
    first = [n / 1000 for n in range(65) if n != (64 if gone is None else gone)]
    start = first[-1] + after / 1000
    (beat,) = beats(tmp_path, [*first, *(start + n / 1000 for n in range(100))])
    assert (beat.missing, beat.late, sum(event.frames for event in beat.events)) == (missing, late, missing)


def test_copies_are_no_beats(tmp_path: Path) -> None:
    """A mirror shows each frame twice."""
    frames = mirrored([(n / 100, frame(n)) for n in range(100)])
    tally = studied(tmp_path, frames).tally
    assert tally is not None
    (beat,) = tally.periodic
    assert (beat.per_beat, beat.missing, beat.late) == (1, 0, 0)


def blocks(period_s: float, frames: int, apart_s: float, end_s: float = 6.0) -> list[float]:
    """Times of frames `apart_s` from one another in blocks of so many, with a little jitter."""
    rng = random.Random(7)
    count = int(end_s / period_s)
    return [
        n * period_s + rng.uniform(0, 0.01) * period_s + k * apart_s
        for n in range(count)
        for k in range(frames)
    ]


@pytest.mark.parametrize(
    ("period_s", "frames", "apart_s"),
    [
        (0.00067, 4, 20e-6),
        (0.0053, 8, 100e-6),
        (0.0107, 16, 200e-6),
        (0.023, 32, 600e-6),
        (0.023, 24, 400e-6),
    ],
)
def test_the_block_is_the_beat(tmp_path: Path, period_s: float, frames: int, apart_s: float) -> None:
    (beat,) = beats(tmp_path, blocks(period_s, frames, apart_s))
    assert beat.period_s == pytest.approx(period_s, rel=0.01)
    assert (beat.per_beat, beat.missing, beat.late, beat.stops) == (frames, 0, 0, 0)


def test_what_is_missing_of_blocks_is_counted_by_frames(tmp_path: Path) -> None:
    """One frame out of a block, the end of another, and a block."""
    gone = {100 * 32 + 5, *range(150 * 32 + 20, 151 * 32), *range(200 * 32, 201 * 32)}
    times = [time for n, time in enumerate(blocks(0.023, 32, 600e-6)) if n not in gone]
    (beat,) = beats(tmp_path, times)
    assert (beat.per_beat, beat.missing) == (32, 1 + 12 + 32)


def test_blocks_are_told_before_enough_of_them_came_to_follow(tmp_path: Path) -> None:
    (beat,) = beats(tmp_path, blocks(0.023, 32, 600e-6, end_s=0.4))
    assert (beat.per_beat, beat.missing) == (32, 0)


def test_losses_that_look_like_blocks_are_losses(tmp_path: Path) -> None:
    """Long waits between stretches of any length make no block."""
    rng = random.Random(8)
    starts = sorted(rng.sample(range(20, 5000, 20), 40))
    gone = {n for start in starts for n in range(start, start + 8)}
    (beat,) = beats(tmp_path, [n / 1000 for n in range(5500) if n not in gone])
    assert (beat.per_beat, beat.missing) == (1, len(gone))


def test_a_flow_that_began_unevenly_is_followed_later(tmp_path: Path) -> None:
    """Its first 100 frames come by chance; then one is missing now and then."""
    chance = random.Random(9)
    uneven = sorted(chance.uniform(0, 0.2) for _ in range(100))
    steady = [0.3 + n * 0.001 for n in range(2000) if n not in (900, 1500)]
    (found,) = beats(tmp_path, uneven + steady)
    assert found.missing == 2 and found.period_s == pytest.approx(0.001, rel=1e-3) and found.beats > 1400


def test_what_comes_by_chance_is_given_up(tmp_path: Path) -> None:
    chance = random.Random(10)
    at, times = 0.0, []
    for _ in range(9000):
        at += chance.expovariate(1000)
        times.append(at)
    assert beats(tmp_path, times) == ()


def test_plain_and_compiled_learn_the_same_to_the_bit() -> None:
    """Of beats with jitter, gaps, bunches and blocks, some of which have to be looked for by their phase."""
    chance = np.random.default_rng(11)
    kept = np.zeros((80, kernels.LEARN), np.int64)
    for row in kept:
        period = 10 ** chance.uniform(4.2, 9.3)
        places = np.sort(chance.choice(70, kernels.LEARN, replace=False)) // chance.choice([1, 1, 4])
        late = chance.choice([0, 0.01, 0.2, 0.4]) * chance.uniform(-1, 1, kernels.LEARN)
        late[20:26] += chance.choice([0, 0.9])
        row[:] = ((places + late) * period).astype(np.int64) + 10**9
    tables = []
    for engine in (engines.plain(), engines.compiled()):
        table = np.zeros((len(kept), r.BEAT_COLUMNS), np.int64)
        table[:, r.B_COUNT] = kernels.LEARN
        engine.conclude(table, kept, np.zeros((kernels.WORK_ROWS, kernels.LEARN), np.int64))
        tables.append(table)
    assert np.array_equal(*tables)
    assert 0.3 < np.mean(tables[0][:, r.B_STATE] == r.SEARCHING) < 0.9


def test_a_block_that_is_missing_among_the_first_is_as_many_frames(tmp_path: Path) -> None:
    times = [n / 100 + k * 1e-4 for n in range(200) for k in range(4) if n != 5]
    (beat,) = beats(tmp_path, times)
    assert (beat.per_beat, beat.missing, [event.frames for event in beat.events]) == (4, 4, [4])


def test_a_frame_belongs_to_its_block_until_halfway_between_the_ends_of_two(tmp_path: Path) -> None:
    """Blocks of 3 ms, 10 ms apart: until 6.5 ms."""
    times = [n / 100 + k / 1000 + (n == 100 and k == 3) * 0.003 for n in range(200) for k in range(4)]
    (beat,) = beats(tmp_path, times)
    assert (beat.per_beat, beat.missing, beat.late) == (4, 0, 0)


@settings(max_examples=200)
@given(
    waits=st.lists(st.integers(15_000, 3_000_000_000), min_size=1, max_size=63),
    period=st.floats(15_000, 2_500_000_000),
)
def test_how_well_beats_agree_is_the_length_of_the_sum_of_their_directions(waits, period) -> None:
    starts = np.cumsum([0, *waits])
    work = np.zeros((kernels.WORK_ROWS, kernels.LEARN), np.int64)
    work[kernels.STARTS, : len(starts)] = starts
    whole = abs(np.exp(2j * np.pi * (starts / period % 1.0)).sum()) ** 2
    agreed = kernels.agreement(work, len(starts), period)
    assert agreed == pytest.approx(whole, abs=2e-4 * len(starts) ** 2)


def test_after_a_try_128_frames_are_left_out(tmp_path: Path) -> None:
    """64 frames by chance, of which no beat was learned; twice 64 left out; then the beat is followed."""
    random.seed(7)
    chance = np.cumsum([random.uniform(0.0004, 0.0016) for _ in range(64)])
    times = [*chance, *(chance[-1] + n / 1000 for n in range(1, 401))]
    (beat,) = beats(tmp_path, times)
    assert (beat.beats, beat.missing) == (400 - 128 - 1, 0)  # the last one is open
