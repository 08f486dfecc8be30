"""Streams: which flows are one, which sessions stand, what a stream is called, and what a packet of it
holds."""

import random
from dataclasses import replace

import pytest

from preflight.checks.say import who
from preflight.checks.see.streams import (
    all_streams,
    announced,
    called,
    channels,
    heard_streams,
    layout,
    lost_packets,
    names,
    place,
    recalled,
)
from preflight.facts import Facts
from preflight.tally.facts import RtpStream
from tests.checks.flows import FLOW
from tests.tally.captures import ethernet, every, mac, mirrored, rtp, sap, sdp, studied, udp

GROUP = "233.252.0.9"


def stream(packets: int = 100, gone: object = (), **more):
    made = every(0.001, lambda n: rtp(5, GROUP, n, **more), 0, packets / 1000)
    return [frame for n, frame in enumerate(made) if n not in set(gone)]  # type: ignore[call-overload]


@pytest.mark.parametrize(("packets", "heard"), [(31, 0), (32, 1)])
def test_thirty_two_packets_are_a_stream(tmp_path, packets, heard):
    assert len(heard_streams(studied(tmp_path, stream(packets)))) == heard


def test_what_only_looks_like_rtp_is_none(tmp_path):
    """Numbers and times by chance; and what is discovery by where it goes."""
    random.seed(1)
    chance = every(0.001, lambda _: rtp(5, GROUP, random.randrange(1 << 16)), 0, 0.3)
    facts = studied(tmp_path, chance)
    assert not any(each.real for each in facts.tally.streams) and not heard_streams(facts)
    discovery = every(0.001, lambda n: rtp(5, "224.0.0.251", n), 0, 0.1)
    facts = studied(tmp_path, discovery)
    assert facts.tally.streams and not heard_streams(facts)
    assert heard_streams(Facts()) == all_streams(Facts()) == []


def test_in_a_loop_it_is_a_stream_still(tmp_path):
    assert len(heard_streams(studied(tmp_path, mirrored(stream())))) == 1


def counted(to: str, size: int = 600, odd: int = 0, to_mac: str | None = None):
    """A counter of 16 bits in 600 bytes a millisecond; the last frame is longer by `odd` bytes."""
    make = lambda n: udp(5, to, 6000, n.to_bytes(4) + bytes(size + odd * (n == 999)), to_mac)  # noqa: E731
    return every(0.001, make, 0, 1)


def test_others_that_count_their_frames_are_streams_too(tmp_path):
    assert len(all_streams(studied(tmp_path, counted(GROUP)))) == 1
    assert not all_streams(studied(tmp_path, counted(GROUP, size=8))), "no room for audio"


def test_between_two_programs_it_keeps_its_pace_and_its_length(tmp_path):
    one = {"to_mac": mac(9)}
    assert len(all_streams(studied(tmp_path, counted("192.0.2.9", **one)))) == 1
    assert not all_streams(studied(tmp_path, counted("192.0.2.9", odd=1, **one)))
    assert len(all_streams(studied(tmp_path, counted(GROUP, odd=1)))) == 1
    bursts = [
        (at if n < 700 else at + 2 + n // 50, data)
        for n, (at, data) in enumerate(counted("192.0.2.9", **one))
    ]
    assert not all_streams(studied(tmp_path, bursts))


def test_straight_over_ethernet_it_need_not(tmp_path):
    make = lambda n: ethernet(mac(9), mac(5), 0x88B5, n.to_bytes(4) + bytes(600 + (n == 999)))  # noqa: E731
    assert len(all_streams(studied(tmp_path, every(0.001, make, 0, 1)))) == 1


def test_packets_that_never_came(tmp_path):
    beside = every(0.001, lambda n: rtp(6, "233.252.0.7", n), 0, 0.1)
    assert lost_packets(studied(tmp_path, stream(gone={40, 41}), beside[:50] + beside[51:])) == 3


def said(at: float, text: bytes, **more):
    return [(at, sap(5, text, **more))]


def texts(facts) -> list[str]:
    return [each.name for each in announced(facts)]


def test_a_session_counts_by_its_last_word(tmp_path):
    one, anew = sdp("one", GROUP), sdp("anew", GROUP)
    assert texts(studied(tmp_path, said(0, one))) == ["one"]
    assert texts(studied(tmp_path, said(0, one), said(1, anew))) == ["anew"]
    # Changed, it has another number; it is one session still.
    assert texts(studied(tmp_path, said(0, one, number=1), said(1, anew, number=2))) == ["anew"]
    assert texts(studied(tmp_path, said(0, one), said(1, one, flags=4))) == []
    assert texts(studied(tmp_path, said(0, one), said(1, one, flags=4, number=9))) == ["one"]
    assert texts(studied(tmp_path, said(0, one), said(1, one, flags=2))) == ["one"], "encrypted says nothing"
    nowhere = one.replace(f"c=IN IP4 {GROUP}/15\r\n".encode(), b"")
    assert texts(studied(tmp_path, said(0, nowhere))) == []


def test_what_is_announced_for_a_group_and_port(tmp_path):
    facts = studied(tmp_path, said(0, sdp("Choir", GROUP, port=5010)))
    assert {to: each.name for to, each in names(facts).items()} == {(GROUP, 5010): "Choir"}


DATAGRAM = replace(
    FLOW, protocol=17, ethertype=0x0800, destination_ip=GROUP, destination_port=5004, source_ip="192.0.2.5"
)


def test_what_a_stream_is_called(tmp_path):
    named = names(studied(tmp_path, said(0, sdp("Choir", GROUP))))
    nameless = names(studied(tmp_path, said(0, sdp(" ", GROUP))))
    assert place(DATAGRAM) == (GROUP, 5004) and place(FLOW) == (FLOW.destination, 0x88B5)
    sender = who(mac(5), "192.0.2.5")
    assert called(DATAGRAM, named) == f"“Choir” to {GROUP} port 5004 from {sender}"
    assert called(DATAGRAM, {}) == f"the stream to {GROUP} port 5004 from {sender}"
    assert called(replace(DATAGRAM, destination_port=5006), named).startswith("the stream to")
    assert called(FLOW, named) == (
        f"the stream to {FLOW.destination} (local experimental EtherType 0x88b5) from {who(mac(5))}"
    )
    before = f"Lost: {called(DATAGRAM, {})}."
    assert recalled(before, named) == f"Lost: {called(DATAGRAM, named)}."
    assert recalled(before, nameless) == before and called(DATAGRAM, nameless) == called(DATAGRAM, {})


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> RtpStream:
    [(heard, _)] = heard_streams(studied(tmp_path_factory.mktemp("whole"), stream(2500)))
    assert (heard.clock_hz, heard.packet_stamps, heard.media_bytes) == (48000, 48, 1152)
    return heard


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({}, "48 kHz, 1 ms a packet, 8 channels of 24 bit or 12 channels of 16 bit"),
        ({"media_bytes": 144}, "48 kHz, 1 ms a packet, 1 channel of 24 bit"),
        ({"media_bytes": 100}, "48 kHz, 1 ms a packet"),
        ({"media_bytes": 0}, "48 kHz, 1 ms a packet"),
        ({"clock_hz": 44100}, "44.1 kHz, 1.09 ms a packet, 8 channels of 24 bit or 12 channels of 16 bit"),
        ({"clock_hz": 90000}, "90 kHz, 0.533 ms a packet"),  # video
        ({"payload_type": 95}, "48 kHz, 1 ms a packet"),
        ({"payload_type": 96}, "48 kHz, 1 ms a packet, 8 channels of 24 bit or 12 channels of 16 bit"),
        ({"payload_type": 10}, "48 kHz, 1 ms a packet, 2 channels of 16 bit"),
        ({"payload_type": 11}, "48 kHz, 1 ms a packet, 1 channel of 16 bit"),
        ({"clock_hz": None}, "8 channels of 24 bit or 12 channels of 16 bit"),
        ({"packet_stamps": None}, "48 kHz"),
        ({"clock_hz": None, "packet_stamps": None}, "format not known"),
    ],
)
def test_what_a_packet_holds(whole, change, text):
    assert layout(replace(whole, **change)) == text


@pytest.mark.parametrize(
    ("rate", "ends"),
    [
        ("L24/48000", "8 channels of 24 bit"),
        ("l16/48000", "12 channels of 16 bit"),
        ("L20/48000", "ms a packet, L20"),  # 1152 bytes hold no whole number of 20 bit
        ("opus/48000", "ms a packet, OPUS"),
    ],
)
def test_what_is_announced_of_it_decides(tmp_path, whole, rate, ends):
    facts = studied(tmp_path, said(0, sdp("x", GROUP, rate=rate)))
    [known] = announced(facts)
    assert layout(whole, known).endswith(ends)


def test_a_counter_is_told_as_such(tmp_path):
    [(heard, _)] = all_streams(studied(tmp_path, counted(GROUP)))
    assert layout(heard).startswith(f"counted by {heard.bits} bits, {heard.offset} bytes into")
    assert (heard.bits, heard.offset) == (16, 3)  # where its low byte is


@pytest.mark.parametrize(
    ("stamps", "media", "bits", "count"),
    [(48, 288, 24, 2), (48, 144, 24, 1), (48, 143, 24, None), (48, 1, 24, None), (48, 0, 24, None), (None, 288, 24, None), (-48, 288, 24, None), (1, 2, 16, 1)],
)  # fmt: skip
def test_channels_fill_a_packet_exactly(whole, stamps, media, bits, count):
    assert channels(replace(whole, packet_stamps=stamps, media_bytes=media), bits) == count
