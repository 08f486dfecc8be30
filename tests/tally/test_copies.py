"""Frames that come again: the gaps up to which they are copies, pairs of a mirror, and repeated in
earnest."""

from pathlib import Path

import pytest

from preflight.study import study
from preflight.tally.facts import Copies, Flow, Repeats
from tests.tally.captures import Timed, broadcast, studied, write_with_direction

NS = 1e-9
MS = 0.001


def flow(folder: Path, times: list[float]) -> Flow:
    """The flow of one content that comes at these times."""
    (found,) = studied(folder, [(at, broadcast(1, 1)) for at in times]).tally.flows
    return found


def copies(folder: Path, *frames: Timed, snap: int = 65535) -> Copies:
    return studied(folder, frames, snap=snap).tally.copies


@pytest.mark.parametrize(("gap_s", "distinct"), [(0, 1), (20 * MS, 1), (20 * MS + NS, 2)])
def test_a_copy_comes_within_20_ms_of_the_last(tmp_path: Path, gap_s: float, distinct: int) -> None:
    times = [1.0, 1.0 + gap_s, 1.0 + 2 * gap_s]
    found = copies(tmp_path, *((at, broadcast(1, 1)) for at in times))
    assert (found.distinct, found.copies) == ((1, 2) if distinct == 1 else (3, 0))
    one = flow(tmp_path, times)
    assert (one.distinct, one.copies) == (found.distinct, found.copies)


def test_another_content_is_no_copy(tmp_path: Path) -> None:
    found = copies(tmp_path, (1.0, broadcast(1, 1)), (1.0, broadcast(1, 2)))
    assert (found.distinct, found.copies, found.pairs) == (2, 0, 0)


@pytest.mark.parametrize(
    ("gaps_s", "pairs"),
    [
        ([1 * MS], 1),
        ([1 * MS + NS], 0),
        ([1 * MS, 1 * MS], 0),  # three times
        ([1 * MS, 20 * MS], 0),
        ([1 * MS, 21 * MS, 1 * MS], 2),  # twice, and later twice again
        ([2 * MS, 1 * MS, 1 * MS], 0),
        ([2 * MS, 1 * MS, 21 * MS, 1 * MS], 1),
        ([1 * MS, 1 * MS, 1 * MS, 1 * MS], 0),
    ],
)
def test_a_pair_is_seen_exactly_twice_within_a_millisecond(
    tmp_path: Path, gaps_s: list[float], pairs: int
) -> None:
    times = [1.0]
    for gap in gaps_s:
        times.append(times[-1] + gap)
    assert copies(tmp_path, *((at, broadcast(1, 1)) for at in times)).pairs == pairs


@pytest.mark.parametrize(
    ("count", "gap_s", "repeats"), [(7, MS, False), (8, MS, True), (8, 5 * MS, True), (8, 5 * MS + NS, False)]
)
def test_eight_in_quick_succession_repeat(tmp_path: Path, count: int, gap_s: float, repeats: bool) -> None:
    assert (flow(tmp_path, [1 + n * gap_s for n in range(count)]).repeats is not None) == repeats


def test_what_repeats_is_told(tmp_path: Path) -> None:
    """Nine of one content, ten of a second that come between, and three of another that are none."""
    frames = [(0.5, broadcast(1, 9))] + [(1 + n * MS, broadcast(1, 1)) for n in range(9)]
    frames += [(1.0005 + n * MS, broadcast(1, 2)) for n in range(10)]
    frames += [(2 + n * MS, broadcast(1, 3)) for n in range(3)]
    (found,) = studied(tmp_path, frames).tally.flows
    assert found.repeats == Repeats(
        contents=2,
        copies=8 + 9,
        most=10,
        most_frame=3,
        most_first_s=pytest.approx(0.5005),
        most_last_s=pytest.approx(0.5095),
        eighth_frame=16,
        eighth_s=pytest.approx(0.507),
        first_s=pytest.approx(0.5),
        last_s=pytest.approx(0.5095),
    )


@pytest.mark.parametrize(("snap", "cut", "found"), [(89, 2, 0), (90, 0, 1), (100, 0, 1), (120, 0, 1)])
def test_frames_cut_too_short_are_not_compared(tmp_path: Path, snap: int, cut: int, found: int) -> None:
    twice = [(at, broadcast(1, 1, 120)) for at in (1.0, 1.001)]
    told = copies(tmp_path, *twice, snap=snap)
    assert (told.cut, told.copies) == (cut, found)


def test_a_short_frame_that_is_whole_is_compared(tmp_path: Path) -> None:
    assert copies(tmp_path, (1.0, broadcast(1, 1)), (1.001, broadcast(1, 1))).copies == 1


def test_own_frames_that_come_in_again_are_counted(tmp_path: Path) -> None:
    own, other = broadcast(1, 1), broadcast(2, 2)
    frames = [(0.0, other, False), (0.001, other, True), (0.002, own, True), (0.003, own, True)]
    told = study(str(write_with_direction(tmp_path / "none.pcapng", frames))).tally.copies
    assert (told.returned, told.returned_frame, told.returned_s) == (0, None, None)
    frames += [(0.004, own, False), (0.006, own, False)]
    told = study(str(write_with_direction(tmp_path / "own.pcapng", frames))).tally.copies
    assert (told.returned, told.returned_frame, told.returned_s) == (2, 5, 0.004)


@pytest.mark.parametrize(
    ("distinct", "pairs", "returned", "mirrored"),
    [(20, 8, 0, True), (19, 19, 0, False), (20, 7, 0, False), (20, 12, 4, True), (20, 12, 5, False)],
)
def test_a_mirror_shows_two_fifths_twice(distinct: int, pairs: int, returned: int, mirrored: bool) -> None:
    found = Copies(
        distinct=distinct,
        pairs=pairs,
        copies=pairs,
        returned=returned,
        returned_frame=None,
        returned_s=None,
        cut=0,
    )
    assert found.mirrored == mirrored


def test_of_two_thousand_contents_nearly_all_are_known_again(tmp_path: Path) -> None:
    """Where two fall on one place of the table both are kept."""
    frames = [(n * 1e-6, broadcast(1, n)) for n in range(2000)]
    found = copies(tmp_path, *frames, *((at + 0.01, data) for at, data in frames))
    assert found.copies >= 1995


def test_what_came_most_often_stays_when_another_comes_less_often(tmp_path: Path) -> None:
    frames = [(1 + n * MS, broadcast(1, 1)) for n in range(10)] + [
        (2 + n * MS, broadcast(1, 2)) for n in range(9)
    ]
    (found,) = studied(tmp_path, frames).tally.flows
    assert (found.repeats.contents, found.repeats.most, found.repeats.most_frame) == (2, 10, 1)
