"""Who sends what: counts by sender, and what a flow is told by."""

import struct
from pathlib import Path

import pytest

from preflight.study import study
from preflight.tally.facts import Flow
from tests.lab import frames as raw
from tests.tally.captures import (
    Timed,
    arp,
    broadcast,
    ethernet,
    every,
    mac,
    rtp,
    studied,
    udp,
    write_with_direction,
)


def flow(folder: Path, frames: list[Timed], snap: int = 65535) -> Flow:
    (found,) = studied(folder, frames, snap=snap).tally.flows
    return found


def test_senders_are_counted(tmp_path: Path) -> None:
    """The first second holds two broadcasts of the first, the next three."""
    frames = [(at, broadcast(1, round(100 * at), 100)) for at in (0.0, 0.999, 1.0, 1.5, 1.999)]
    frames += [(0.5, udp(1, "192.0.2.7", 7000, b"x", mac(7))), (0.25, rtp(2, "233.252.0.9", 1))]
    first, second = studied(tmp_path, frames).tally.talkers
    assert (first.hardware, first.frames, first.broadcast, first.most_broadcast) == (mac(1), 6, 5, 3)
    assert (first.bytes, first.first_frame, first.first_s, first.last_s) == (5 * 124 + 84, 1, 0.0, 1.999)
    assert (second.hardware, second.frames, second.broadcast, second.first_frame) == (mac(2), 1, 0, 2)
    assert not first.own


def test_a_sender_is_own_where_this_computer_sent_it(tmp_path: Path) -> None:
    frames = [(0.0, broadcast(1, 1), True), (0.1, broadcast(2, 2), False)]
    talkers = study(str(write_with_direction(tmp_path / "own.pcapng", frames))).tally.talkers
    assert {talker.hardware: talker.own for talker in talkers} == {mac(1): True, mac(2): False}


@pytest.mark.parametrize(
    ("size", "tags", "runts", "giants"),
    [(59, 0, 1, 0), (60, 0, 0, 0), (1514, 0, 0, 0), (1515, 0, 0, 1), (1518, 1, 0, 0), (1519, 1, 0, 1), (1522, 2, 0, 0), (1523, 2, 0, 1)],
)  # fmt: skip
def test_sizes(tmp_path: Path, size: int, tags: int, runts: int, giants: int) -> None:
    """IEEE 802.3: 64 to 1518 bytes with FCS, and 4 more for a tag."""
    addresses = bytes.fromhex((mac(2) + mac(1)).replace(":", ""))
    frame = (addresses + b"\x81\x00\x00\x07" * tags + b"\x88\xb5").ljust(size, b"\0")
    found = flow(tmp_path, [(0.0, frame)])
    assert (found.runts, found.giants, found.shortest, found.longest) == (runts, giants, size, size)
    assert found.bytes == max(size, 60) + 24
    assert (found.vlan, found.ethertype) == (7 if tags else None, 0x88B5)


def test_the_shortest_and_the_longest(tmp_path: Path) -> None:
    found = flow(tmp_path, [(n / 10, broadcast(1, n, size)) for n, size in enumerate((100, 80, 300, 200))])
    assert (found.shortest, found.longest, found.frames, found.cut) == (80, 300, 4, 0)
    assert flow(tmp_path, [(n / 10, broadcast(1, n, 90 + n)) for n in range(3)], snap=91).cut == 1


def pause(quanta: int, opcode: int = 1) -> bytes:
    return ethernet("01:80:c2:00:00:01", mac(1), 0x8808, struct.pack(">HH", opcode, quanta))


def test_pause_frames(tmp_path: Path) -> None:
    """IEEE 802.3 annex 31B: opcode 1 asks for a pause; others do not."""
    found = flow(
        tmp_path, [(0.0, pause(5)), (0.1, pause(0xFFFF)), (0.2, pause(7)), (0.3, pause(9, opcode=0x101))]
    )
    assert (found.pause_most_quanta, found.pause_sum_quanta) == (0xFFFF, 5 + 0xFFFF + 7)
    cut = flow(tmp_path, [(0.0, pause(5))], snap=17)
    assert (cut.pause_most_quanta, cut.pause_sum_quanta) == (0, 0)
    assert flow(tmp_path, [(0.0, pause(5))], snap=18).pause_sum_quanta == 5


def test_marks(tmp_path: Path) -> None:
    """Of most frames; others are counted."""
    frames = [(n / 10, rtp(1, "233.252.0.9", n, dscp=dscp)) for n, dscp in enumerate((46, 46, 34, 46, 0))]
    found = flow(tmp_path, frames)
    assert (found.dscp, found.pcp, found.other_marks) == (46, None, 2)
    tagged = [
        (n / 10, ethernet(mac(2), mac(1), 0x8100, struct.pack(">HHI", pcp << 13 | 5, 0x88B5, n)))
        for n, pcp in enumerate((0, 6, 0))
    ]
    found = flow(tmp_path, tagged)
    assert (found.dscp, found.pcp, found.vlan, found.other_marks) == (None, 0, 5, 1)


def test_the_busiest_second(tmp_path: Path) -> None:
    found = flow(
        tmp_path,
        [(at, broadcast(1, n)) for n, at in enumerate((0, 0.5, 1.0, 1.2, 1.999999999, 2.0, 2.1, 2.2))],
    )
    assert (found.most_in_1s, found.most_in_1s_at_s) == (3, 1.0)


@pytest.mark.parametrize(("first", "step", "steps"), [(0, 1, 9), (65530, 1, 9), (7, 2, 0), (9, 0, 0)])
def test_sequence_numbers_that_go_on(tmp_path: Path, first: int, step: int, steps: int) -> None:
    """RFC 3550 section 5.1, over the wrap. A flow that begins at 1 went on from the 0 that stands for
    nothing."""
    frames = [(n / 10, rtp(1, "233.252.0.9", first + n * step)) for n in range(10)]
    assert flow(tmp_path, frames).sequence_steps == steps
    other = [(at, frame[:42] + b"\x40" + frame[43:]) for at, frame in frames]  # version 1
    assert flow(tmp_path, other).sequence_steps == 0


def test_changes_of_content(tmp_path: Path) -> None:
    assert flow(tmp_path, [(n / 10, broadcast(1, n // 2)) for n in range(6)]).changes == 3


def test_bins_are_full_ones(tmp_path: Path) -> None:
    """The first and the last are left out: they may be in part."""
    found = flow(tmp_path, every(0.02, lambda n: broadcast(1, n), 0.25, 1.05))
    assert (found.bins, found.bin_mean, found.bin_deviation) == (6, 5.0, 0.0)
    uneven = flow(
        tmp_path, [(n / 10 + k / 100, broadcast(1, n * 9 + k)) for n in range(5) for k in range(1 + n % 2)]
    )
    assert (uneven.bins, uneven.bin_mean) == (3, pytest.approx(5 / 3))
    assert uneven.bin_deviation == pytest.approx((2 / 9) ** 0.5)


def test_what_a_flow_is_told_by(tmp_path: Path) -> None:
    found = flow(tmp_path, [(0.0, rtp(1, "233.252.0.9", 1))])
    assert (found.source, found.destination, found.cast) == (mac(1), "01:00:5e:7c:00:09", "multicast")
    assert (found.source_ip, found.destination_ip, found.protocol) == ("192.0.2.1", "233.252.0.9", 17)
    assert (found.source_port, found.destination_port, found.ethertype, found.discovery) == (
        5004,
        5004,
        0x0800,
        False,
    )
    found = flow(tmp_path, [(0.0, arp(1, 2))])
    assert (found.cast, found.source_ip, found.protocol, found.vlan) == ("broadcast", "", None, None)
    addresses = bytes.fromhex("20010db8000100020003000400050006" + "ff0e000000000000000000000000000a")
    data = (
        struct.pack(">IHBB", 6 << 28, 12, 17, 1)
        + addresses
        + struct.pack(">HHHH", 6000, 6001, 12, 0)
        + b"data"
    )
    found = flow(tmp_path, [(0.0, ethernet("33:33:00:00:00:0a", mac(1), 0x86DD, data))])
    assert (found.source_ip, found.destination_ip) == ("2001:db8:1:2:3:4:5:6", "ff0e::a")
    assert (found.source_port, found.destination_port, found.protocol) == (6000, 6001, 17)


def test_what_finds_no_room_is_counted(tmp_path: Path) -> None:
    """More flows than rows: every sender to every group of the documentation's addresses."""
    pairs = [(sender, group) for sender in range(36) for group in range(256)]
    frames = [
        (n / 1000, ethernet(f"01:00:5e:90:10:{group:02x}", mac(sender), 0x88B5, struct.pack(">I", n)))
        for n, (sender, group) in enumerate(pairs)
    ]
    tally = studied(tmp_path, frames).tally
    assert 36 * 256 - 8192 <= tally.flow_overflow < 36 * 256 - 6000
    assert sum(flow.frames for flow in tally.flows) + tally.flow_overflow == 36 * 256
    assert (len(tally.talkers), tally.talker_overflow) == (36, 0)
    assert {talker.frames for talker in tally.talkers} == {256}


def test_senders_that_differ_in_one_byte_find_room(tmp_path: Path) -> None:
    """As virtual machines, test gear and bits that were flipped have them: the same bytes but for one,
    wherever it is."""
    senders = [
        ":".join(f"{n:02x}" if place == at else "53" if place == 5 else "00" for place in range(6))
        for at in range(5)
        for n in range(2, 202, 2)
    ]
    frames = [
        (n / 1000, ethernet("ff:ff:ff:ff:ff:ff", sender, 0x88B5, struct.pack(">I", n)))
        for n, sender in enumerate(senders)
    ]
    tally = studied(tmp_path, frames).tally
    assert (len(tally.talkers), tally.talker_overflow) == (len(senders), 0)
    assert [talker.hardware for talker in tally.talkers[:3]] == senders[
        :3
    ]  # of those as loud, who came first


@pytest.mark.parametrize(("odd", "dscp", "others"), [(1, 34, 1), (0, 34, 0), (24, 34, 24), (26, 0, 24)])
def test_the_marks_are_those_of_most_frames(tmp_path, odd, dscp, others):
    frames = [
        (n / 1000, udp(5, "233.252.0.9", 5004, bytes([n]) * 20, tos=0 if n < odd else 34 << 2))
        for n in range(50)
    ]
    (found,) = studied(tmp_path, frames).tally.flows
    assert (found.dscp, found.other_marks) == (dscp, others)


def test_one_damaged_header_makes_no_flow_broken(tmp_path):
    def packet(n: int, damaged: bool) -> bytes:
        made = bytearray(raw.udp(mac(5), mac(6), ("192.0.2.5", 7), ("192.0.2.6", 7), bytes([n]) * 20))
        made[24] ^= 0x55 if damaged else 0
        return bytes(made)

    for damaged, broken in ((range(1), False), (range(9), True), ((3, 4), False)):
        frames = [(n / 1000, packet(n, n in damaged)) for n in range(9)]
        assert {flow.broken for flow in studied(tmp_path, frames).tally.flows} == {broken}
