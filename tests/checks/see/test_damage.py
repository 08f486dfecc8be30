"""Damage: twice at the least, of a kind; headers from two senders, for one computer leaves its checksums to
its adapter."""

import pytest

from preflight.checks.see.damage import damaged, damaged_arp, damaged_headers
from tests.tally.captures import arp, studied, udp


def operation(number: int) -> bytes:
    frame = arp(5, 6)
    return frame[:20] + number.to_bytes(2) + frame[22:]


def broken(sender: int, port: int = 6000) -> bytes:
    """Its header has a checksum that is none."""
    frame = udp(sender, "233.252.0.1", port, b"x")
    return frame[:24] + b"\x12\x34" + frame[26:]


def timed(*frames: bytes):
    return [(n / 10, frame) for n, frame in enumerate(frames)]


@pytest.mark.parametrize(
    ("numbers", "count"), [((1, 2, 25), 0), ((0, 1), 1), ((26, 1), 1), ((0, 26), 2), ((300, 26, 0), 3)]
)
def test_operations_of_arp_that_do_not_exist(tmp_path, numbers, count):
    facts = studied(tmp_path, timed(*map(operation, numbers)))
    assert damaged_arp(facts) == count and damaged(facts) is (count >= 2)


@pytest.mark.parametrize(
    ("frames", "count"),
    [
        ([broken(1)], 0),
        ([broken(1), broken(1, 6001), broken(1, 6002)], 0),
        ([broken(1), broken(2)], 2),
        ([broken(1), broken(2), broken(2, 6001)], 3),
        ([udp(1, "233.252.0.1", 6000, b"x"), udp(2, "233.252.0.1", 6000, b"x")], 0),
    ],
)
def test_headers_that_their_checksums_refute(tmp_path, frames, count):
    facts = studied(tmp_path, timed(*frames))
    assert damaged_headers(facts) == count and damaged(facts) is (count > 0)
