"""The pace of a count over all its run: right within what is said of it, whatever happens on the way."""

import itertools
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.tally import course_kernels as c
from preflight.tally.courses import courses
from preflight.tally.facts import Course

MS, S = 1_000_000, 1_000_000_000
HOUR = 3600 * S


def played(came: list[tuple[int, int]]) -> Course | None:
    """The course of packets that came at (ns, count), the first at any."""
    table = np.zeros((1, c.COURSE_COLUMNS), np.int64)
    (first, before), *others = came
    c.begin_course(table, 0, 0, first)
    for at, count in others:
        c.go_on(table, 0, 0, at, count - before)
        before = count
    return courses(table)[0]


def steady(
    seconds: float, ppm: float, random: Random, late_ns: int = 50_000, units: int = 192
) -> list[tuple[int, int]]:
    """Packets of 4 ms by a clock that is `ppm` quick, each held up a while on its way."""
    turns = round(seconds * 250)
    return [
        (round(n * 4 * MS * (1 - ppm * 1e-6)) + round(random.expovariate(1 / late_ns)), n * units)
        for n in range(turns)
    ]


def ppm_of(course: Course | None, per_s: float = 48_000) -> tuple[float, float]:
    assert course is not None
    return (course.per_s / per_s - 1) * 1e6, course.unsure_ppm


@settings(max_examples=60)
@given(
    st.integers(0, 1 << 32),
    st.floats(-300, 300),
    st.sampled_from([2.0, 5.0, 13.0]),
    st.sampled_from([1_000, 50_000, 1_000_000]),
)
def test_a_drift_is_within_what_is_said_of_it(seed, ppm, seconds, late_ns) -> None:
    """Three times the uncertainty is what a check goes by."""
    course = played(steady(seconds, ppm, Random(seed), late_ns))
    drift, unsure = ppm_of(course)
    assert abs(drift - ppm) <= 3 * unsure
    assert course.since_s < 0.2 and course.until_s > seconds - 1.5


def test_a_longer_run_is_surer() -> None:
    known = [ppm_of(played(steady(seconds, 20, Random(1))))[1] for seconds in (2, 8, 32)]
    assert known[0] > 2 * known[1] > 4 * known[2] and known[2] < 1


def test_packets_that_were_held_up_bend_nothing() -> None:
    """Half of them come up to 30 ms late, some seconds all of them do, and one in a hundred never."""
    random = Random(3)
    came = [
        (at + (random.randrange(30 * MS) if n % 2 or 1000 < n < 2500 else 0), count)
        for n, (at, count) in enumerate(steady(40, 35, random))
        if random.random() > 0.01
    ]
    drift, unsure = ppm_of(played(sorted(came)))
    assert abs(drift - 35) <= 3 * unsure < 35


def test_an_uneven_beginning_says_nothing() -> None:
    """Its first 100 packets take half as long again; then it has caught up."""
    came = [
        (at * 3 // 2 if n < 100 else max(at, 600 * MS), count)
        for n, (at, count) in enumerate(steady(10, 0, Random(2)))
    ]
    drift, unsure = ppm_of(played(came))
    assert abs(drift) <= 3 * unsure < 100


def test_an_outage_through_which_the_count_goes_on_is_none_of_its_matter() -> None:
    whole = steady(30, -60, Random(4))
    drift, unsure = ppm_of(played(whole[:1000] + whole[6000:]))
    assert abs(drift + 60) <= 3 * unsure < 10


@pytest.mark.parametrize("by", [48_000 * 2, -48_000 * 2, 1 << 30])
def test_a_timestamp_that_was_set_begins_anew(by: int) -> None:
    came = [(at, count + (by if n > 1000 else 0)) for n, (at, count) in enumerate(steady(20, 15, Random(5)))]
    course = played(came)
    drift, unsure = ppm_of(course)
    assert abs(drift - 15) <= 3 * unsure < 10
    assert course.since_s == pytest.approx(4, abs=0.2)


@pytest.mark.parametrize("by", [HOUR, -3 * S, 30 * 24 * HOUR, 300 * 24 * HOUR])
def test_a_clock_of_the_capture_that_was_set_begins_anew(by: int) -> None:
    came = [(at + (by if n > 1000 else 0), count) for n, (at, count) in enumerate(steady(20, 15, Random(6)))]
    drift, unsure = ppm_of(played(came))
    assert abs(drift - 15) <= 3 * unsure < 10


@pytest.mark.parametrize("tick_ns", [1_000, MS])
def test_a_clock_that_ticks_slowly_is_not_believed_beyond_its_tick(tick_ns: int) -> None:
    came = [(at // tick_ns * tick_ns, count) for at, count in steady(20, 0, Random(7), late_ns=100)]
    drift, unsure = ppm_of(played(came))
    assert unsure >= tick_ns / 20_000 / 1e3 and abs(drift) <= 3 * unsure


def test_a_short_run_tells_nothing() -> None:
    assert played(steady(0.7, 0, Random(8))) is None
    assert played(steady(1.0, 0, Random(8))) is not None


def test_a_day_takes_no_more_room_than_a_minute() -> None:
    """A packet each ten seconds, which is a course as well, and one that is quick by 30 ppm."""
    came = [(round(n * 10 * S * (1 - 30e-6)), n * 480_000) for n in range(8640)]
    drift, unsure = ppm_of(played(came))
    assert abs(drift - 30) < 0.1 and unsure < 1


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(0, 10 * MS), st.integers(-(1 << 60), 1 << 60)),
            st.one_of(st.integers(0, 200), st.integers(-(1 << 31), 1 << 31)),
        ),
        max_size=60,
    )
)
def test_nothing_that_comes_overflows(steps: list[tuple[int, int]]) -> None:
    """NumPy raises where a number does not fit; compiled code would go round."""
    table = np.zeros((1, c.COURSE_COLUMNS), np.int64)
    now = 0
    c.begin_course(table, 0, 0, 0)
    for _ in range(5):
        for wait, by in steps:
            now = max(-(1 << 61), min(now + wait, 1 << 61))
            c.go_on(table, 0, 0, now, by)
            pace, units = int(table[0, c.G_PACE]), int(table[0, c.G_UNITS])
            assert abs(units * pace) < 1 << 63
            assert 0 <= table[0, c.G_KEPT] <= c.POINTS
    courses(table)


def test_of_a_clock_without_a_fault_the_tick_and_the_adapter_are_left() -> None:
    """A millisecond, at most, and 10 microseconds, at the two ends of the run."""
    course = played([(n * 4 * MS, n * 192) for n in range(5000)])
    span_ns = (course.until_s - course.since_s) * 1e9
    assert course.per_s == 48_000 and course.unsure_ppm == pytest.approx(1e6 * 1_010_000 / span_ns, rel=1e-9)


def test_the_pace_is_as_sure_as_95_of_100_slopes() -> None:
    """Sen 1968: of ten points the middle of 45 slopes, and (45 - 1.96 sqrt(10 * 9 * 25 / 18)) / 2 = 11.5 left
    out at each end. The times are any, by lot."""
    random = Random(9)
    points = [(n * S + random.randrange(-20 * MS, 20 * MS), 48_000 * n) for n in range(10)]
    row = np.zeros((1, c.COURSE_COLUMNS), np.int64)
    row[0, c.G_KEPT] = len(points)
    row[0, c.G_POINTS : c.G_POINTS + 20] = np.array(points).ravel()
    (course,) = courses(row)
    slopes = sorted((b[0] - a[0]) / (b[1] - a[1]) for a, b in itertools.combinations(points, 2))
    half = (slopes[33] - slopes[11]) / 2
    hidden = (np.gcd.reduce(np.diff([at for at, _ in points])) + 10_000) / (points[-1][0] - points[0][0])
    assert course.per_s == pytest.approx(1e9 / slopes[22], rel=1e-12)
    assert course.unsure_ppm == pytest.approx(1e6 * (half / slopes[22] + hidden), rel=1e-9)
