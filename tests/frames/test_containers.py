"""Both containers in every dress that the drafts allow, each against bytes written here."""

import struct
from itertools import product
from pathlib import Path

import pytest

from preflight.frames import kernels as k
from preflight.frames.capture import MAX_BLOCK
from preflight.frames.errors import CaptureError
from preflight.study import study
from tests.frames.made import BOX, DESK, FRAME, GROUP, Pcap, Pcapng, frame, read_bytes

pytestmark = pytest.mark.usefixtures("either_engine")

LE, BE = Pcapng("<"), Pcapng(">")
T = 1_795_600_000  # seconds


@pytest.mark.parametrize(("order", "nano"), list(product("<>", (False, True))))
def test_pcap_in_both_byte_orders_and_both_fractions(tmp_path: Path, order: str, nano: bool) -> None:
    file = Pcap(order, nano)
    content = file.header() + file.record(T, 123_456, FRAME) + file.record(T + 1, 7, FRAME[:40], wire=60)
    got = read_bytes(tmp_path, content)
    unit = 1 if nano else 1000
    assert got[k.TIME] == [T * 10**9 + 123_456 * unit, (T + 1) * 10**9 + 7 * unit]
    assert got[k.CAP] == [60, 40]
    assert got[k.WIRE] == [60, 60]
    assert got.data == [FRAME, FRAME[:40]]
    assert (got.source.cut, got.source.malformed, got.source.ended_early) == (1, 0, "")


def test_the_link_type_leaves_the_fcs_length_beside_it_alone(tmp_path: Path) -> None:
    file = Pcap(link=1 | 0x04000000 | 4 << 28)
    assert read_bytes(tmp_path, file.header() + file.record(T, 0, FRAME)).source.link_types == ("Ethernet",)


def test_sections_of_both_byte_orders_number_their_interfaces_anew(tmp_path: Path) -> None:
    content = b"".join(
        [
            LE.section() + LE.interface() + LE.packet(0, T * 10**6, FRAME),
            BE.section() + BE.interface(resolution=9) + BE.packet(0, T * 10**9 + 1, FRAME),
            LE.section() + LE.packet(0, T * 10**6, FRAME),  # undeclared in this section
            LE.interface(resolution=3) + LE.packet(0, T * 10**3 + 2, FRAME),
        ]
    )
    got = read_bytes(tmp_path, content)
    assert got[k.TIME] == [T * 10**9, T * 10**9 + 1, T * 10**9 + 2 * 10**6]
    assert got.source.malformed == 1


@pytest.mark.parametrize("power", range(13))
def test_decimal_resolution(tmp_path: Path, power: int) -> None:
    ticks = 1234 * 10**power + (7 if power else 0)
    got = read_bytes(
        tmp_path, LE.section() + LE.interface(resolution=power, offset=T) + LE.packet(0, ticks, FRAME)
    )
    assert got[k.TIME] == [T * 10**9 + ticks * 10**9 // 10**power]


@pytest.mark.parametrize("power", [0, 1, 10, 20, 32, 33, 34, 40, 50, 52])
def test_binary_resolution(tmp_path: Path, power: int) -> None:
    ticks = (1234 << power) + ((1 << power) // 3)
    content = BE.section() + BE.interface(resolution=0x80 | power, offset=T) + BE.packet(0, ticks, FRAME)
    (time,) = read_bytes(tmp_path, content)[k.TIME]
    exact = T * 10**9 + (ticks * 10**9 >> power)
    assert exact - 1 <= time <= exact


def test_an_offset_may_be_negative(tmp_path: Path) -> None:
    content = LE.section() + LE.interface(offset=-3600) + LE.packet(0, T * 10**6, FRAME)
    assert read_bytes(tmp_path, content)[k.TIME] == [(T - 3600) * 10**9]


def test_each_packet_goes_by_its_own_interface(tmp_path: Path) -> None:
    content = LE.section() + LE.interface(resolution=6) + LE.interface(link=k.SLL, resolution=9)
    cooked = bytes.fromhex("000100010006" + BOX + "00000800") + FRAME[14:]
    content += LE.packet(1, T * 10**9 + 5, cooked) + LE.packet(0, T * 10**6 + 1, FRAME)
    got = read_bytes(tmp_path, content)
    assert got[k.TIME] == [T * 10**9 + 5, T * 10**9 + 1000]
    assert got[k.SRC] == [int(BOX, 16)] * 2
    assert got[k.DPORT] == [5006] * 2
    assert got.source.link_types == ("Ethernet", "Linux cooked v1")


def test_simple_packets_have_no_time_and_are_cut_by_the_snap_length(tmp_path: Path) -> None:
    got = read_bytes(tmp_path, LE.section() + LE.interface(snap=44) + LE.simple(FRAME[:44], wire=60))
    assert got.data == [FRAME[:44]]
    assert got[k.WIRE] == [60]
    assert got.source.cut == 1


@pytest.mark.parametrize("size", [0, 5, 4096, MAX_BLOCK - 12, MAX_BLOCK + 4, 3 * MAX_BLOCK])
@pytest.mark.parametrize("kind", [4, 10, 0xBAD, 0x80000001])
def test_blocks_that_hold_no_frame_are_passed_over(tmp_path: Path, kind: int, size: int) -> None:
    between = LE.block(kind, bytes(size))
    content = LE.section() + between + LE.interface() + LE.packet(0, T * 10**6, FRAME) + between
    content += LE.packet(0, T * 10**6 + 1, FRAME)
    got = read_bytes(tmp_path, content)
    assert got.numbers == [1, 2]
    assert (got.source.malformed, got.source.ended_early) == (0, "")


def test_an_obsolete_packet_block_is_counted_not_passed_over_in_silence(tmp_path: Path) -> None:
    old = struct.pack("<HHIIII", 0, 0, 0, 0, 60, 60) + FRAME
    assert read_bytes(tmp_path, LE.section() + LE.interface() + LE.block(2, old)).source.malformed == 1


def test_drops_are_totals_of_each_interface_and_section(tmp_path: Path) -> None:
    content = LE.section() + LE.interface() + LE.interface()
    content += LE.packet(0, T * 10**6, FRAME)
    content += LE.statistics(0, dropped=3) + LE.statistics(0, dropped=5, dropped_by_os=1)
    content += LE.statistics(1, dropped=10) + LE.statistics(7, dropped=1000)  # 7 is not declared
    assert read_bytes(tmp_path, content).source.dropped == 16
    content += BE.section() + BE.interface() + BE.statistics(0, dropped_by_os=100)
    assert read_bytes(tmp_path, content).source.dropped == 116


def test_a_capture_that_says_nothing_of_drops(tmp_path: Path) -> None:
    content = LE.section() + LE.interface() + LE.packet(0, T * 10**6, FRAME) + LE.statistics(0)
    assert read_bytes(tmp_path, content).source.dropped is None


@pytest.mark.parametrize("file", [LE, BE])
def test_direction_flags(tmp_path: Path, file: Pcapng) -> None:
    def flags(word: int) -> bytes:
        return file.option(2, struct.pack(file.order + "I", word))

    content = file.section() + file.interface()
    for options in (
        b"",
        flags(1),
        flags(2),
        flags(0x0000_0104 | 2),  # reception type and FCS length beside it
        file.option(1, b"a comment") + flags(2) + file.option(0, b""),
        file.option(0, b"") + flags(2),  # after the end of options
        struct.pack(file.order + "HH", 2, 400) + bytes(4),  # longer than its block
    ):
        content += file.packet(0, T * 10**6, FRAME[:59], options=options)
    assert read_bytes(tmp_path, content)[k.OUT] == [0, 0, 1, 1, 1, 0, 0]


def test_a_packet_on_an_undeclared_interface_is_malformed(tmp_path: Path) -> None:
    content = LE.section() + LE.packet(0, 0, FRAME) + LE.simple(FRAME) + LE.interface()
    content += LE.packet(1, 0, FRAME) + LE.packet(0xFFFFFFFF, 0, FRAME) + LE.packet(0, T * 10**6, FRAME)
    source = read_bytes(tmp_path, content).source
    assert (source.frames, source.malformed) == (1, 4)


def test_a_packet_longer_than_its_block_is_malformed(tmp_path: Path) -> None:
    lies = struct.pack("<IIIII", 0, 0, 0, 61, 61) + FRAME
    content = LE.section() + LE.interface() + LE.block(6, lies) + LE.packet(0, T * 10**6, FRAME)
    got = read_bytes(tmp_path, content)
    assert got.data == [FRAME]
    assert got.source.malformed == 1


def test_frames_of_another_link_are_left_out_and_keep_their_numbers(tmp_path: Path) -> None:
    content = LE.section() + LE.interface() + LE.interface(link=189)
    alien = frame("ffffffffffff", DESK)
    for at, which in enumerate((1, 0, 0, 1, 1, 0)):
        content += LE.packet(which, T * 10**6 + at, FRAME if which == 0 else alien)
    got = read_bytes(tmp_path, content)
    assert got.numbers == [2, 3, 6]
    assert set(got[k.SRC]) == {int(BOX, 16)}
    assert (got.source.frames, got.source.malformed) == (6, 0)
    assert got.source.link_types == ("Ethernet", "USB")
    facts = study(str(tmp_path / "made.pcap"))
    assert facts.tally is not None
    assert [talker.hardware for talker in facts.tally.talkers] == ["00:00:5e:00:53:01"]


def test_only_other_links_are_refused_by_name(tmp_path: Path) -> None:
    content = LE.section() + LE.interface() + LE.interface(link=105) + LE.interface(link=101)
    content += LE.packet(1, T * 10**6, FRAME) + LE.packet(2, T * 10**6, FRAME)
    with pytest.raises(
        CaptureError, match=r"holds IEEE 802\.11 \(LINKTYPE_IEEE802_11\), raw IP \(LINKTYPE_RAW\), not Eth"
    ):
        read_bytes(tmp_path, content)
    with pytest.raises(CaptureError, match=r"holds USB \(LINKTYPE_USB_LINUX\), not Ethernet"):
        read_bytes(tmp_path, LE.section() + LE.interface(link=189))


def test_a_silent_ethernet_adapter_beside_another_link_is_no_refusal(tmp_path: Path) -> None:
    got = read_bytes(tmp_path, LE.section() + LE.interface(link=189) + LE.interface())
    assert got.source.frames == 0
    assert got.source.first_ns is None


def test_a_refusal_names_few_links(tmp_path: Path) -> None:
    content = LE.section() + b"".join(LE.interface(link=300 + n) for n in range(500))
    with pytest.raises(CaptureError) as error:
        read_bytes(tmp_path, content)
    assert len(str(error.value)) < 400


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (LE.section() + LE.block(1, b"\1\0"), "interface description"),
        (LE.section() + LE.block(1, bytes(2 * MAX_BLOCK)), "interface description"),
        (LE.section() + LE.interface() * 1025, "interface description"),
        (LE.section() + struct.pack("<III", 4, 8, 8), "impossible length"),
        (LE.section() + struct.pack("<III", 4, 15, 0) + bytes(9), "impossible length"),
        (LE.section() + struct.pack("<III", 6, 0xFFFFFFF0, 0), "impossible length"),
        (LE.section() + struct.pack("<III", 4, 0xFFFFFFF0, 0), "cut short"),
        (LE.section()[:8] + b"\x1a\x2b\x1a\x2b" + bytes(16), "byte-order mark"),
        (LE.section()[:10], "cut short"),
    ],
)
def test_damage_before_the_first_frame_is_an_error_after_it_a_remark(
    tmp_path: Path, content: bytes, words: str
) -> None:
    with pytest.raises(CaptureError, match=words) as error:
        read_bytes(tmp_path, content)
    assert "offset " in str(error.value)
    good = LE.section() + LE.interface() + LE.packet(0, T * 10**6, FRAME)
    source = read_bytes(tmp_path, good + content).source
    assert source.frames == 1
    assert words in source.ended_early


# Links and tags


def test_cooked_v1(tmp_path: Path) -> None:
    file = Pcap(link=k.SLL)
    content = file.header()
    for way in range(5):
        content += file.record(
            T, way, struct.pack(">HHH", way, 1, 6) + bytes.fromhex(BOX + "00000800") + FRAME[14:]
        )
    got = read_bytes(tmp_path, content)
    # 0 to us, 1 broadcast, 2 multicast, 3 to another, 4 sent by us; by the IP address where nothing else
    # tells
    assert got[k.CAST] == [k.MULTICAST, k.BROADCAST, k.MULTICAST, k.MULTICAST, k.MULTICAST]
    assert got[k.OUT] == [0, 0, 0, 0, 1]
    assert got[k.SRC] == [int(BOX, 16)] * 5
    assert got[k.ETYPE] == [0x0800] * 5
    assert got[k.SPORT] == [5004] * 5


def test_cooked_v2(tmp_path: Path) -> None:
    file = Pcap(link=k.SLL2)
    content = file.header()
    for way in range(5):
        head = struct.pack(">HHIHBB", 0x0800, 0, 2, 1, way, 6) + bytes.fromhex(BOX + "0000")
        content += file.record(T, way, head + FRAME[14:])
    got = read_bytes(tmp_path, content)
    assert got[k.CAST] == [k.MULTICAST, k.BROADCAST, k.MULTICAST, k.MULTICAST, k.MULTICAST]
    assert got[k.OUT] == [0, 0, 0, 0, 1]
    assert got[k.SRC] == [int(BOX, 16)] * 5
    assert got[k.SPORT] == [5004] * 5


def test_cooked_v2_tells_a_frame_that_two_adapters_show(tmp_path: Path) -> None:
    file = Pcap(link=k.SLL2)
    content = file.header()
    for etype, adapter, data in ((0x0800, 2, FRAME), (0x0800, 4, FRAME), (0x0800, 4, FRAME[:-1] + b"1")):
        head = struct.pack(">HHIHBB", etype, 0, adapter, 1, 2, 6) + bytes.fromhex(BOX + "0000")
        content += file.record(T, adapter, head + data[14:])
    one, again, another = read_bytes(tmp_path, content)[k.DIGEST]
    assert one == again != another


def _prp(data: bytes, number: int, network: int, size: int | None = None) -> bytes:
    """With the trailer of a network (10 or 11) of a pair: IEC 62439-3, from memory."""
    size = len(data) - 14 + 6 if size is None else size
    return data + struct.pack(">HHH", number, network << 12 | size, 0x88FB)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        pytest.param(_prp(FRAME, 7, 11), True, id="by the other network"),
        pytest.param(_prp(FRAME, 8, 11), False, id="sent again"),
        pytest.param(_prp(FRAME[:-1] + b"1", 7, 11), False, id="another"),
        pytest.param(_prp(FRAME, 7, 11, size=51), False, id="no trailer: its size is not the frame's"),
        pytest.param(_prp(FRAME, 7, 12), False, id="no trailer: no network of a pair"),
    ],
)
def test_a_frame_that_came_by_both_networks_of_a_pair(tmp_path: Path, other: bytes, same: bool) -> None:
    file = Pcap()
    records = [file.record(T, n, data) for n, data in enumerate((_prp(FRAME, 7, 10), other))]
    one, again = read_bytes(tmp_path, file.header() + b"".join(records))[k.DIGEST]
    assert (one == again) == same


def test_cooked_without_a_hardware_address(tmp_path: Path) -> None:
    file = Pcap(link=k.SLL)
    head = struct.pack(">HHH", 0, 772, 0) + bytes.fromhex(BOX + "00000800")
    assert read_bytes(tmp_path, file.header() + file.record(T, 0, head + FRAME[14:]))[k.SRC] == [0]


@pytest.mark.parametrize(
    ("tags", "vlan", "count", "etype"),
    [
        ("", -1, 0, 0x0800),
        ("8100a00a", 10, 1, 0x0800),  # priority 5 beside VLAN 10
        ("88a80014", 20, 1, 0x0800),
        ("88a800148100000a", 20, 2, 0x0800),
        ("8100001481000000", 20, 2, 0x0800),
        ("810000008100000a8100000b", 0, 3, 0x0800),
        ("810000008100000a8100000b8100000c", 0, 3, 0x8100),  # the fourth is not looked through
    ],
)
def test_vlan_tags_are_looked_through(tmp_path: Path, tags: str, vlan: int, count: int, etype: int) -> None:
    file = Pcap()
    got = read_bytes(tmp_path, file.header() + file.record(T, 0, frame(GROUP, BOX, tags)))
    assert got[k.VLAN] == [vlan]
    assert got[k.TAGS] == [count]
    assert got[k.ETYPE] == [etype]
    assert got[k.DST] == [int(GROUP, 16)]
    assert got[k.DPORT] == [5006 if etype == 0x0800 else 0]


def test_a_tag_cut_by_the_snap_length(tmp_path: Path) -> None:
    file = Pcap()
    for size in range(14, 22):
        data = frame(GROUP, BOX, "88a800148100000a")[:size]
        got = read_bytes(tmp_path, file.header() + file.record(T, 0, data, wire=60))
        assert got[k.TAGS] == [1 if size >= 18 else 0]
        assert got[k.PROTO] == [-1]
        assert got[k.SRC] == [int(BOX, 16)]


def test_a_frame_shorter_than_its_header_is_malformed(tmp_path: Path) -> None:
    file = Pcap()
    source = read_bytes(tmp_path, file.header() + file.record(T, 0, FRAME[:13])).source
    assert (source.frames, source.malformed) == (1, 1)
