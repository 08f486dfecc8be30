"""Which flows are steady, and which of them are streams."""

import random
import struct
from pathlib import Path

import dpkt
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.study import surveyed
from tests.tally.captures import Timed, broadcast, ethernet, every, mac, mirrored, rtp, studied, udp, write


def numbered(n: int) -> bytes:
    return udp(1, "233.252.0.1", 6000, struct.pack(">I", n))


def at(times: list[float]) -> list[Timed]:
    return [(time, numbered(n)) for n, time in enumerate(times)]


def jittered(period: float, share: float, end: float) -> list[Timed]:
    chance = random.Random(7)
    return at(
        [max(n * period + chance.uniform(-share, share) * period, 0) for n in range(round(end / period))]
    )


def held_up(per_s: int, since: float, until: float, end: float) -> list[Timed]:
    """A sender on a busy machine: it pauses, then sends at once what it owes."""
    times = [n / per_s for n in range(round(end * per_s))]
    return at([until + 5e-5 * (time - since) * per_s if since <= time < until else time for time in times])


def by_chance(per_s: float, end: float) -> list[Timed]:
    chance, times, now = random.Random(7), [], 0.0
    while now < end:
        times.append(now)
        now += chance.expovariate(per_s)
    return at(times)


@pytest.mark.parametrize(
    ("frames", "steady"),
    [
        (every(0.1, numbered, 0, 3), True),
        (every(0.04, numbered, 0, 3), True),
        (every(0.001, numbered, 0.35, 1.25), True),  # starts and stops
        (jittered(0.002, 0.4, 3), True),
        (jittered(0.02, 0.4, 3), True),
        (every(0.1, numbered, 0, 0.3), False),  # too brief to tell
        (by_chance(15, 5), False),
        (by_chance(60, 5), False),
        (at([s + n / 1000 for s in range(6) for n in range(50)]), False),  # fifty, and silence
        (
            at([n / 100 for n in range(100)] + [1.01 + n / 10000 for n in range(300)]),
            False,
        ),  # ends in a burst
        (every(0.01, numbered, 0, 1) + every(0.002, numbered, 1, 2), False),
        (held_up(100, 1.22, 1.53, 4), True),
        (held_up(200, 0.78, 1.05, 4), True),
        (held_up(200, 1.645, 1.84, 2), True),  # a brief capture
        (held_up(200, 0.11, 0.41, 4), True),  # before its pace is known
        (held_up(100, 0.25, 0.55, 0.8), False),  # and it never is
        (held_up(100, 1.22, 3.53, 6), False),  # two seconds: who knows what that was
        (every(0.01, numbered, 0, 1) + every(0.0001, numbered, 1.4, 1.6), False),  # silence, and then a flood
    ],
)
def test_steady(tmp_path, frames, steady):
    (flow,) = studied(tmp_path, frames).tally.flows
    assert flow.steady == steady, flow


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(
    ("frames", "stream"),
    [
        (every(0.001, lambda n: rtp(1, "233.252.0.1", n), 0, 1), True),
        # RTP that pauses, and RTP of which hardly anything was heard
        ([(s + n / 1000, rtp(1, "233.252.0.1", 100 * s + n)) for s in range(3) for n in range(40)], True),
        (every(0.001, lambda n: rtp(1, "233.252.0.1", n), 0, 0.05), True),
        (every(0.001, numbered, 0, 1), True),
        (every(0.001, lambda _: numbered(1), 0, 1), False),  # never changes
        (every(0.15, numbered, 0, 3), False),  # a slow beat
        (at([s + n / 1000 for s in range(6) for n in range(50)]), False),
        (every(0.001, lambda n: udp(1, "224.0.0.251", 5353, struct.pack(">I", n)), 0, 1), False),
    ],
)
def test_stream(tmp_path, frames, stream, see):
    (flow,) = studied(tmp_path, see(frames)).tally.flows
    assert flow.stream == stream, flow


def bunched(pace: int, empty: int, bunch: int) -> list[Timed]:
    """Eight bins of a pace, so many empty ones, and a bunch in the next."""
    times = [(n + k / pace) / 10 for n in range(8) for k in range(pace)]
    return at([*times, *((8 + empty) / 10 + k * 1e-4 for k in range(bunch)), (9 + empty) / 10])


@pytest.mark.parametrize(
    ("pace", "empty", "bunch", "bins", "mean"),
    [
        (10, 3, 19, 8, 89 / 8),  # less than twice the pace is no bunch
        (10, 3, 20, 11, 90 / 11),
        (1, 6, 7, 8, 14 / 8),  # nor are fewer than eight frames
        (1, 6, 8, 14, 15 / 14),
        (10, 9, 44, 7, 114 / 7),  # half the pace at least, over the bins from the last one on
        (10, 9, 45, 17, 115 / 17),
        (10, 9, 210, 17, 280 / 17),  # and twice at most
        (10, 9, 211, 7, 281 / 7),
    ],
)
def test_a_bunch_is_what_was_owed(
    tmp_path: Path, pace: int, empty: int, bunch: int, bins: int, mean: float
) -> None:
    (flow,) = studied(tmp_path, bunched(pace, empty, bunch)).tally.flows
    assert (flow.bins, flow.bin_mean) == (bins, pytest.approx(mean))


@pytest.mark.parametrize(("early", "bins"), [(4, 5), (5, 9)])
def test_a_bunch_before_the_pace_is_known_waits_for_it(tmp_path: Path, early: int, bins: int) -> None:
    """Held up from the second bin on; then as many bins as tell the pace, or one fewer."""
    times = [k / 100 for k in range(10)] + [0.4 + k * 1e-4 for k in range(40)]
    times += [0.5 + n / 100 for n in range(10 * early + 1)]
    (flow,) = studied(tmp_path, at(times)).tally.flows
    assert flow.bins == bins


def test_flows_of_rtp_are_told_by_numbers_or_by_a_stream(tmp_path: Path) -> None:
    """Numbers that go on, too few for a stream; a stream of every second and one of every third packet; and
    what is neither."""
    frames = [(n / 100, rtp(1, "233.252.0.1", 2 * n + (n % 5 < 2))) for n in range(100)]
    frames += [(n / 100, rtp(2, "233.252.0.2", 3 * n)) for n in range(100)]
    frames += [(n / 100, rtp(3, "233.252.0.3", 7919 * n * n)) for n in range(100)]
    frames += [(n / 100, udp(4, "233.252.0.4", 5004, struct.pack(">I", n))) for n in range(100)]
    frames += [(n / 100, rtp(5, "233.252.0.5", n)) for n in range(8)]
    facts, survey = surveyed(str(write(tmp_path / "made.pcap", frames)))
    assert len(facts.tally.flows) == 5
    assert np.count_nonzero(survey.rtp_flows()) == 3


@pytest.mark.parametrize(
    ("length", "size", "broken"),
    [(29, 66_000, False), (29, 66_001, True), (0, 66_001, False), (1, 66_001, True)],
)
def test_a_record_longer_than_what_is_sent_is_broken_unless_its_packet_leaves_its_length_open(
    tmp_path: Path, length: int, size: int, broken: bool
) -> None:
    """A length of 0 is more than the field can tell (RFC 2675), or left to the adapter."""
    frame = udp(1, "192.0.2.9", 6000, b"x", mac(9))
    frame = (frame[:16] + length.to_bytes(2) + frame[18:]).ljust(size, b"\0")
    (flow,) = studied(tmp_path, [(0.0, frame)], snap=200).tally.flows
    assert flow.broken is broken


def test_an_ipv6_header_has_no_checksum_that_could_be_wrong(tmp_path: Path) -> None:
    """RFC 8200 section 3."""
    head = bytes.fromhex("6000000000091140" + "20010db8" + "00" * 11 + "01" + "20010db8" + "00" * 11 + "02")
    frame = ethernet(mac(9), mac(1), 0x86DD, head + struct.pack(">HHHH", 6000, 6000, 9, 0) + b"x")
    (flow,) = studied(tmp_path, [(0.0, frame)]).tally.flows
    assert not flow.broken


def test_of_its_first_tenth_of_a_second_a_flow_has_only_a_part(tmp_path: Path) -> None:
    """Nor is the last one whole yet."""
    frames = every(0.01, numbered, 0.35, 1.25)
    flow, _ = studied(tmp_path, [(0.0, broadcast(3, 1))], frames).tally.flows
    assert (flow.frames, flow.bins, flow.bin_mean, flow.bin_deviation) == (90, 8, 10.0, 0.0)


@pytest.mark.parametrize(("snap", "broken"), [(60, True), (59, False)])
def test_a_header_longer_than_its_frame_is_broken_unless_the_capture_cut_it(
    tmp_path: Path, snap: int, broken: bool
) -> None:
    frame = bytearray(udp(1, "192.0.2.9", 6000, b"x", mac(9)))
    frame[14] = 0x4F  # 60 bytes, of which 46 are there
    (flow,) = studied(tmp_path, [(0.0, bytes(frame))], snap=snap).tally.flows
    assert flow.broken is broken


def test_what_was_owed_counts_as_even_as_it_can_be_in_the_bins_that_had_none(tmp_path: Path) -> None:
    (flow,) = studied(tmp_path, held_up(95, 1.22, 1.53, 4)).tally.flows
    times = np.arange(4 * 95) / 95
    bins = np.bincount((times * 10 + 1e-9).astype(int))
    assert bins[12:16].sum() == 38
    bins[12:16] = (10, 10, 9, 9)
    assert flow.bins == 38 and flow.bin_mean == pytest.approx(bins[1:39].mean())
    assert flow.bin_deviation == pytest.approx(bins[1:39].std())


@settings(max_examples=50, deadline=None)
@given(options=st.binary(max_size=40), body=st.binary(min_size=9, max_size=9), flipped=st.integers(0, 159))
def test_a_header_is_broken_where_its_checksum_is_wrong(
    tmp_path_factory, options: bytes, body: bytes, flipped: int
) -> None:
    """As dpkt reckons it (RFC 1071)."""
    options = options[: len(options) // 4 * 4]
    head = bytes([0x45 + len(options) // 4]) + body[:1] + struct.pack(">H", 29 + len(options)) + body[1:5]
    head += bytes([64, 17, 0, 0, 192, 0, 2, 1]) + body[5:] + options
    summed = dpkt.in_cksum(head)
    head = head[:10] + struct.pack(">H", summed) + head[12:]
    wrong = bytearray(head)
    wrong[flipped // 8] ^= 1 << flipped % 8
    for each, broken in ((head, False), (bytes(wrong), True)):
        # Nothing is said of a checksum of 0, nor is another version's looked at, and lengths have their own test.
        if each[10:12] == bytes(2) or each[0] != head[0] or each[2:4] != head[2:4]:
            continue
        frame = ethernet(mac(9), mac(1), 0x0800, each + struct.pack(">HHHH", 6000, 6000, 9, 0) + b"x")
        (flow,) = studied(tmp_path_factory.mktemp("sum"), [(0.0, frame)]).tally.flows
        assert flow.broken is broken


def test_of_a_table_that_is_nearly_full_every_row_counts(tmp_path: Path, monkeypatch) -> None:
    """The first one, too. Each flow counts on as RTP does, and sends its last packet eight times at once."""
    monkeypatch.setattr("preflight.tally.tally.FLOW_ROWS", 64)
    senders = range(1, 57)
    frames = [(n / 1000, rtp(sender, "233.252.0.1", n)) for n in range(20) for sender in senders]
    frames += [(0.019 + n * 1e-5, rtp(sender, "233.252.0.1", 19)) for n in range(1, 8) for sender in senders]
    facts, survey = surveyed(str(write(tmp_path / "made.pcap", frames)))
    flows = facts.tally.flows
    assert len(flows) == 56 and facts.tally.flow_overflow == 0
    assert all(flow.repeats is not None for flow in flows)
    assert np.count_nonzero(survey.rtp_flows()) == 56
