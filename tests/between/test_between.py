"""What became of each frame is counted exactly, whatever the clocks, tags, lengths and packing of the two
captures."""

import gzip
import struct
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.between import run
from preflight.between.facts import BetweenFacts
from preflight.between.run import between, interfaces_of
from preflight.facts import Facts
from preflight.frames import compile as kernels_compile
from preflight.frames.errors import CaptureError
from preflight.verdict import judged
from tests.between.made import MS, US, Fate, both_ends, by_another_clock, held, only_path, stream
from tests.frames.made import Pcapng
from tests.tally.captures import (
    Timed,
    arp,
    broadcast,
    ethernet,
    mac,
    mirrored,
    rtp,
    udp,
    write,
    write_with_direction,
)

EDGE = 60  # packets at each end that are sent and come through: what lies outside the overlap is not counted


def fate(raw: bytes) -> Fate:
    """A packet's, of seven bytes: of zeros, it comes through as quickly as any."""
    sent, lost, slow, delay, again, later, missed = raw
    return Fate(
        sent=sent % 10 < 9,
        lost=lost % 5 == 4,
        delay_s=(3 + delay % 38) * MS if slow % 10 == 9 else (20 + delay % 41) * US,
        again_s=(1 + later % 30) * MS + 7 * US if again % 10 == 9 else None,
        missed=missed % 10 == 9,
    )


# Drawn as bytes, all at once: by a strategy for each number, drawing took longer than what is tested.
fates = st.binary(min_size=80 * 7, max_size=160 * 7).map(
    lambda raw: [fate(raw[at : at + 7]) for at in range(0, len(raw) - 6, 7)]
)


def truth(frames: list[Timed], told: dict[int, Fate]) -> Counter[str]:
    """What must be counted, worked out packet by packet."""
    count: Counter[str] = Counter()
    sent = {n: told.get(n, Fate()) for n in range(len(frames)) if told.get(n, Fate()).sent}
    count["never"] = len(frames) - len(sent)
    count["never"] += sum(fate.lost and fate.missed for fate in sent.values())
    through = {n: fate for n, fate in sent.items() if not fate.lost and not fate.missed}
    least = min(fate.delay_s for fate in through.values())
    highest = -1
    for n in sorted(through, key=lambda n: frames[n][0] + through[n].delay_s):
        count["reordered"] += n < highest
        highest = max(highest, n)
    for fate in sent.values():
        count["lost"] += fate.lost and not fate.missed
        count["late"] += not fate.lost and not fate.missed and fate.delay_s - least > MS
        count["doubled"] += not fate.lost and not fate.missed and fate.again_s is not None
        count["missed"] += (not fate.lost and fate.missed) * (1 + (fate.again_s is not None))
    return count


def counted(told: BetweenFacts) -> Counter[str]:
    path = only_path(told)
    return Counter(
        never=path.never,
        lost=path.a.only,
        late=path.late,
        reordered=path.reordered,
        doubled=path.b.doubled,
        missed=path.b.only,
    )


@settings(max_examples=60)
@given(
    inside=fates,
    ahead_s=st.integers(-5000, 5000).map(lambda ms: ms * MS),
    ppm=st.integers(-100, 100),
    first=st.integers(0, 0xFFFF),
)
def test_loss_delay_order_and_doubles_are_counted_exactly(
    tmp_path: Path, inside: list[Fate], ahead_s: float, ppm: int, first: int
) -> None:
    frames = stream(len(inside) + 2 * EDGE, first=first, start_s=10.0)
    told = {EDGE + n: fate for n, fate in enumerate(inside)}
    a, b = both_ends(frames, told)
    assert counted(held(tmp_path, a, by_another_clock(b, ahead_s, ppm))) == truth(frames, told)


SOME = {
    100: Fate(lost=True), 101: Fate(lost=True), 140: Fate(delay_s=5 * MS), 180: Fate(again_s=2 * MS), 200: Fate(sent=False),
    220: Fate(missed=True),
}  # fmt: skip


@pytest.fixture
def some() -> tuple[list[Timed], list[Timed], Counter[str]]:
    frames = stream(400)
    a, b = both_ends(frames, SOME)
    found = truth(frames, SOME)
    assert found == Counter(lost=2, late=1, reordered=1, doubled=1, never=1, missed=1)
    return a, b, found


def test_evidence_names_the_frames_of_both(tmp_path: Path, some) -> None:
    a, b, _ = some
    path = only_path(held(tmp_path, a, b))
    (gap,) = path.a.gaps
    assert (gap.frames, gap.frame, gap.other_before, gap.other_after) == (2, 101, 100, 101)
    assert gap.at_s == pytest.approx(0.100) and gap.end_s == pytest.approx(0.102)
    # 138 came of those before it, and four overtook it.
    assert (path.spread_at.a, path.spread_at.b) == (141, 138 + 4 + 1)
    assert path.first_reordered == path.spread_at and path.spread_s == pytest.approx(5 * MS - 30 * US)
    (missed,) = path.b.gaps
    assert a[missed.other_before - 1][1] == rtp(5, "233.252.0.1", 219, (219).to_bytes(4, "big") * 12)
    assert b[missed.frame - 1][1] == rtp(5, "233.252.0.1", 220, (220).to_bytes(4, "big") * 12)
    assert path.jump_frame is not None and a[path.jump_frame - 1][0] == pytest.approx(1.201)


def test_as_a_stranger_brings_them(tmp_path: Path) -> None:
    """Two minutes longer, through a VLAN trunk, 3 s and 50 ppm apart, one cut to 128 bytes and the other
    packed."""
    frames = stream(400, start_s=121.0)
    a, b = both_ends(frames, SOME)
    before = [(1 + n * 0.1, rtp(5, "233.252.0.1", 60000 + n, bytes([n & 255]) * 48)) for n in range(1190)]
    after = stream(300, start_s=200.0, sender=9)
    a = [
        (at, data[:12] + struct.pack(">HHH", 0x8100, 5 << 13 | 7, 0x0800) + data[14:])
        for at, data in before + a
    ]
    file = write(tmp_path / "a.pcap", a, 128)
    packed = tmp_path / "b.pcap.gz"
    packed.write_bytes(gzip.compress(write(tmp_path / "b.pcap", by_another_clock(b + after)).read_bytes()))
    told = between((str(file), None), (str(packed), None))
    assert counted(told) == truth(frames, SOME)
    assert told.clocks is not None
    # At A's first frame; B's began two minutes later, after which a drift found in 0.4 s is a millisecond
    # off.
    assert told.clocks.offset_s == pytest.approx(3.00005, abs=0.003)
    assert told.clocks.drift_ppm == pytest.approx(50, abs=30)
    assert told.common_s == pytest.approx(0.399, abs=0.001)
    assert only_path(told).a.frames > 1500 and [lone.frames for lone in told.b.lone] == [300]


def test_padding_marks_and_checksums_make_no_difference(tmp_path: Path) -> None:
    """A tag taken off leaves padding; a switch marks anew, and the header's checksum with it."""
    short = [(1 + n * MS, udp(5, "233.252.0.1", 6000, bytes([9, n & 255, n >> 8]))) for n in range(100)]
    bare = [(at, data[:45]) for at, data in short]

    def anew(data: bytes) -> bytes:
        return data[:15] + b"\xb8" + data[16:24] + b"\x12\x34" + data[26:]

    told = held(tmp_path, bare, [(at, anew(data)) for at, data in short])
    assert told.matched == 100 and not told.a.lone and not told.b.lone


def test_the_correction_of_a_transparent_clock_makes_no_difference(tmp_path: Path) -> None:
    def sync(number: int, correction: int) -> bytes:
        head = struct.pack(">BBHBBHq4x8sHHBb", 0, 2, 44, 0, 0, 0, correction, bytes(8), 1, number, 0, 0)
        return ethernet("01:1b:19:00:00:00", mac(3), 0x88F7, head + bytes(10))

    told = held(
        tmp_path,
        [(1 + n * MS, sync(n, 0)) for n in range(100)],
        [(1 + n * MS, sync(n, n << 16)) for n in range(100)],
    )
    assert told.matched == 100


def test_what_no_bridge_passes_on_is_not_missed(tmp_path: Path) -> None:
    lldp = [(1 + n / 10, ethernet("01:80:c2:00:00:0e", mac(1), 0x88CC, bytes([n]))) for n in range(4)]
    a, b = both_ends(stream(400), {})
    told = held(tmp_path, a + lldp, b)
    assert told.a.link_local == 4 and not told.a.lone and only_path(told).a.only == 0


@pytest.mark.parametrize("lost", [set(), {30}, {30, 31, 50}])
def test_content_that_repeats_is_counted_and_not_shifted(tmp_path: Path, lost: set[int]) -> None:
    """The same bytes each 10 ms, beside a stream that tells the clocks."""
    beat = [(1.0 + n * 10 * MS, broadcast(7, 0)) for n in range(100)]
    a, b = both_ends(stream(1000), {})
    more_a, more_b = both_ends(beat, {n: Fate(lost=True) for n in lost})
    told = held(tmp_path, a + more_a, by_another_clock(b + more_b))
    path = next(path for path in told.paths if not path.rtp)
    assert (path.a.only, path.a.alike, path.b.only, path.b.more) == (len(lost), len(lost), 0, 0)
    assert path.late == 0 and path.matched == 100 - len(lost)
    at = [round(gap.at_s / (10 * MS)) for gap in path.a.gaps]
    assert set(at) <= lost and len(at) == (0 if not lost else 2 if len(lost) == 3 else 1)


def test_one_more_of_a_content_that_repeats_is_not_called_doubled(tmp_path: Path) -> None:
    beat = [(1.0 + n * 10 * MS, broadcast(7, 0)) for n in range(100)]
    a, b = both_ends(stream(1000), {})
    more_a, more_b = both_ends(beat, {40: Fate(missed=True)})
    path = next(path for path in held(tmp_path, a + more_a, b + more_b).paths if not path.rtp)
    assert (path.b.more, path.b.doubled, path.b.only, path.a.only) == (1, 0, 0, 0)


def test_nothing_but_content_that_repeats_tells_nothing(tmp_path: Path) -> None:
    beat = [(1.0 + n * 10 * MS, broadcast(7, 0)) for n in range(100)]
    assert held(tmp_path, beat, beat).clocks is None


def test_other_traffic_tells_nothing(tmp_path: Path) -> None:
    assert held(tmp_path, stream(200), stream(200, sender=6)).clocks is None


def test_before_and_after_a_stream_passes_nothing_is_lost(tmp_path: Path) -> None:
    """Joined later and left earlier at B: no loss, but told."""
    other_a, other_b = both_ends(stream(3000, sender=9, group="233.252.0.9"), {})
    frames = stream(3000)
    a, b = both_ends(frames, {n: Fate(lost=True) for n in (*range(500), *range(1500, 3000))})
    path = next(p for p in held(tmp_path, a + other_a, b + other_b).paths if p.source == mac(5))
    assert (path.a.only, path.matched) == (0, 1000)
    assert (path.a.ending.frames, path.a.ending.at_s) == (1500, pytest.approx(1.5))


def test_a_mirror_shows_each_frame_twice(tmp_path: Path, some) -> None:
    a, b, found = some
    told = held(tmp_path, mirrored(a), b)
    assert told.a.mirrored and not told.b.mirrored and counted(told) == found
    told = held(tmp_path, a, mirrored(b, 5e-6))
    assert told.b.mirrored and counted(told) == found


def conversation(count: int) -> tuple[list[Timed], list[Timed]]:
    """Box 1 at A and box 2 at B ask and answer each other, 40 µs apart, the stream of box 2 beside."""
    a: list[Timed] = []
    b: list[Timed] = []
    for n in range(count):
        at = 1 + 10 * n * MS
        ask = udp(1, "192.0.2.2", 6000, b"ask" + n.to_bytes(4, "big") * 8, mac(2))
        answer = udp(2, "192.0.2.1", 6000, b"answer" + n.to_bytes(4, "big") * 8, mac(1))
        a += [(at, ask), (at + 1 * MS, answer)]
        b += [(at + 40 * US, ask), (at + 1 * MS - 40 * US, answer)]
    return a, b


def test_two_that_talk_tell_which_way_streams_go(tmp_path: Path) -> None:
    a, b = conversation(100)
    there, here = both_ends(
        stream(1000, sender=2), {300: Fate(lost=True, delay_s=40 * US), 400: Fate(delay_s=9 * MS)}
    )
    told = held(tmp_path, a + here, by_another_clock(b + there))
    ways = {path.source: path.way for path in told.paths}
    assert ways == {mac(1): "A to B", mac(2): "B to A"}
    path = next(path for path in told.paths if path.rtp)
    assert (path.sent, path.got) == (path.b, path.a)
    assert (path.sent.only, path.got.only, path.late) == (1, 0, 1)
    # The clocks' offset itself shows: no time on the way is in it.
    assert told.clocks is not None and told.clocks.offset_s == pytest.approx(3.0 + 50e-6, abs=30e-6)


@pytest.mark.parametrize(("which", "way"), [("a", "A to B"), ("b", "B to A")])
def test_what_a_capturing_computer_sends_goes_to_the_other_end(tmp_path: Path, which: str, way: str) -> None:
    a, b = both_ends(stream(200), {})
    sent = write_with_direction(
        tmp_path / "sent.pcapng", [(at, data, True) for at, data in (a if which == "a" else b)]
    )
    other = write(tmp_path / "other.pcap", b if which == "a" else a)
    files = ((str(sent), None), (str(other), None))
    assert only_path(between(*(files if which == "a" else files[::-1]))).way == way


def test_a_capture_that_pauses_is_told_by_its_silence(tmp_path: Path) -> None:
    a, b = both_ends(stream(2000), {n: Fate(lost=True) for n in range(700, 900)})
    told = held(tmp_path, a, b)
    assert told.b.quiet_s == pytest.approx(0.201, abs=1e-4) and told.b.quiet_at_s == pytest.approx(
        0.699, abs=1e-3
    )
    assert judged(Facts(between=told)).verdict.verdict == "ready with cautions"
    # Something else came to B in that time: it was not the capture.
    told = held(tmp_path, a, [*b, (1.8, broadcast(3, 1))])
    assert judged(Facts(between=told)).verdict.verdict == "not ready"


def test_without_an_answer_it_is_not_known(tmp_path: Path) -> None:
    assert only_path(held(tmp_path, *both_ends(stream(200), {}))).way is None


@pytest.mark.parametrize(("lost", "doubled"), [({30}, set()), (set(), {30})])
def test_content_that_repeats_on_its_way_to_a(tmp_path: Path, lost: set[int], doubled: set[int]) -> None:
    a, b = conversation(100)
    beat = [(1.0004 + n * 10 * MS, broadcast(2, 0)) for n in range(100)]
    fate = {n: Fate(lost=True) for n in lost} | {n: Fate(again_s=MS) for n in doubled}
    there, here = both_ends(beat, fate)
    told = held(tmp_path, a + here, b + there)
    path = next(path for path in told.paths if path.cast == "broadcast")
    assert path.way == "B to A"
    assert (path.sent.only, path.got.only, path.got.more + path.got.doubled) == (len(lost), 0, len(doubled))


def two_interfaces(folder: Path, a: list[Timed], b: list[Timed], dropped: int = 0) -> Path:
    """One file of both, interfaces 2 and 3, after one that heard nothing."""
    ng = Pcapng()
    every = sorted([(at, 1, data) for at, data in a] + [(at, 2, data) for at, data in b])
    blocks = [ng.section(), *(ng.interface(resolution=9) for _ in range(3))]
    blocks += [ng.packet(which, round(at * 1e9), data) for at, which, data in every]
    path = folder / "both.pcapng"
    path.write_bytes(b"".join((*blocks, ng.statistics(2, dropped))))
    return path


def test_two_interfaces_of_one_file_have_one_clock(tmp_path: Path, some) -> None:
    a, b, found = some
    path = two_interfaces(tmp_path, a, b)
    assert interfaces_of(str(path)) == [1, 2]
    told = between((str(path), 1), (str(path), 2))
    assert counted(told) == found
    assert told.clocks is not None and told.clocks.one and told.clocks.offset_s == 0
    assert only_path(told).way == "A to B" and only_path(told).least_s == pytest.approx(30 * US)
    back = only_path(between((str(path), 2), (str(path), 1)))
    assert back.way == "B to A" and (back.sent.only, back.got.only) == (2, 1)


def test_plain_and_compiled_kernels_agree(tmp_path: Path, monkeypatch, some) -> None:
    a, b, found = some
    beat = [(1.0 + n * 10 * MS, broadcast(7, 0)) for n in range(40)]
    more_a, more_b = both_ends(beat, {20: Fate(lost=True)})
    told = []
    for engine in (kernels_compile.plain, kernels_compile.compiled):
        made = engine(group=kernels_compile.BETWEEN)
        monkeypatch.setattr(run, "_engine", lambda *_, made=made: made)
        for how in ({}, {"pair": True}):
            told.append(held(tmp_path, a + more_a, by_another_clock(b + more_b), snap=120, **how))
    assert told[0] == told[2] and told[1] == told[3]
    assert told[0].paths[0].a.only == found["lost"] == told[1].paths[0].a.only


hostile = st.one_of(
    st.binary(min_size=0, max_size=90),
    st.builds(
        lambda etype, rest: bytes(12) + etype + rest,
        st.sampled_from([b"\x08\x00", b"\x86\xdd", b"\x08\x06", b"\x88\xf7", b"\x81\x00", b"\x00\x10"]),
        st.binary(min_size=0, max_size=120),
    ),
    st.integers(0, 50).map(lambda n: rtp(5, "233.252.0.1", n)),
    st.integers(0, 50).map(lambda n: rtp(5, "233.252.0.1", n)[: 20 + n]),
)
places = st.lists(st.tuples(st.integers(0, 3000), hostile), min_size=0, max_size=60)


@settings(max_examples=80)
@given(common=places, at_a=places, at_b=places, snap=st.sampled_from([60, 90, 65535]), pair=st.booleans())
def test_nothing_in_a_frame_breaks_it(
    tmp_path: Path, monkeypatch, common: list, at_a: list, at_b: list, snap: int, pair: bool
) -> None:
    """Whatever the frames are, it answers, and plain and compiled kernels say the same."""
    a, b = ([(1 + ms * MS, data) for ms, data in [*common, *more]] for more in (at_a, at_b))
    told = []
    for engine in (kernels_compile.plain, kernels_compile.compiled):
        made = engine(group=kernels_compile.BETWEEN)
        monkeypatch.setattr(run, "_engine", lambda *_, made=made: made)
        try:
            told.append(held(tmp_path, a, b, snap, pair=pair, one_clock=True))
        except CaptureError as refused:
            told.append(str(refused))
    assert told[0] == told[1]
    if isinstance(told[0], BetweenFacts):
        for path in told[0].paths:
            for here in (path.a, path.b):
                assert path.matched + here.only + here.ending.frames + here.doubled + here.more <= here.frames
        judged(Facts(between=told[0]))


def test_a_flood_is_held_for_less_long_and_counted(tmp_path: Path) -> None:
    """More frames in a second than a ring has rows for."""
    frames = [(1 + n * 2e-6, rtp(5, "233.252.0.1", n, n.to_bytes(4, "big") * 2)) for n in range(150_000)]
    told = held(tmp_path, *both_ends(frames, {n: Fate(lost=True) for n in range(1000, 149_000, 1000)}))
    assert only_path(told).a.only == 148 and 0.05 < told.patience_s < 0.3


def test_cut_too_short(tmp_path: Path, some) -> None:
    a, b, _ = some
    with pytest.raises(CaptureError, match="snap length"):
        held(tmp_path, a, b, snap=40)
    assert held(tmp_path, a, b, snap=64).matched > 390  # less than the first pass would like


def test_arp_with_and_without_padding(tmp_path: Path) -> None:
    asked = [(1 + n * MS, arp(n % 250 + 1, (n * 7) % 250 + 1)) for n in range(200)]
    a = [(at, data[:42]) for at, data in asked]
    assert held(tmp_path, a, asked).matched == 200


def test_two_networks_are_matched_by_packet(tmp_path: Path) -> None:
    """Another sender's address and another group in each; each lost another packet, and one is in neither."""
    number = range(600)
    gone = {300}
    a = [
        (1 + n * MS, rtp(5, "233.252.0.1", n, bytes([n & 255]) * 96)) for n in number if n not in {100} | gone
    ]
    b = [
        (1 + n * MS + 2 * MS, rtp(5, "233.252.1.1", n, bytes([n & 255]) * 96).replace(bytes([192, 0, 2, 5]), bytes([198, 51, 100, 5])))
        for n in number
        if n not in {200, 201} | gone
    ]  # fmt: skip
    told = held(tmp_path, a, b, pair=True, one_clock=True)
    path = only_path(told)
    assert (path.a.only, path.b.only, path.never, path.matched) == (2, 1, 1, 596)
    assert (path.destination_ip, path.b_destination_ip, path.b_source_ip) == (
        "233.252.0.1",
        "233.252.1.1",
        "198.51.100.5",
    )
    assert path.least_s == pytest.approx(2 * MS) and path.most_s == pytest.approx(2 * MS)
    assert {each.hardware for each in told.a.talkers} == {mac(5)}


def test_a_clock_that_is_set_meanwhile_loses_nothing(tmp_path: Path) -> None:
    a, b = both_ends(stream(2000), {})
    jumped = [(at + (5.0 if n > 1200 else 0.0), data) for n, (at, data) in enumerate(b)]
    told = held(tmp_path, a, jumped)
    assert told.clocks is None and told.jump_s == pytest.approx(5.0, abs=0.01) and not told.paths
    # By less than a frame may be on its way it is a bend, and all is found.
    jumped = [(at + (0.2 if n > 1200 else 0.0), data) for n, (at, data) in enumerate(b)]
    told = held(tmp_path, a, jumped)
    assert told.matched == 2000 and told.clocks is not None and told.clocks.bend_s > 0.05


def test_two_networks_match_a_source_that_began_anew(tmp_path: Path) -> None:
    def packets(group: str) -> list[Timed]:
        frames = [(1 + n * MS, rtp(5, group, n)) for n in range(600)]
        return [
            (at, data[:50] + b"\0\0\0\7" + data[54:] if n > 300 else data)
            for n, (at, data) in enumerate(frames)
        ]

    told = held(tmp_path, packets("233.252.0.1"), packets("233.252.1.1"), pair=True, one_clock=True)
    assert told.matched == 600 and only_path(told).never == 0


@settings(max_examples=40)
@given(
    lost=st.sets(st.integers(1, 98), max_size=40),
    jitter=st.binary(min_size=200, max_size=200).map(
        lambda raw: [us % 2001 * US for us in struct.unpack("<100H", raw)]
    ),
    ahead_s=st.integers(-5000, 5000).map(lambda ms: ms * MS),
)
def test_repeating_content_is_counted_exactly(
    tmp_path: Path, lost: set[int], jitter: list[float], ahead_s: float
) -> None:
    """The same bytes each 5 ms, some held up by up to 2 ms, beside a stream that tells the clocks."""
    beat = [(10.0 + n * 5 * MS, broadcast(7, 0)) for n in range(100)]
    fates = {n: Fate(lost=n in lost, delay_s=30 * US + jitter[n]) for n in range(100)}
    a, b = both_ends(stream(500, start_s=10.0), {})
    more_a, more_b = both_ends(beat, fates)
    told = held(tmp_path, a + more_a, by_another_clock(b + more_b, ahead_s))
    path = next(path for path in told.paths if not path.rtp)
    assert (path.a.only, path.a.alike, path.matched) == (len(lost), len(lost), 100 - len(lost))
    assert (path.b.only, path.b.more, path.b.doubled, path.late, path.reordered) == (0, 0, 0, 0, 0)


def test_clocks_that_are_years_apart(tmp_path: Path) -> None:
    """One clock that was never set is years off."""
    a, b = both_ends(stream(300), {})
    b = [(at + 40 * 365 * 86400.0, data) for at, data in b]
    told = held(tmp_path, a, b)
    assert told.matched == 300 and told.clocks is not None
    assert told.clocks.offset_s == pytest.approx(40 * 365 * 86400.0, abs=1e-3)
