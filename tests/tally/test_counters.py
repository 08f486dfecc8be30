"""Counters in frames, whatever the protocol: found, followed exactly, and told from what only looks like one.
Own method."""

from collections import Counter
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.tally import counters as kernels
from preflight.tally.facts import CountedStream
from tests.tally.captures import Timed, ethernet, mac, studied, udp

GROUP = "01:00:5e:90:10:07"
PACE_S = 0.001


def frame(value: bytes, random: Random, before: bytes = b"\1\2", size: int = 200) -> bytes:
    """Audio under an EtherType for experiments: a constant, the counter, noise."""
    return ethernet(GROUP, mac(7), 0x88B5, before + value + random.randbytes(size))


def play(
    kept: list[int], value, random: Random | None = None, pace_s: float = PACE_S, before: bytes = b"\1\2"
) -> list[Timed]:
    """The frames by number that came, each at its time; `value` makes a number's bytes."""
    random = random or Random(1)
    return [(n * pace_s, frame(value(n), random, before)) for n in kept]


def one(folder: Path, frames: list[Timed], **options) -> CountedStream:
    tally = studied(folder, frames, **options).tally
    assert tally is not None
    (found,) = tally.counted
    return found


def none(folder: Path, frames: list[Timed]) -> None:
    tally = studied(folder, frames).tally
    assert tally is not None and tally.counted == ()


def byte(n: int) -> bytes:
    return bytes([n & 255])


def big(n: int) -> bytes:
    return (n & 0xFFFF).to_bytes(2, "big")


def little(n: int) -> bytes:
    return (n & 0xFFFF).to_bytes(2, "little")


def word(n: int) -> bytes:
    return (1_000_000 + n).to_bytes(4, "big")


def samples(n: int) -> bytes:
    return (48 * n & 0xFFFF).to_bytes(2, "big")


def down(n: int) -> bytes:
    return bytes([-n & 255])


GONE = {40, 41, 300, 777, *range(1500, 1530)}


@pytest.mark.parametrize("value", [byte, big, little, word, samples, down])
def test_what_is_missing_is_counted_and_placed(tmp_path: Path, value) -> None:
    found = one(tmp_path, play([n for n in range(3000) if n not in GONE], value))
    assert (found.expected, found.received, found.lost) == (3000, 3000 - len(GONE), len(GONE))
    assert (found.losses, found.longest_loss, found.late, found.duplicates) == (4, 30, 0, 0)
    assert [loss.packets for loss in found.first_losses] == [2, 1, 1, 30]
    assert found.longest_loss_s == pytest.approx(1.53)
    assert found.longest_loss_frame == 1500 - 4 + 1
    assert found.first_losses[0].start_s == pytest.approx(0.039)
    assert found.longest_wait_s == pytest.approx(0.031)


def test_of_udp_the_data_is_read(tmp_path: Path) -> None:
    random = Random(2)
    frames = [
        (n * PACE_S, udp(7, "233.252.0.9", 6000, b"\1\2\3\4" + big(n) + random.randbytes(100)))
        for n in range(1000)
        if n != 500
    ]
    found = one(tmp_path, frames)
    assert (found.lost, found.offset, found.bits) == (1, 5, 16)


@pytest.mark.parametrize("value", [byte, big])
def test_losses_among_the_first_frames_are_counted(tmp_path: Path, value) -> None:
    found = one(tmp_path, play([n for n in range(1000) if n not in (5, 9, 10)], value))
    assert (found.lost, [loss.packets for loss in found.first_losses]) == (3, [1, 2])


@pytest.mark.parametrize("missing", [100, 255, 256, 300, 2000, 4000])
@pytest.mark.parametrize("value", [byte, big])
def test_an_outage_in_which_the_counter_goes_round_is_reckoned_by_the_pace(
    tmp_path: Path, value, missing: int
) -> None:
    frames = play([n for n in range(9000) if not 3000 <= n < 3000 + missing], value)
    found = one(tmp_path, frames)
    assert (found.lost, found.longest_loss, found.restarts) == (missing, missing, 0)


def test_a_sender_that_paused_has_lost_nothing(tmp_path: Path) -> None:
    frames = play(list(range(1000)), big) + [
        (at + 4, data) for at, data in play(list(range(1000, 2000)), big)
    ]
    found = one(tmp_path, frames)
    assert (found.lost, found.restarts) == (0, 0)
    assert found.longest_wait_s == pytest.approx(4.001)


def test_a_sender_that_begins_anew_has_lost_nothing(tmp_path: Path) -> None:
    frames = play(list(range(1000)), big) + [
        (at + 1, data) for at, data in play(list(range(2000)), lambda n: big(n + 30000))
    ]
    found = one(tmp_path, frames)
    assert (found.lost, found.restarts, found.received) == (
        0,
        1,
        3000 - 1,
    )  # the first of the new ones shows it


def test_frames_of_another_kind_in_the_flow_are_none_of_it(tmp_path: Path) -> None:
    """Alike in length, but without the counter; and of another length."""
    random = Random(3)
    frames = play(list(range(3000)), big)
    frames += [(n * 0.1 + 0.0005, frame(big(40000 + 977 * n), random)) for n in range(3, 30)]
    frames += [(n * 0.1 + 0.0007, frame(b"", random, size=60)) for n in range(3, 30)]
    found = one(tmp_path, sorted(frames))
    assert (found.lost, found.restarts, found.received, found.odd) == (0, 0, 3000, 27)


def test_late_and_doubled_frames_are_told_apart(tmp_path: Path) -> None:
    order = list(range(2000))
    order[500], order[501] = 501, 500
    frames = [(at * PACE_S, frame(big(n), Random(n))) for at, n in enumerate(order)]
    frames += [(1.0205, frames[1000][1])]  # 20 ms later: no copy of a mirror or a loop
    found = one(tmp_path, sorted(frames))
    assert (found.lost, found.late, found.duplicates) == (0, 1, 1)


@pytest.mark.parametrize("count", [250, 320])
def test_a_counter_is_believed_when_it_has_gone_beyond_a_byte(tmp_path: Path, count: int) -> None:
    """A number in a block looks like a counter until it begins again."""
    frames = play(list(range(count)), byte)
    if count < 300:
        none(tmp_path, frames)
    else:
        assert one(tmp_path, frames).lost == 0


@pytest.mark.parametrize("block", [16, 32, 100, 200, 700])
def test_the_number_of_a_frame_in_its_block_is_no_counter(tmp_path: Path, block: int) -> None:
    none(tmp_path, play(list(range(6000)), lambda n: big(n % block)))


def test_noise_and_silence_hold_no_counter(tmp_path: Path) -> None:
    none(tmp_path, play(list(range(3000)), lambda _: b""))
    none(tmp_path, [(n * PACE_S, frame(b"", Random(5))) for n in range(3000)])


def test_a_flow_that_begins_with_other_frames_is_learned_later(tmp_path: Path) -> None:
    random = Random(4)
    frames = [(n * PACE_S, frame(random.randbytes(2), random)) for n in range(60)]
    frames += [(at + 0.06, data) for at, data in play([n for n in range(3000) if n != 2500], big)]
    assert one(tmp_path, frames).lost == 1


def test_frames_cut_before_the_counter_tell_nothing(tmp_path: Path) -> None:
    frames = play(list(range(1000)), big, before=bytes(20))
    assert one(tmp_path, frames, snap=64).lost == 0
    tally = studied(tmp_path, frames, snap=30).tally
    assert tally is not None and tally.counted == ()


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6), share=st.floats(0, 0.4), value=st.sampled_from([byte, big, little, samples])
)
def test_whatever_is_lost_the_count_is_exact(tmp_path_factory, seed: int, share: float, value) -> None:
    random = Random(seed)
    kept = [n for n in range(2500) if n < 24 or n == 2499 or random.random() >= share]
    found = one(tmp_path_factory.mktemp("lost"), play(kept, value, random, before=random.randbytes(3)))
    assert (found.expected, found.lost) == (2500, 2500 - len(kept))


@pytest.mark.parametrize("value", [byte, big])
@pytest.mark.parametrize("each", [4, 10])
def test_frames_of_another_length_are_counted_where_they_fit(tmp_path: Path, value, each: int) -> None:
    """The last frame of each block is shorter."""
    random = Random(3)
    sizes = [120 if n % each == each - 1 else 200 for n in range(3000)]
    frames = [
        (n * PACE_S, frame(value(n), random, size=size)) for n, size in enumerate(sizes) if n not in GONE
    ]
    found = one(tmp_path, frames)
    assert (found.expected, found.lost, found.duplicates) == (3000, len(GONE), 0)


def test_a_flow_whose_frames_change_their_length_goes_on(tmp_path: Path) -> None:
    random = Random(4)
    frames = [(n * PACE_S, frame(big(n), random, size=200 if n < 1000 else 300)) for n in range(3000)]
    found = one(tmp_path, frames)
    assert (found.expected, found.lost) == (3000, 0) and found.last_s == pytest.approx(2.999)


def test_a_frame_too_short_for_its_number_is_passed_over(tmp_path: Path) -> None:
    """It has the header and one byte; those after it are followed."""
    frames = play(list(range(600)), big)
    frames[300] = (frames[300][0], ethernet(GROUP, mac(7), 0x88B5, b"\1", 15))
    found = one(tmp_path, frames)
    assert (found.lost, found.received) == (1, 599) and found.last_s == pytest.approx(0.599)


@pytest.mark.parametrize(
    "value",
    [
        lambda n: byte(n) + byte(n // 64),
        lambda n: byte(n // 64) + byte(n),
        lambda n: byte(n) + byte(-n // 64),
    ],
)
def test_a_byte_beside_it_that_moves_more_often_than_it_wraps_is_no_high_byte(tmp_path: Path, value) -> None:
    found = one(tmp_path, play([*range(1000)], value))
    assert (found.expected, found.received, found.restarts, found.bits) == (1000, 1000, 0, 8)


@given(st.lists(st.integers(0, 3), min_size=1, max_size=24))
def test_the_usual_number_is_that_of_half_of_them(numbers: list[int]) -> None:
    work = np.zeros((kernels.FOUND + 1, kernels.LEARN), np.int64)
    work[kernels.STEPS, : len(numbers)] = numbers
    half = [n for n, count in Counter(numbers).items() if 2 * count >= len(numbers)]
    assert kernels.usual(work, len(numbers)) == min(half, default=-1)


@pytest.mark.parametrize(("others", "first_frame"), [(8, 1), (9, 24 + 128 + 1)])
def test_a_counter_is_learned_where_two_thirds_of_the_frames_are_of_one_length(
    tmp_path: Path, others: int, first_frame: int
) -> None:
    """Of the first 24; else it is tried again later."""
    random = Random(5)
    frames = [(n * PACE_S, frame(big(n), random, size=200 if n >= others else 100 + n)) for n in range(1000)]
    assert one(tmp_path, frames).first_frame == first_frame


@pytest.mark.parametrize("value", [big, little])
def test_a_byte_that_carries_into_its_neighbour_becomes_a_number_of_16_bits(tmp_path: Path, value) -> None:
    """It does so long after it was learned. Of 16 bits an outage of 300 at another pace is told exactly."""
    came = [*range(1000), *range(1300, 2000)]
    frames = [
        (n * PACE_S + (n >= 1300) * 0.4, data) for n, (_, data) in zip(came, play(came, value), strict=True)
    ]
    found = one(tmp_path, frames)
    assert (found.bits, found.lost, found.longest_loss) == (16, 300, 300)


def test_after_a_try_64_frames_are_left_out(tmp_path: Path) -> None:
    """24 frames to learn, of which nothing was learned; twice 64 left out; 24 more, which are counted."""
    random = Random(6)
    frames = [(n * PACE_S, frame(random.randbytes(2), random)) for n in range(24)]
    frames += [(at + 24 * PACE_S, data) for at, data in play([*range(1000)], big)]
    found = one(tmp_path, frames)
    assert (found.first_frame, found.received) == (24 + 128 + 1, 1000 - 128)


@pytest.mark.parametrize(("jump", "lost", "odd"), [(68, 67, 0), (69, 0, 1)])
def test_a_number_that_jumps_is_odd_beyond_64_and_four_times_the_pace(
    tmp_path: Path, jump: int, lost: int, odd: int
) -> None:
    """The next one counts from the number before it: at its pace it is none of the odd one's."""
    numbers = [*range(600), 599 + jump, *range(601 if odd else 600 + jump, 1200)]
    frames = [(at * PACE_S, frame(big(n), Random(n))) for at, n in enumerate(numbers)]
    found = one(tmp_path, frames)
    assert (found.lost, found.odd) == (lost + odd, odd)


@pytest.mark.parametrize(("turns", "restarts"), [(15, 0), (16, 0), (17, 1)])
def test_a_silence_of_sixteen_turns_is_the_longest_that_tells_what_was_lost(
    tmp_path: Path, turns: int, restarts: int
) -> None:
    count = 256 * turns
    frames = play([*range(600), *range(600 + count - 1, 2000 + count)], byte)
    found = one(tmp_path, frames)
    assert (found.restarts, found.lost) == (restarts, 0 if restarts else count - 1)


@pytest.mark.parametrize("value", [byte, big])
def test_a_bit_that_goes_to_and_fro_before_it_is_no_counter(tmp_path: Path, value) -> None:
    found = one(tmp_path, play([*range(1000)], lambda n: bytes([128 * (n & 1)]) + value(n)))
    assert (found.expected, found.received, found.offset) == (1000, 1000, 2 + len(value(0)))


def test_the_first_of_a_new_beginning_that_comes_again_is_doubled(tmp_path: Path) -> None:
    """The first of the new numbers shows that it began anew, the second is followed."""
    random = Random(8)
    frames = play([*range(600)], big) + [(0.6 + n * PACE_S, frame(big(30_000 + n), random)) for n in range(2)]
    frames += [(0.602, frame(big(30_001), random))]
    frames += [(0.603 + n * PACE_S, frame(big(30_002 + n), random)) for n in range(600)]
    found = one(tmp_path, frames)
    assert (found.restarts, found.duplicates, found.late, found.lost) == (1, 1, 0, 0)


@pytest.mark.parametrize(("on", "lost", "doubled"), [(192, 191, 0), (193, 0, 1)])
def test_of_a_byte_63_numbers_are_behind_and_all_others_ahead(
    tmp_path: Path, on: int, lost: int, doubled: int
) -> None:
    """A hundred paces after the last one."""
    random = Random(9)
    since = 999 + (on if lost else 0)
    frames = [*play([*range(1000)], byte), (0.999 + 0.1, frame(byte(999 + on), random))]
    frames += [(1.1 + n * PACE_S, frame(byte(since + 1 + n), random)) for n in range(600)]
    found = one(tmp_path, frames)
    assert (found.lost, found.duplicates, found.late) == (lost, doubled, 0)


@pytest.mark.parametrize(("ethertype", "found"), [(0x0600, 1), (0x05FF, 0), (0x88F7, 0), (0x8808, 0)])
def test_a_number_of_1536_is_the_least_ethertype(tmp_path: Path, ethertype: int, found: int) -> None:
    """IEEE 802.3: what is less is a length."""
    random = Random(4)
    frames = [
        (n * PACE_S, ethernet(GROUP, mac(7), ethertype, big(n) + random.randbytes(200))) for n in range(600)
    ]
    tally = studied(tmp_path, frames).tally
    assert len(tally.counted) == found


@pytest.mark.parametrize(("place", "found"), [(37, 1), (38, 0)])
def test_38_bytes_of_the_data_are_looked_at(tmp_path: Path, place: int, found: int) -> None:
    tally = studied(tmp_path, play([*range(600)], byte, before=bytes(place))).tally
    assert [each.offset for each in tally.counted] == [place] * found
