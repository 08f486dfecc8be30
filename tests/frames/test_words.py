"""A pcapng's own words: adapters, the rate of the link, comments, names."""

import struct
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.frames.capture import CaptureFile
from preflight.frames.facts import Interface
from preflight.frames.pcapng import Saver
from preflight.frames.words import MOST_COMMENTS, MOST_INTERFACES, MOST_LOOKED_AT, MOST_NAMES
from preflight.study import study
from tests.frames.made import FRAME, Pcapng, read, read_bytes

LE, BE = Pcapng("<"), Pcapng(">")
T = 1_795_600_000_000_000  # microseconds
GIGABIT = 10**9


def interface(block: Pcapng, link: int = 1, **told: bytes | int) -> bytes:
    codes = {"comment": 1, "name": 2, "description": 3, "speed": 8, "filter": 11}
    body = struct.pack(block.order + "HHI", link, 0, 0)
    for word, value in told.items():
        raw = struct.pack(block.order + "Q", value) if isinstance(value, int) else value
        body += block.option(codes[word], raw)
    return block.block(1, body + block.option(0, b""))


def section(block: Pcapng, comment: bytes) -> bytes:
    head = struct.pack(block.order + "IHHq", 0x1A2B3C4D, 1, 0, -1)
    return block.block(0x0A0D0D0A, head + block.option(1, comment))


pytestmark = pytest.mark.usefixtures("either_engine")


@pytest.mark.parametrize("block", [LE, BE])
def test_adapters_with_what_each_heard_and_lost(tmp_path: Path, block: Pcapng) -> None:
    content = block.section()
    content += interface(block, name=b"eth0", description=b"stage left", speed=GIGABIT, filter=b"\0udp")
    content += interface(block, name=b"eth1")
    for which in (0, 1, 1, 0, 1):
        content += block.packet(which, T, FRAME)
    content += block.statistics(1, dropped=7)
    assert read_bytes(tmp_path, content).source.interfaces == (
        Interface("eth0", "stage left", "Ethernet", "udp", 1000, 2, None),
        Interface("eth1", "", "Ethernet", "", None, 3, 7),
    )


def test_an_adapter_stays_the_same_over_sections_and_twins_stay_two(tmp_path: Path) -> None:
    twins = interface(LE, name=b"eth0") + interface(LE, name=b"eth0")
    once = (
        LE.section()
        + twins
        + LE.packet(0, T, FRAME)
        + LE.packet(1, T, FRAME) * 2
        + LE.statistics(0, dropped=1)
    )
    source = read_bytes(tmp_path, once + once).source
    assert [(each.name, each.frames, each.dropped) for each in source.interfaces] == [
        ("eth0", 2, 2),
        ("eth0", 4, None),
    ]
    assert source.dropped == 2


def test_simple_packets_are_of_the_first_adapter(tmp_path: Path) -> None:
    content = LE.section() + interface(LE, name=b"a") + interface(LE, name=b"b")
    source = read_bytes(tmp_path, content + LE.simple(FRAME) * 3 + LE.packet(1, T, FRAME)).source
    assert [each.frames for each in source.interfaces] == [3, 1]


@pytest.mark.parametrize(
    ("speeds", "mbps"),
    [
        ([GIGABIT], 1000),
        ([10 * GIGABIT, None], 10_000),
        ([GIGABIT, GIGABIT], 1000),
        ([GIGABIT, 100_000_000], None),  # loads over both together have no one rate
        ([None], None),
        ([0], None),
        ([1], None),
        ([2**64 - 1], None),
    ],
)
def test_the_rate_of_the_link_is_that_which_all_agree_on(
    tmp_path: Path, speeds: list, mbps: int | None
) -> None:
    content = LE.section()
    for number, speed in enumerate(speeds):
        content += interface(LE, name=b"eth%d" % number, **({} if speed is None else {"speed": speed}))
    (tmp_path / "a.pcapng").write_bytes(content + LE.packet(0, T, FRAME))
    facts = study(str(tmp_path / "a.pcapng"))
    assert (facts.link_mbps, facts.link_assumed) == ((mbps, False) if mbps else (1000, True))


def test_an_adapter_of_another_link_has_no_say_in_it(tmp_path: Path) -> None:
    content = LE.section() + interface(LE, link=105, speed=54_000_000) + interface(LE, speed=GIGABIT)
    (tmp_path / "a.pcapng").write_bytes(content + LE.packet(1, T, FRAME))
    assert not study(str(tmp_path / "a.pcapng")).link_assumed


def test_what_is_saved_tells_the_rate(tmp_path: Path) -> None:
    made = tmp_path / "made.pcapng"
    made.write_bytes(LE.section() + interface(LE) + LE.packet(0, T, FRAME))
    saver = Saver(str(tmp_path / "saved.pcapng"), "eth0", 1 << 20, 2500)
    for batch in CaptureFile(str(made)).batches():
        saver.add(batch)
    saver.close(0)
    assert study(str(tmp_path / "saved.pcapng")).link_mbps == 2500


@pytest.mark.parametrize("block", [LE, BE])
def test_comments_of_the_file_an_adapter_and_frames(tmp_path: Path, block: Pcapng) -> None:
    flags = block.option(2, struct.pack(block.order + "I", 1))
    content = section(block, b"taken at the stage") + interface(block, name=b"eth0", comment=b"port 7")
    content += block.packet(0, T, FRAME)
    content += block.packet(0, T, FRAME[:59], options=block.option(1, b"here it clicks\x1b[2J") + flags)
    content += block.simple(FRAME) + block.packet(0, T, FRAME, options=flags)
    source = read_bytes(tmp_path, content).source
    assert [(said.frame, said.text) for said in source.comments] == [
        (None, "taken at the stage"),
        (None, "port 7"),
        (2, "here it clicks\ufffd[2J"),
    ]


def test_names_of_addresses(tmp_path: Path) -> None:
    records = LE.option(1, bytes([192, 0, 2, 7]) + b"desk\0desk.example\0")
    records += (
        LE.option(2, bytes.fromhex("20010db8" + 22 * "0" + "07") + b"box\0")
        + LE.option(1, b"\1")
        + LE.option(0, b"")
    )
    content = LE.section() + LE.interface() + LE.block(4, records) + LE.packet(0, T, FRAME)
    names = (("192.0.2.7", "desk"), ("192.0.2.7", "desk.example"), ("2001:db8::7", "box"))
    assert read_bytes(tmp_path, content).source.names == names


def test_what_a_file_says_is_bounded(tmp_path: Path) -> None:
    content = LE.section()
    for number in range(MOST_NAMES + 50):
        content += LE.block(4, LE.option(1, struct.pack("<I", number) + b"n%d\0" % number))
    for number in range(3 * MOST_INTERFACES):
        content += LE.section() if number % 1000 == 0 else b""
        content += interface(LE, name=b"i%d" % number)
    content += LE.packet(0, T, FRAME, options=LE.option(1, b"x" * 5000)) * (2 * MOST_COMMENTS)
    source = read_bytes(tmp_path, content).source
    assert len(source.interfaces) == MOST_INTERFACES
    assert len(source.names) == MOST_NAMES and len(source.comments) == MOST_COMMENTS
    assert max(len(said.text) for said in source.comments) == 300


def test_options_that_lie_about_their_length_are_let_be(tmp_path: Path) -> None:
    lies = struct.pack("<HH", 1, 4000) + b"short"
    content = (
        LE.section() + LE.block(1, struct.pack("<HHI", 1, 0, 0) + lies) + LE.packet(0, T, FRAME, options=lies)
    )
    content += LE.block(4, lies) + LE.packet(0, T, FRAME)
    source = read_bytes(tmp_path, content).source
    assert (source.frames, source.malformed, source.comments, source.names) == (2, 0, (), ())


def test_files_that_follow_one_another_have_one_adapter(tmp_path: Path) -> None:
    files = []
    for number in range(2):
        files.append(tmp_path / f"r{number}.pcapng")
        files[-1].write_bytes(LE.section() + interface(LE, name=b"eth0") + LE.packet(0, T + number, FRAME))
    capture = CaptureFile([str(file) for file in files])
    assert sum(batch.rows for batch in capture.batches()) == 2
    facts = capture.facts()
    assert [each.frames for each in facts.interfaces] == [2]
    assert [(piece.name, piece.first) for piece in facts.pieces] == [("r0.pcapng", 1), ("r1.pcapng", 2)]
    assert replace(facts, pieces=()).frame_text(2) == "frame 2"
    assert facts.frame_text(2) == "frame 1 of r1.pcapng"


def test_frames_of_one_adapter_alone_know_their_numbers_in_the_file(tmp_path: Path) -> None:
    file = tmp_path / "two.pcapng"
    pattern = [n % 3 == 0 or n % 7 == 0 for n in range(5000)]
    content = LE.section() + interface(LE, name=b"a") + interface(LE, name=b"b")
    content += b"".join(LE.packet(int(second), T + n, FRAME) for n, second in enumerate(pattern))
    file.write_bytes(content)
    capture = CaptureFile(str(file), adapter=1)
    times = [t // 1000 - T for batch in capture.batches() for t in batch.columns[0, : batch.rows].tolist()]
    wanted = [n for n, second in enumerate(pattern) if second]
    assert times == wanted
    assert [capture.number_in_file(own + 1) - 1 for own in range(len(wanted))] == wanted
    assert read(file).source.frames == 5000


def test_comments_without_a_word_are_not_looked_at_for_ever(tmp_path: Path) -> None:
    empty = LE.packet(0, T, FRAME, options=LE.option(1, b"")) * (MOST_LOOKED_AT + 1)
    content = (
        LE.section() + LE.interface() + empty + LE.packet(0, T, FRAME, options=LE.option(1, b"too late"))
    )
    assert read_bytes(tmp_path, content).source.comments == ()
