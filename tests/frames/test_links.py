"""Frames inside others, link types by their names, and captures put end to end."""

import gzip
import struct
from itertools import product
from pathlib import Path

import pytest

from preflight.frames import capture
from preflight.frames import kernels as k
from preflight.frames.errors import CaptureError
from preflight.frames.links import PKTAP, link_name
from preflight.study import study
from tests.frames.made import BOX, FRAME, Pcap, Pcapng, Read, read_bytes

pytestmark = pytest.mark.usefixtures("either_engine")

LE, BE = Pcapng("<"), Pcapng(">")
T = 1_795_600_000


def wrapped(frame: bytes, link: int = 1, flags: int = 1, follows: int = 1, length: int = 108) -> bytes:
    """A frame behind PKTAP's header: length, what follows, link type, adapter, flags."""
    head = struct.pack("<III24sI", length, follows, link, b"en5", flags)
    return head + bytes(108 - len(head)) + frame


def test_the_frame_inside_pktap_is_read_with_its_direction(tmp_path: Path) -> None:
    file = Pcap(link=PKTAP)
    content = file.header() + file.record(T, 0, wrapped(FRAME)) + file.record(T, 1, wrapped(FRAME, flags=2))
    got = read_bytes(tmp_path, content + file.record(T, 2, wrapped(FRAME)[:128], wire=168))
    assert got.data == [FRAME, FRAME, FRAME[:20]]
    assert (got[k.WIRE], got[k.CAP], got[k.OUT]) == ([60, 60, 60], [60, 60, 20], [0, 1, 0])
    assert got[k.SRC] == [int(BOX, 16)] * 3
    assert got.source.link_types == ("Ethernet",)


def test_in_pcapng_too_beside_a_plain_adapter(tmp_path: Path) -> None:
    content = LE.section() + LE.interface(link=PKTAP) + LE.interface()
    content += LE.packet(0, T * 10**6, wrapped(FRAME)) + LE.packet(1, T * 10**6, FRAME)
    assert read_bytes(tmp_path, content).data == [FRAME, FRAME]


def test_of_other_adapters_it_tells_and_their_frames_keep_their_numbers(tmp_path: Path) -> None:
    file = Pcap(link=PKTAP)
    content = file.header()
    for link in (12, 1, 0, 1):  # raw IP by the system's own number; a loopback
        content += file.record(T, link, wrapped(FRAME, link))
    got = read_bytes(tmp_path, content)
    assert got.numbers == [2, 4]
    assert set(got.source.link_types) == {"Ethernet", "raw IP", "BSD loopback"}
    with pytest.raises(CaptureError, match=r"holds raw IP \(LINKTYPE_RAW\), not Ethernet"):
        read_bytes(tmp_path, file.header() + file.record(T, 0, wrapped(FRAME, 12)))


@pytest.mark.parametrize(
    "data",
    [
        wrapped(FRAME)[:39],
        wrapped(FRAME, length=39),
        wrapped(FRAME, length=169),
        wrapped(FRAME, length=0xFFFFFFFF),
    ],
)
def test_a_header_that_makes_no_sense_is_malformed(tmp_path: Path, data: bytes) -> None:
    file = Pcap(link=PKTAP)
    got = read_bytes(tmp_path, file.header() + file.record(T, 0, data) + file.record(T, 1, wrapped(FRAME)))
    assert (got.numbers, got.source.malformed) == ([2], 1)


def test_a_header_that_no_frame_follows_is_no_frame(tmp_path: Path) -> None:
    file = Pcap(link=PKTAP)
    content = file.header() + file.record(T, 0, wrapped(b"", follows=0)) + file.record(T, 1, wrapped(FRAME))
    got = read_bytes(tmp_path, content)
    assert (got.numbers, got.source.malformed) == ([2], 0)


@pytest.mark.parametrize("link", [105, 119, 127, 163])
def test_what_was_taken_on_wifi_is_told_so(tmp_path: Path, link: int) -> None:
    file = Pcap(link=link)
    with pytest.raises(
        CaptureError, match=r"made\.pcap: was taken on Wi-Fi, .*; capture on the Ethernet adapter"
    ):
        read_bytes(tmp_path, file.header() + file.record(T, 0, FRAME))


@pytest.mark.parametrize(
    ("link", "said"),
    [
        (187, "LINKTYPE_BLUETOOTH_HCI_H4"),
        (209, "LINKTYPE_I2C_LINUX"),
        (149, "private use"),
        (9999, "link type 9999"),
    ],
)
def test_other_links_are_refused_by_their_registered_names(tmp_path: Path, link: int, said: str) -> None:
    with pytest.raises(CaptureError, match=said):
        read_bytes(tmp_path, Pcap(link=link).header())


def test_names_are_words_where_there_are_some_and_else_the_registrys() -> None:
    assert [link_name(each) for each in (1, 209, 9999)] == [
        "Ethernet",
        "LINKTYPE_I2C_LINUX",
        "link type 9999",
    ]


# Captures put end to end


def pcap(order: str = "<", nano: bool = False, link: int = 1, start: int = 0, count: int = 3) -> bytes:
    file = Pcap(order, nano, link)
    return file.header() + b"".join(file.record(T + start + n, 0, FRAME) for n in range(count))


def pcapng(block: Pcapng, start: int = 0, count: int = 3) -> bytes:
    return block.section() + block.interface() + b"".join(
        block.packet(0, (T + start + n) * 10**6, FRAME) for n in range(count)
    )  # fmt: skip


KINDS = [pcap("<"), pcap(">"), pcap("<", nano=True), pcapng(LE), pcapng(BE)]


def told(got: Read) -> tuple:
    return got.source.frames, got.source.ended_early, got.source.malformed, got.source.put_together


@pytest.mark.parametrize(("one", "other"), list(product(KINDS, KINDS)))
def test_one_behind_the_other_is_read_on(tmp_path: Path, one: bytes, other: bytes) -> None:
    got = read_bytes(tmp_path, one + other)
    sections = 1 if one[:1] == other[:1] == b"\n" else 2  # a pcapng may have as many as it likes
    assert told(got) == (6, "", 0, sections)
    assert got[k.TIME] == [(T + n) * 10**9 for n in (0, 1, 2, 0, 1, 2)]
    assert got.numbers == [1, 2, 3, 4, 5, 6]


def test_packed_ones_too_and_ones_without_frames(tmp_path: Path) -> None:
    content = gzip.compress(pcap() + pcap(count=0)) + gzip.compress(pcap(start=3))
    assert told(read_bytes(tmp_path, content)) == (6, "", 0, 3)


def test_a_header_that_lies_across_two_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the place of the header in the blocks that are read."""
    monkeypatch.setattr(capture, "BLOCK", 512)
    for size in range(16, 96):
        first = pcap(count=6) + Pcap().record(T, 0, FRAME[:size] + bytes(max(size - 60, 0)))
        assert told(read_bytes(tmp_path, first + pcap(count=20))) == (27, "", 0, 2)


def test_another_link_behind_ethernet_is_left_out(tmp_path: Path) -> None:
    got = read_bytes(tmp_path, pcap() + pcap(link=127) + pcap())
    assert (got.numbers, got.source.ended_early) == ([1, 2, 3, 7, 8, 9], "")


def test_records_without_bytes_are_frames_still(tmp_path: Path) -> None:
    file = Pcap()
    content = (
        file.header()
        + file.record(T, 0, b"") * 5
        + file.record(0xA1B2C3D4, 0, b"")
        + file.record(T, 1, FRAME)
    )
    assert told(read_bytes(tmp_path, content))[0] == 7


def test_the_user_is_told(tmp_path: Path) -> None:
    (tmp_path / "both.pcap").write_bytes(pcap() + pcap())
    assert study(str(tmp_path / "both.pcap")).source.put_together == 2
