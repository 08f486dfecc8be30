"""RTP streams against RFC 3550: extended sequence numbers (A.1), loss (A.3), jitter (A.8) on a sequence worked by hand."""

import random
from pathlib import Path

import pytest

from preflight.tally.facts import RtpStream
from tests.tally.captures import Timed, mirrored, rtp, studied, udp

GROUP = "233.252.0.9"
MS = 0.001


def stream(folder: Path, frames: list[Timed]) -> RtpStream:
    tally = studied(folder, frames).tally
    assert tally is not None
    (found,) = tally.streams
    return found


def steady(count: int, first: int = 0, start: float = 0.0) -> list[Timed]:
    return [(start + n * MS, rtp(5, GROUP, first + n)) for n in range(count)]


def test_a_healthy_stream_is_measured(tmp_path: Path) -> None:
    """48 samples of 8 channels of 24 bit a millisecond, as AES67 sends it (packet time from memory)."""
    found = stream(tmp_path, steady(500))
    assert (found.expected, found.received, found.lost, found.late, found.duplicates) == (500, 500, 0, 0, 0)
    assert (found.clock_hz, found.packet_stamps, found.media_bytes) == (48000, 48, 8 * 3 * 48)
    assert found.packet_time_s == pytest.approx(MS)
    assert found.most_jitter == 0
    assert found.delay_spread_s == pytest.approx(0, abs=1e-6)


def test_jitter_as_worked_by_hand(tmp_path: Path) -> None:
    """RFC 3550 A.8, J += d - ((J + 8) >> 4) on 16 J, in units of 1/48000 s. A packet that comes 1 ms late for good has d = 48,
    the next has 0, one that comes 2 ms late for good has 96:

    48 - (8 >> 4) = 48;  48 - (56 >> 4) = 45;  45 + 96 - (53 >> 4) = 138;  so J = 138 / 16 = 8.625."""
    frames = steady(200)
    later = 199 * MS
    for number, wait in ((200, 2 * MS), (201, MS), (202, 3 * MS)):
        later += wait
        frames.append((later, rtp(5, GROUP, number)))
    found = stream(tmp_path, frames)
    assert found.most_jitter == 138 / 16
    assert found.delay_spread_s == pytest.approx(3 * MS)


def test_loss_is_counted_over_the_wrap(tmp_path: Path) -> None:
    """A.1: the 16-bit numbers go on after 65535; A.3: lost is expected less received."""
    frames = [frame for n, frame in enumerate(steady(400, first=65400)) if n not in (10, *range(130, 160))]
    found = stream(tmp_path, frames)
    assert (found.expected, found.lost, found.losses, found.longest_loss) == (400, 31, 2, 30)
    assert found.longest_loss_frame == 130  # 129 frames stand before the gap: one of 130 is missing already
    assert found.longest_wait_s == pytest.approx(31 * MS)


def test_late_and_doubled_packets_are_no_loss(tmp_path: Path) -> None:
    frames = steady(300)
    order = list(range(300))
    order[50], order[51] = 51, 50
    order[100:104] = [103, 100, 101, 102]
    moved = [(frames[place][0], frames[number][1]) for place, number in enumerate(order)]
    moved.append((0.2005, frames[200][1]))
    found = stream(tmp_path, moved)
    assert (found.expected, found.received, found.lost, found.late, found.duplicates) == (300, 300, 0, 4, 1)


def test_a_mirror_doubles_and_loses_nothing(tmp_path: Path) -> None:
    found = stream(tmp_path, mirrored(steady(300)))
    assert (found.lost, found.duplicates, found.packet_stamps) == (0, 300, 48)


def test_a_sender_that_starts_anew_is_no_loss(tmp_path: Path) -> None:
    found = stream(tmp_path, steady(200, first=40000) + steady(200, first=5, start=0.5))
    assert (found.restarts, found.lost, found.expected) == (1, 0, 400)
    assert found.longest_wait_s == pytest.approx(0.301)  # a stream that broke off for long begins as anew


@pytest.mark.parametrize("hz", [44100, 48000, 88200, 96000, 192000])
def test_the_clock_of_a_stream_is_found(tmp_path: Path, hz: int) -> None:
    samples = hz // 1000 if hz % 1000 == 0 else 48
    random.seed(hz)
    frames = [
        (n * samples / hz + random.uniform(0, 2e-4), rtp(5, GROUP, n, samples=samples)) for n in range(600)
    ]
    found = stream(tmp_path, frames)
    assert (found.clock_hz, found.packet_stamps) == (hz, samples)


def test_what_only_looks_like_rtp_is_not_real(tmp_path: Path) -> None:
    random.seed(1)
    frames = [(n * MS, rtp(5, GROUP, random.randrange(1 << 16))) for n in range(300)]
    assert not stream(tmp_path, frames).real


def test_only_media_counts_as_media(tmp_path: Path) -> None:
    """RFC 3550 sections 5.1 and 5.3.1: contributing sources and an extension stand before it, padding behind it."""
    frames = []
    for time, frame in steady(100):
        head, media = bytearray(frame[42:54]), frame[54:]
        head[0] |= 0x32
        extension = b"\xbe\xde" + (3).to_bytes(2) + bytes(12)
        frames.append((time, udp(5, GROUP, 5004, bytes(head) + bytes(8) + extension + media + b"\0\0\0\4")))
    assert stream(tmp_path, frames).media_bytes == 1152
    tally = studied(tmp_path, frames, snap=60).tally
    assert tally is not None and tally.streams[0].media_bytes == 0  # cut: the extension is not seen


def test_packets_of_many_sizes_tell_no_layout(tmp_path: Path) -> None:
    frames = [(n * MS, rtp(5, GROUP, n, bytes(100 + n % 7))) for n in range(300)]
    assert stream(tmp_path, frames).media_bytes == 0
