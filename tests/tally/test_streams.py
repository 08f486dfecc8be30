"""RTP streams against RFC 3550: extended sequence numbers (A.1), loss (A.3), jitter (A.8) on a sequence
worked by hand."""

import random
from dataclasses import replace
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
    """RFC 3550 A.8, J += d - ((J + 8) >> 4) on 16 J, in units of 1/48000 s. A packet that comes 1 ms late for
    good has d = 48, the next has 0, one that comes 2 ms late for good has 96:

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
    """RFC 3550 sections 5.1 and 5.3.1: contributing sources and an extension stand before it, padding behind
    it."""
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


@pytest.mark.parametrize(
    ("behind", "late", "duplicates", "restarts"),
    [
        (0, 0, 1, 0),
        (1, 0, 1, 0),
        (61, 0, 1, 0),
        (62, 0, 1, 0),
        (99, 0, 1, 0),
        (100, 0, 0, 1),
        (3000, 0, 0, 1),
    ],
)
def test_a_packet_up_to_99_numbers_behind_is_none_anew(
    tmp_path: Path, behind: int, late: int, duplicates: int, restarts: int
) -> None:
    """RFC 3550 A.1: MAX_MISORDER is 100. The timestamp is of another beginning."""
    odd = bytearray(rtp(5, GROUP, 5199 - behind))
    odd[-1152 - 8] ^= 0x40
    found = stream(tmp_path, [*steady(200, first=5000), (0.3, bytes(odd))])
    assert (found.late, found.duplicates, found.restarts) == (late, duplicates, restarts)
    assert found.received == 200 + restarts


@pytest.mark.parametrize(("behind", "restarts"), [(100, 0), (2999, 0), (3000, 1)])
def test_a_packet_from_long_ago_is_no_beginning(tmp_path: Path, behind: int, restarts: int) -> None:
    """Its timestamp is as far behind as its number: the stream goes on, and lost nothing."""
    more = steady(200, first=5200, start=0.301)
    found = stream(tmp_path, [*steady(200, first=5000), (0.3, rtp(5, GROUP, 5199 - behind)), *more])
    assert found.restarts >= restarts and (restarts or (found.lost, found.duplicates) == (0, 1))


def test_all_packets_once_more_a_while_later(tmp_path: Path) -> None:
    """As captures of two places that were put into one file."""
    frames = steady(1000)
    found = stream(tmp_path, sorted(frames + [(at + 0.2005, data) for at, data in frames]))
    assert (found.expected, found.lost, found.restarts, found.duplicates) == (1000, 0, 0, 1000)


@pytest.mark.parametrize(("ahead", "lost", "restarts"), [(1, 0, 0), (2, 1, 0), (2999, 2998, 0), (3000, 0, 1)])
def test_a_jump_of_3000_numbers_is_a_beginning(tmp_path: Path, ahead: int, lost: int, restarts: int) -> None:
    """RFC 3550 A.1: MAX_DROPOUT is 3000."""
    found = stream(tmp_path, [*steady(200), (0.3, rtp(5, GROUP, 199 + ahead))])
    assert (found.lost, found.restarts, found.longest_loss) == (lost, restarts, lost)
    assert found.losses == len(found.first_losses) == (lost > 0)


@pytest.mark.parametrize(("behind", "late"), [(1, 1), (61, 1), (62, 0)])
def test_a_late_packet_is_told_from_one_that_comes_twice(tmp_path: Path, behind: int, late: int) -> None:
    """The last 62 numbers are remembered; what is older counts as come before."""
    frames = [frame for n, frame in enumerate(steady(200)) if n != 199 - behind]
    late_one = rtp(5, GROUP, 199 - behind)
    found = stream(tmp_path, [*frames, (0.3, late_one), (0.301, late_one)])
    assert (found.late, found.duplicates, found.lost) == (late, 2 - late, 1 - late)


@pytest.mark.parametrize(("ahead", "late"), [(61, 1), (62, 1), (63, 0), (70, 0)])
def test_a_jump_forgets_what_is_too_old(tmp_path: Path, ahead: int, late: int) -> None:
    """After a jump by `ahead` comes the first packet jumped over: late, or too old to be known; the last
    before it is known."""
    found = stream(tmp_path, [*steady(100), (0.2, rtp(5, GROUP, 99 + ahead)), (0.21, rtp(5, GROUP, 100))])
    assert (found.late, found.duplicates) == (late, 1 - late)
    again = stream(tmp_path, [*steady(100), (0.2, rtp(5, GROUP, 99 + ahead)), (0.21, rtp(5, GROUP, 99))])
    assert (again.late, again.duplicates) == (0, 1)


def test_the_first_sixteen_losses_are_kept(tmp_path: Path) -> None:
    frames = [frame for n, frame in enumerate(steady(400)) if n % 20 != 10 and n != 31]
    found = stream(tmp_path, frames)
    assert (found.losses, len(found.first_losses), found.lost) == (20, 16, 21)
    first = found.first_losses[0]
    assert (first.packets, first.start_s, first.end_s, first.frame) == (1, 0.009, 0.011, 11)
    assert found.last_loss_s == pytest.approx(0.391)
    whole = stream(tmp_path, steady(20))
    assert (whole.last_loss_s, whole.longest_loss_s, whole.longest_loss_frame) == (None, None, None)


LIMITS = [
    (7759, None), (7760, 8000), (8239, 8000), (8240, None), (15519, None), (15520, 16000), (16479, 16000), (16480, None),
    (31039, None), (31040, 32000), (32959, 32000), (32960, None), (42776, None), (42777, 44100), (45422, 44100),
    (45423, None), (46559, None), (46560, 48000), (49439, 48000), (49440, None), (85553, None), (85554, 88200),
    (88749, 88200), (88750, 90000), (92699, 90000), (92700, None), (93119, None), (93120, 96000), (98879, 96000),
    (98880, None), (171107, None), (171108, 176400), (181691, 176400), (181692, None), (186239, None), (186240, 192000), (197759, 192000), (197760, None),
]  # fmt: skip


@pytest.mark.parametrize(("units", "hz"), LIMITS)
def test_a_clock_within_3_percent_of_a_known_one_is_that(tmp_path: Path, units: int, hz: int | None) -> None:
    frames = [(float(n), rtp(5, GROUP, n, samples=units)) for n in range(33)]
    assert stream(tmp_path, frames).clock_hz == hz


@pytest.mark.parametrize(
    ("packets", "period_s", "told"), [(31, 0.01, False), (32, 0.01, True), (101, MS, True), (100, MS, False)]
)
def test_a_clock_takes_32_packets_and_100_ms(
    tmp_path: Path, packets: int, period_s: float, told: bool
) -> None:
    samples = round(48000 * period_s)
    frames = [(n * period_s, rtp(5, GROUP, n, samples=samples)) for n in range(packets)]
    assert (stream(tmp_path, frames).clock_hz is not None) == told


@pytest.mark.parametrize(("kind", "found"), [(71, 1), (72, 0), (76, 0), (77, 1), (127, 1)])
def test_packets_of_rtcp_are_no_stream(tmp_path: Path, kind: int, found: int) -> None:
    """RFC 5761: payload types 72 to 76; the marker bit is none of the type."""
    frame = bytearray(rtp(5, GROUP, 1))
    frame[43] = 0x80 | kind
    tally = studied(tmp_path, [(0.0, bytes(frame))]).tally
    assert [each.payload_type for each in tally.streams] == [kind] * found


@pytest.mark.parametrize(("version", "found"), [(1, 0), (2, 1), (3, 0)])
def test_a_stream_is_of_version_2(tmp_path: Path, version: int, found: int) -> None:
    frame = bytearray(rtp(5, GROUP, 1))
    frame[42] = version << 6
    assert len(studied(tmp_path, [(0.0, bytes(frame))]).tally.streams) == found


@pytest.mark.parametrize(("snap", "found"), [(53, 0), (54, 1)])
def test_a_stream_is_told_by_twelve_bytes(tmp_path: Path, snap: int, found: int) -> None:
    assert len(studied(tmp_path, steady(1), snap=snap).tally.streams) == found


def test_the_delay_spread_is_of_one_second(tmp_path: Path) -> None:
    """One packet 2 ms late in one second, and one 3 ms late in the next: the spread of both would be no more
    than 3 ms."""
    frames = steady(3000)
    for number, late in ((1500, 2), (2400, 3)):
        frames[number] = (frames[number][0] + late * MS - 1e-6, frames[number][1])
        for after in range(1, late):
            frames[number + after] = (frames[number][0] + after * 1e-7, frames[number + after][1])
    found = stream(tmp_path, frames)
    assert found.delay_spread_s == pytest.approx(3 * MS - 1e-6)
    assert found.delay_spread_at_s == pytest.approx(2.403, abs=1e-5)
    assert found.longest_wait_s == pytest.approx(4 * MS - 1e-6)
    assert (found.longest_wait_frame, found.longest_wait_at_s) == (2401, pytest.approx(2.403, abs=1e-5))


@pytest.mark.parametrize(
    ("units", "jumps"), [(24048, 0), (24049, 1), (3600 * 48000, 1), (-23952, 0), (-23953, 1)]
)
def test_a_timestamp_that_jumps_by_half_a_second_is_told_and_is_no_delay(
    tmp_path: Path, units: int, jumps: int
) -> None:
    """Beside the millisecond that went by: a source that was set, not a packet that took so long."""
    found = _jumped(tmp_path, units)
    assert found.stamp_jumps == jumps
    assert found.delay_spread_s == pytest.approx(0 if jumps else 0.5, abs=2 * MS)
    if jumps:
        assert (found.stamp_jump, found.stamp_jumped_frame) == (units, 201)
        assert found.stamp_jumped_s == pytest.approx(0.2)


@pytest.mark.parametrize(("marker", "silent"), [(0, 48), (0x80, 23)])
def test_who_speaks_after_a_silence_without_a_word_of_it_or_a_timestamp_waited(
    tmp_path: Path, marker: int, silent: int
) -> None:
    """Of 48 ms in which nothing came the timestamps, or the marker, tell no more than half."""
    found = stream(tmp_path, _after_a_silence(marker, silent))
    assert found.longest_wait_s == pytest.approx(49 * MS) and found.longest_still_s == 0


def test_who_begins_to_speak_was_still(tmp_path: Path) -> None:
    found = stream(tmp_path, _after_a_silence(0x80, 48))
    assert found.longest_wait_s == pytest.approx(MS) and found.longest_still_s == pytest.approx(49 * MS)
    assert (found.lost, found.stamp_jumps) == (0, 0)


def _after_a_silence(marker: int, silent_ms: int) -> list[Timed]:
    """Packets from 249 ms on, the first with the marker; 200 before. The timestamps tell of `silent_ms`
    between them."""
    frames = steady(300)
    for n in range(200, 300):
        frame = bytearray(frames[n][1])
        stamp = int.from_bytes(frame[46:50]) + 48 * silent_ms
        frame[46:50] = stamp.to_bytes(4)
        frame[43] |= marker if n == 200 else 0
        frames[n] = (frames[n][0] + 48 * MS, bytes(frame))
    return frames


def _jumped(folder: Path, units: int) -> RtpStream:
    frames = steady(300)
    for n in range(200, 300):
        frame = bytearray(frames[n][1])
        stamp = int.from_bytes(frame[46:50]) + units - 48 & 0xFFFFFFFF
        frame[46:50] = stamp.to_bytes(4)
        frames[n] = (frames[n][0], bytes(frame))
    return stream(folder, frames)


@pytest.mark.parametrize("head", [0x80, 0x81, 0x82, 0x8F])
def test_contributing_sources_are_no_media(tmp_path: Path, head: int) -> None:
    """RFC 3550 section 5.1: four bytes for each of up to fifteen."""
    frames = [(at, frame[:42] + bytes([head]) + frame[43:-1] + b"\7") for at, frame in steady(10)]
    assert stream(tmp_path, frames).media_bytes == 1152 - 4 * (head & 15)


@pytest.mark.parametrize(("snap", "media"), [(57, 0), (58, 1152 - 16)])
def test_an_extension_tells_its_length_in_four_bytes(tmp_path: Path, snap: int, media: int) -> None:
    frames = [
        (at, frame[:42] + b"\x90" + frame[43:54] + b"\xbe\xde\0\3" + frame[58:]) for at, frame in steady(10)
    ]
    assert studied(tmp_path, frames, snap=snap).tally.streams[0].media_bytes == media


@pytest.mark.parametrize(("snap", "media"), [(1205, 0), (1206, 1152 - 4)])
def test_padding_tells_its_length_in_its_last_byte(tmp_path: Path, snap: int, media: int) -> None:
    frames = [(at, frame[:42] + b"\xa0" + frame[43:-1] + b"\4") for at, frame in steady(10)]
    assert studied(tmp_path, frames, snap=snap).tally.streams[0].media_bytes == media


def test_of_losses_as_long_the_first_is_told(tmp_path: Path) -> None:
    found = stream(tmp_path, [frame for n, frame in enumerate(steady(300)) if n not in (100, 200)])
    assert (found.longest_loss, found.longest_loss_frame, found.longest_loss_s) == (1, 101, 0.101)


@pytest.mark.parametrize(("same", "told"), [(51, 1152), (50, 0)])
def test_media_is_that_of_most_packets(tmp_path: Path, same: int, told: int) -> None:
    frames = [(n * MS, rtp(5, GROUP, n, bytes(1152 if n < same else 100 + n))) for n in range(100)]
    assert stream(tmp_path, frames).media_bytes == told


@pytest.mark.parametrize(("same", "told"), [(53, 48), (52, None)])
def test_packets_go_on_by_what_most_do(tmp_path: Path, same: int, told: int | None) -> None:
    frames = [(n * MS, rtp(5, GROUP, n, samples=48 if n < same else 50 + n)) for n in range(100)]
    assert stream(tmp_path, frames).packet_stamps == told


@pytest.mark.parametrize(
    ("changes", "real"),
    [
        ({"packets": 10}, True),
        ({"packets": 9}, False),
        ({"expected": 400, "received": 100}, True),
        ({"expected": 401, "received": 100}, True),
        ({"expected": 400, "received": 100, "packet_stamps": None}, True),
        ({"expected": 401, "received": 100, "packet_stamps": None}, False),
        ({"duplicates": 301}, True),
        ({"duplicates": 300, "packet_stamps": None}, True),
        ({"duplicates": 301, "packet_stamps": None}, False),
    ],
)
def test_the_limits_of_what_is_rtp(  # timestamps that go on with the numbers tell it at any loss
    tmp_path: Path, changes: dict, real: bool
) -> None:
    assert replace(stream(tmp_path, steady(100)), **changes).real == real


def test_what_a_packet_holds_is_what_most_hold(tmp_path: Path) -> None:
    """The first three are of another format: 24 samples, and other bytes."""
    odd = [(n * MS / 2, rtp(5, GROUP, n, bytes(100), samples=24)) for n in range(3)]
    later = [(0.0015 + n * MS, rtp(5, GROUP, 3 + n)) for n in range(300)]
    frames = []
    for n, (at, data) in enumerate(odd + later):  # stamps go on from the odd ones
        stamp = 24 * n if n < 3 else 72 + 48 * (n - 3)
        frames.append((at, data[:46] + stamp.to_bytes(4) + data[50:]))
    found = stream(tmp_path, frames)
    assert (found.packet_stamps, found.media_bytes, found.clock_hz) == (48, 1152, 48000)
    assert found.packet_time_s == pytest.approx(MS)


def test_a_rate_is_that_of_the_whole_run(tmp_path: Path) -> None:
    """The first 100 packets come as at 32 kHz, then it has caught up; jitter is measured by the right
    rate."""
    frames = [
        (at * 1.5 if n < 100 else max(at, 0.15 + n * 1e-8), data) for n, (at, data) in enumerate(steady(3000))
    ]
    found = stream(tmp_path, frames)
    assert found.clock_hz == 48000
    assert found.course is not None and found.course.per_s == pytest.approx(48000, rel=1e-4)
    assert found.most_jitter / 48000 < 2 * MS and found.delay_spread_s < 0.06


def test_a_sender_that_changes_its_rate_is_told_by_the_new_one(tmp_path: Path) -> None:
    again = [(2.0 + n * MS, rtp(5, GROUP, 20_000 + n, samples=96)) for n in range(4000)]
    found = stream(tmp_path, steady(2000) + again)
    assert (found.clock_hz, found.restarts) == (96000, 1)
    assert found.course.since_s == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("gone", "wait_s", "is_lost"),
    [
        (5000, 2.499, False),
        (5000, 2.5, True),
        (5000, 10.0, True),
        (5000, 10.001, False),
        (20_000, 40.0, True),
    ],
)
def test_a_long_loss_is_one_where_half_to_twice_the_time_went_by(
    tmp_path: Path, gone: int, wait_s: float, is_lost: bool
) -> None:
    """Packets of 1 ms by their numbers and timestamps; else the sender began anew."""
    found = stream(tmp_path, [*steady(200), (0.199 + wait_s, rtp(5, GROUP, 199 + gone))])
    assert (found.lost, found.restarts) == ((gone - 1, 0) if is_lost else (0, 1))


def test_the_delay_spread_of_a_packet_that_comes_early_is_exact(tmp_path: Path) -> None:
    frames = steady(1500)
    frames[1200] = (frames[1200][0] - 0.0001, frames[1200][1])
    assert stream(tmp_path, frames).delay_spread_s == 0.0001


@pytest.mark.parametrize("ahead", [61, 62, 63, 500])
def test_a_packet_that_comes_twice_after_a_jump_is_doubled(tmp_path: Path, ahead: int) -> None:
    after = rtp(5, GROUP, 99 + ahead)
    found = stream(tmp_path, [*steady(100), (0.2, after), (0.3, after)])
    assert (found.late, found.duplicates, found.lost) == (0, 1, ahead - 1)
