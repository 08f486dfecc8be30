"""What reading and fuzzing captures brought to light, each kept: times that are missing, out of all range or
leap."""

from pathlib import Path

import pytest

from preflight.frames import kernels as k
from tests.frames.made import FRAME, Pcap, Pcapng, read_bytes

pytestmark = pytest.mark.usefixtures("either_engine")

LE = Pcapng("<")
T = 1_795_600_000
NS = 10**9


def test_a_simple_packet_takes_the_time_of_the_frame_before_it(tmp_path: Path) -> None:
    content = LE.section() + LE.interface() + LE.packet(0, T * 10**6, FRAME) + LE.simple(FRAME)
    content += LE.statistics(0) + LE.simple(FRAME) + LE.packet(0, T * 10**6 + 1, FRAME)
    got = read_bytes(tmp_path, content)
    assert got[k.TIME] == [T * NS, T * NS, T * NS, T * NS + 1000]
    assert (got.source.steps_back, got.source.duration_s) == (0, 1e-6)


@pytest.mark.parametrize(
    ("resolution", "offset", "ticks"),
    [
        (9, 3_999_999_999, 8_900_000_000 * NS),  # beyond 63 bits together
        (9, -3_999_999_999, 0),  # before 1970
        (6, 0, 2**64 - 1),
        (6, 0, 2**63),
        (0, 0, 2**62),
        (0x80, 0, 2**62),
        (0x80 | 20, 3_999_999_999, 8_999_999_999 << 20),
        (0x80 | 20, 0, 9_000_000_001 << 20),
    ],
)
def test_a_time_out_of_range_is_malformed_and_moves_no_clock(
    tmp_path: Path, resolution: int, offset: int, ticks: int
) -> None:
    content = LE.section() + LE.interface() + LE.interface(resolution=resolution, offset=offset)
    content += (
        LE.packet(0, T * 10**6, FRAME) + LE.packet(1, ticks, FRAME) + LE.packet(0, T * 10**6 + 1, FRAME)
    )
    got = read_bytes(tmp_path, content)
    assert got[k.TIME] == [T * NS, T * NS + 1000]
    assert (got.source.malformed, got.source.steps_back, got.source.duration_s) == (1, 0, 1e-6)


def test_a_clock_that_leaps_to_and_fro_ends_nowhere_beyond_63_bits(tmp_path: Path) -> None:
    file = Pcap()
    content = file.header()
    for second in (0, 2**32 - 1) * 6:
        content += file.record(second, 0, FRAME)
    got = read_bytes(tmp_path, content)
    assert got[k.REL] == sorted(got[k.REL])
    assert got.source.steps_back >= 2
    assert got.source.duration_s > 2**32


def at(tmp_path: Path, milliseconds: list[int]):
    file = Pcap(nano=True)
    content = file.header() + b"".join(file.record(T, ms * 10**6, FRAME) for ms in milliseconds)
    return read_bytes(tmp_path, content)


def test_two_queues_one_behind_the_other_make_no_clock_that_runs_ahead(tmp_path: Path) -> None:
    """Of a loop on a busy machine: each fall was taken out for good, and ten seconds became eighteen."""
    queues = [ms - late for ms in range(100, 900, 2) for late in (0, 60)][:-1]
    got = at(tmp_path, queues)
    assert got.source.duration_s == pytest.approx(0.798) and got.source.steps_back == 0
    assert all(
        abs(rel - (ms - 100) * 10**6) <= 60 * 10**6 for rel, ms in zip(got[k.REL], queues, strict=True)
    )


def test_a_clock_that_was_set_back_stays_so(tmp_path: Path) -> None:
    got = at(tmp_path, [*range(200, 400, 2), *range(150, 700, 2)])
    assert (got.source.steps_back, got.source.longest_step_back_s) == (1, 0.248)
    assert got.source.duration_s == pytest.approx(0.198 + 0.548)
