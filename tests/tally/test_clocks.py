"""PTP messages counted, beside an independent reading of the public captures (fields by IEEE 1588-2008 clause
13)."""

import struct
from collections import Counter
from pathlib import Path

import dpkt
import pytest

from preflight.study import study
from preflight.tally.facts import ClockPort
from tests.checks import ptp
from tests.lab.frames import tagged
from tests.tally.captures import Timed, announce, mac, mirrored, studied, udp

PUBLIC = Path(__file__).parents[3] / "shared" / "public-captures"
TYPES = {
    "Sync": 0,
    "Delay_Req": 1,
    "Follow_Up": 8,
    "Delay_Resp": 9,
    "Announce": 11,
    "Management": 13,
    "Pdelay_Req": 2,
}
TYPES |= {"Pdelay_Resp": 3, "Pdelay_Resp_Follow_Up": 10, "Signaling": 12}


def ports(folder: Path, *frames: list[Timed]) -> dict[tuple[str, str], ClockPort]:
    tally = studied(folder, *frames).tally
    assert tally is not None
    return {(port.kind, port.hardware): port for port in tally.clocks}


@pytest.mark.parametrize("name", ["ptp.pcap", "ptp_ethernet.pcap", "ptp_v2_1.pcap", "ptp_management.pcap"])
def test_public_captures_count_as_dpkt_reads_them(name: str) -> None:
    path = PUBLIC / name
    if not path.is_file():
        pytest.skip("../shared/public-captures is not here")
    counted: Counter[tuple[int, str, int]] = Counter()
    with path.open("rb") as file:
        for _, data in dpkt.pcap.Reader(file):
            message = data[42:] if data[12:14] == b"\x08\x00" else data[14:]
            counted[(message[0] & 15, message[20:28].hex(), message[4])] += 1
    tally = study(str(path)).tally
    assert tally is not None
    ours = {
        (TYPES[port.kind], port.clock, port.domain): port.count
        for port in tally.clocks
        if port.kind != "any master"
    }
    assert ours == dict(counted)


def test_an_announcement_is_read_and_its_change_noticed(tmp_path: Path) -> None:
    before = [(float(n), announce(1, n)) for n in range(5)]
    after = [(5.0 + n, announce(1, 5 + n, priority1=100)) for n in range(5)]
    port = ports(tmp_path, before, after)["Announce", mac(1)]
    assert (port.grandmaster, port.priority1, port.clock_class) == ("00005efffe005301", 100, 248)
    assert (port.changes, port.changed_s, port.changed_frame) == (1, 5.0, 6)


def test_a_time_without_any_master_shows(tmp_path: Path) -> None:
    found = ports(
        tmp_path,
        [(float(n), announce(1, n)) for n in range(5)],
        [(9.0 + n, announce(2, n)) for n in range(4)],
    )
    whole = found["any master", ""]
    assert (whole.count, whole.longest_interval_s, whole.longest_interval_at_s) == (9, 5.0, 4.0)


def test_domains_are_kept_apart(tmp_path: Path) -> None:
    tally = studied(
        tmp_path,
        [(float(n), announce(1, n)) for n in range(4)],
        [(n + 0.5, announce(1, n, domain=3)) for n in range(4)],
    ).tally
    assert tally is not None
    assert sorted((p.domain, p.count) for p in tally.clocks if p.kind == "Announce") == [(0, 4), (3, 4)]


def test_vlans_are_kept_apart(tmp_path: Path) -> None:
    frames = [(n + vlan / 100, tagged(announce(1, n), vlan)) for n in range(4) for vlan in (10, 20)]
    tally = studied(tmp_path, frames, [(n + 0.5, tagged(announce(1, n), 0)) for n in range(3)]).tally
    assert tally is not None
    whole = {(p.vlan, p.count) for p in tally.clocks if p.kind == "any master"}
    assert whole == {(10, 4), (20, 4), (None, 3)}


def follow_up(told_s: float, log2: int = -3, kind: int = ptp.FOLLOW_UP, flags: int = 0) -> bytes:
    """The time that a master tells eight times a second (IEEE 1588-2008 clause 13.7), or as often as `log2`
    says."""
    stamp = struct.pack(">HII", 0, 1_700_000_000 + int(told_s), round(told_s % 1 * 1e9))
    return ptp.message(1, kind, stamp, log2=log2, flags=flags)


@pytest.mark.parametrize(("jump_s", "jumps"), [(0.04, 0), (0.040000001, 1), (-0.041, 1), (-37.0, 1)])
def test_a_time_that_jumps_is_noticed(tmp_path: Path, jump_s: float, jumps: int) -> None:
    frames = [(n / 8, follow_up(40 + n / 8 + (jump_s if n > 9 else 0.0))) for n in range(20)]
    (found,) = ports(tmp_path, frames).values()
    assert found.jumps == jumps
    assert not jumps or (found.jump_s, found.jumped_s, found.jumped_frame) == (
        pytest.approx(jump_s),
        pytest.approx(1.25),
        11,
    )


@pytest.mark.parametrize("late_s", [0.05, 0.5, -0.05])
def test_a_message_that_is_held_up_is_no_jump_and_nor_is_a_clock_of_ours_that_is_set(
    tmp_path: Path, late_s: float
) -> None:
    times = [n / 8 for n in range(20)]
    one_late = [(at + (0.05 if n == 9 else 0.0), follow_up(40 + at)) for n, at in enumerate(times)]
    set_here = [(at + (late_s if n > 9 else 0.0), follow_up(40 + at)) for n, at in enumerate(times)]
    assert all(port.jumps == 0 for some in (one_late, set_here) for port in ports(tmp_path, some).values())


def version1(control: int, subdomain: bytes = b"_DFLT", port: int = 319) -> bytes:
    """A message of IEEE 1588-2002 from port 2 of clock 00:00:5e:00:53:01."""
    head = struct.pack(">HH16sBB6sHHB", 1, 1, subdomain, 1, 1, bytes.fromhex("00005e005301"), 2, 7, control)
    return udp(1, "224.0.1.129", port, head.ljust(124, b"\0"))


@pytest.mark.parametrize(
    ("control", "kind"),
    [
        (0, "Sync"),
        (1, "Delay_Req"),
        (2, "Follow_Up"),
        (3, "Delay_Resp"),
        (4, "Management"),
        (5, "Management"),
    ],
)
def test_messages_of_version_1_are_told_by_their_control_field(
    tmp_path: Path, control: int, kind: str
) -> None:
    found = ports(tmp_path, [(0.0, version1(control))])
    assert set(found) == {(kind, mac(1))} | ({("any master", "")} if kind == "Sync" else set())
    port = found[kind, mac(1)]
    assert (port.version, port.clock, port.port, port.domain) == (1, "00005e005301", 2, 0)
    assert (port.transport, port.two_step, port.interval_log2, port.grandmaster) == ("UDP/IPv4", False, 0, "")


def test_subdomains_of_version_1_are_domains(tmp_path: Path) -> None:
    names = (b"_DFLT", b"_ALT1", b"_ALT2", b"_ALT3")
    tally = studied(tmp_path, [(n / 10, version1(2, name)) for n, name in enumerate(names)]).tally
    assert sorted(port.domain for port in tally.clocks) == [0, 1, 2, 3]


@pytest.mark.parametrize(("port", "found"), [(318, 0), (319, 1), (320, 1), (321, 0)])
def test_clocks_speak_on_two_ports(tmp_path: Path, port: int, found: int) -> None:
    tally = studied(tmp_path, [(0.0, version1(2, port=port))]).tally
    assert len(tally.clocks) == found


def test_of_whom_and_how_often_is_told(tmp_path: Path) -> None:
    (port,) = studied(tmp_path, [(at, version1(2, b"_DFLT")) for at in (0.5, 1.0, 3.0, 3.5)]).tally.clocks
    assert (port.count, port.first_frame, port.first_s, port.last_s) == (4, 1, 0.0, 3.0)
    assert (port.longest_interval_s, port.longest_interval_at_s) == (2.0, 0.5)


def test_copies_are_no_messages(tmp_path: Path) -> None:
    found = ports(tmp_path, mirrored([(float(n), announce(1, n)) for n in range(5)]))
    assert {port.count for port in found.values()} == {5}


def changed(at: int, to: int) -> bytes:
    """An announcement with another byte at this place of the message."""
    frame = bytearray(announce(1, 9))
    frame[14 + at] = to
    return bytes(frame)


@pytest.mark.parametrize("at", [47, 48, 49, 50, 51, 52, 53, 57, 60, 61, 62])
def test_a_change_of_the_grandmaster_is_noticed(tmp_path: Path, at: int) -> None:
    """IEEE 1588-2008 table 25: from grandmasterPriority1 (47) to stepsRemoved (61)."""
    found = ports(
        tmp_path,
        [(0.0, announce(1, 1)), (1.0, announce(1, 2)), (2.0, changed(at, 0x55)), (3.0, changed(at, 0x55))],
    )
    port = found["Announce", mac(1)]
    assert (port.changes, port.changed_s, port.changed_frame) == (1, 2.0, 3)


@pytest.mark.parametrize("at", [30, 31, 34, 45])
def test_what_is_no_description_is_no_change(tmp_path: Path, at: int) -> None:
    port = ports(tmp_path, [(0.0, announce(1, 1)), (1.0, changed(at, 0x55))])["Announce", mac(1)]
    assert (port.changes, port.changed_s, port.changed_frame) == (0, None, None)


def test_the_fields_of_an_announcement(tmp_path: Path) -> None:
    frame = bytearray(announce(1, 9))
    frame[14] |= 0x10
    frame[14 + 6 : 14 + 8] = b"\x02\x00"
    frame[14 + 33] = 0xFD
    frame[14 + 47 : 14 + 63] = bytes([1, 6, 0x21, 0x4E, 0x5D, 2, *range(0xA0, 0xA8), 1, 3])
    port = ports(tmp_path, [(0.0, bytes(frame))])["Announce", mac(1)]
    assert (port.sdo, port.two_step, port.interval_log2, port.port, port.version) == (1, True, -3, 1, 2)
    assert (port.priority1, port.clock_class, port.priority2, port.steps_removed) == (1, 6, 2, 0x103)
    assert (port.accuracy, port.variance) == (0x21, 0x4E5D)
    assert (port.grandmaster, port.clock, port.transport) == (
        "a0a1a2a3a4a5a6a7",
        "00005efffe005301",
        "Ethernet",
    )


@pytest.mark.parametrize(("snap", "count", "priority1"), [(47, 0, 0), (48, 1, 0), (77, 1, 0), (78, 1, 128)])
def test_a_cut_message_is_read_as_far_as_it_goes(
    tmp_path: Path, snap: int, count: int, priority1: int
) -> None:
    """34 bytes of header, 64 of an announcement, behind 14 of Ethernet. So short a frame may be a copy of
    another: one only."""
    tally = studied(tmp_path, [(0.0, announce(1, 1))], snap=snap).tally
    found = [(port.count, port.priority1) for port in tally.clocks if port.kind == "Announce"]
    assert found == [(count, priority1)] * count


@pytest.mark.parametrize(("number", "kind"), [(9, "Delay_Resp"), (10, "Pdelay_Resp_Follow_Up"), (12, "Signaling"), (13, "Management")])  # fmt: skip
def test_only_an_announcement_says_who_leads(tmp_path: Path, number: int, kind: str) -> None:
    """Other messages that are as long hold other things there."""
    frames = []
    for n in range(2):
        frame = bytearray(announce(1, n, priority1=100 + n))
        frame[14] = frame[14] & 0xF0 | number
        frames.append((float(n), bytes(frame)))
    found = ports(tmp_path, frames)
    assert set(found) == {(kind, mac(1))}
    port = found[kind, mac(1)]
    assert (port.count, port.priority1, port.clock_class, port.changes, port.grandmaster) == (2, 0, 0, 0, "")


@pytest.mark.parametrize(("log2", "jumps"), [(-8, 0), (-7, 1), (4, 1), (5, 0)])
def test_a_time_is_followed_that_is_told_128_times_a_second_or_each_16_seconds(
    tmp_path: Path, log2: int, jumps: int
) -> None:
    frames = [(n * 2.0**log2, follow_up(40 + n * 2.0**log2 - 37 * (n > 5), log2)) for n in range(10)]
    (found,) = ports(tmp_path, frames).values()
    assert (found.jumps, found.interval_log2) == (jumps, log2)


@pytest.mark.parametrize(
    ("kind", "flags", "jumps"),
    [(ptp.SYNC, 0, 1), (ptp.SYNC, ptp.TWO_STEP, 0), (ptp.DELAY_REQUEST, 0, 0), (ptp.FOLLOW_UP, 0, 1)],
)
def test_the_time_is_told_by_a_follow_up_or_by_a_sync_that_has_none(
    tmp_path: Path, kind: int, flags: int, jumps: int
) -> None:
    frames = [(n / 8, follow_up(40 + n / 8 - 37 * (n > 5), kind=kind, flags=flags)) for n in range(10)]
    (found,) = ports(tmp_path, frames).values()
    assert found.jumps == jumps


@pytest.mark.parametrize(("version", "found"), [(0, 0), (1, 0), (2, 2), (3, 0), (0x12, 2), (0x22, 2)])
def test_a_message_is_of_version_1_or_2(tmp_path: Path, version: int, found: int) -> None:
    """The upper half of the byte is the minor version (IEEE 1588-2019). A message of version 1 begins with
    its version in two bytes."""
    frame = bytearray(announce(1, 1))
    frame[15] = version
    assert len(studied(tmp_path, [(0.0, bytes(frame))]).tally.clocks) == found


def test_of_a_table_that_is_nearly_full_every_port_counts(tmp_path: Path, monkeypatch) -> None:
    """The one in the first row, too."""
    monkeypatch.setattr("preflight.tally.tally.CLOCK_ROWS", 16)
    found = ports(
        tmp_path, [(n + clock / 100, announce(clock, n)) for n in range(3) for clock in range(1, 15)]
    )
    assert len(found) == 15 and {port.count for port in found.values()} == {3, 42}


@pytest.mark.parametrize(("snap", "jumps"), [(86, 1), (85, 0)])
def test_a_time_is_told_by_44_bytes(tmp_path: Path, snap: int, jumps: int) -> None:
    """Behind the headers of Ethernet, IPv4 and UDP, and nothing behind it."""
    stamps = [struct.pack(">HII", 0, 1_700_000_000 + n - 37 * (n > 5), 0) for n in range(10)]
    frames = [(float(n), ptp.message(1, ptp.FOLLOW_UP, stamp, udp=True)) for n, stamp in enumerate(stamps)]
    assert {len(data) for _, data in frames} == {86}
    (port,) = studied(tmp_path, frames, snap=snap).tally.clocks
    assert port.jumps == jumps
