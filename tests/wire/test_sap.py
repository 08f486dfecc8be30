"""Announcements of streams: SAP (RFC 2974) around SDP (RFC 8866), as sent and as nobody should send them."""

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight import wire
from preflight.text import clean
from preflight.wire.sap import SapMessage
from preflight.wire.sdp import parse
from tests.tally.captures import sap, sdp
from tests.wire.samples import picked


def read(frame: bytes) -> SapMessage:
    fact = wire.read("sap", picked(frame))
    assert isinstance(fact, SapMessage)
    return fact


def test_an_announcement_is_read() -> None:
    fact = read(sap(5, sdp("Stage left", "233.252.0.9", channels=8)))
    assert (fact.source, fact.origin, fact.number, fact.deletion) == ("192.0.2.5", "192.0.2.5", 7, False)
    assert fact.session is not None
    assert (fact.session.name, fact.session.origin) == ("Stage left", "- 17 192.0.2.5")
    (media,) = fact.session.media
    assert (media.group, media.port, media.payload_type) == ("233.252.0.9", 5004, 97)
    assert (media.encoding, media.clock_hz, media.channels, media.packet_time_ms) == ("L24", 48000, 8, 1.0)


def test_a_session_of_two_streams_and_session_wide_values() -> None:
    text = (
        b"v=0\r\no=- 17 4 IN IP6 2001:db8::5\r\ns=Two\r\nc=IN IP6 FF15::101/3\r\na=ptime:0.125\r\nt=0 0\r\n"
        b"m=audio 5004/2 RTP/AVP 10\r\nm=audio 5006 RTP/AVP 96\r\ni=Drums\r\nc=IN IP4 233.252.0.7/32\r\n"
        b"a=rtpmap:96 L16/44100\r\na=ptime:4\r\nm=text 5010 UDP/T 0\r\nm=audio 99999 RTP/AVP 96\r\n"
    )
    session = parse(text)
    assert session is not None
    first, second = session.media
    assert (first.group, first.encoding, first.channels, first.packet_time_ms) == (
        "ff15::101",
        "",
        None,
        0.125,
    )
    assert (second.group, second.title, second.clock_hz, second.channels) == (
        "233.252.0.7",
        "Drums",
        44100,
        1,
    )
    assert second.packet_time_ms == 4


def test_deletion_compression_encryption_authentication() -> None:
    text = sdp("Monitors", "233.252.0.9")
    assert read(sap(5, b"o=- 17 4 IN IP4 192.0.2.5\r\n", flags=0x04)).deletion
    packed = read(sap(5, zlib.compress(b"application/sdp\0" + text), flags=0x01, typed=False))
    assert packed.session is not None and packed.session.name == "Monitors"
    secret = read(sap(5, b"\x99" * 40, flags=0x02, typed=False))
    assert secret.session is None
    signed = read(sap(5, text, authentication=b"\x11" * 8))
    assert signed.session is not None and signed.session.name == "Monitors"
    assert read(sap(5, text, typed=False)).session == signed.session
    assert read(sap(5, b"image/png\0" + text, typed=False)).session is None


def test_a_small_packet_cannot_unpack_to_gigabytes() -> None:
    bomb = zlib.compress(b"v=0\r\ns=x\r\n" + bytes(50_000_000), 9)[:60_000]
    fact = read(sap(5, bomb[:1400], flags=0x01, typed=False))
    assert fact.session is None or len(fact.session.name) <= 80


@pytest.mark.parametrize(
    "line",
    [
        b"a=rtpmap:97 L24/99999999999999999999/2",
        "a=rtpmap:97 L24/４８０００/２".encode(),
        b"a=rtpmap:97 L24/48_000/-2",
        b"a=rtpmap:97",
        b"a=ptime:1e999",
        b"a=ptime:nan",
        b"a=ptime:-1",
        b"a=ptime:0",
        b"c=IN IP4 999.1.1.1",
        b"c=IN",
    ],
)
def test_numbers_without_sense_are_untold(line: bytes) -> None:
    session = parse(b"v=0\r\no=- 1 1 IN IP4 192.0.2.5\r\ns=x\r\nm=audio 5004 RTP/AVP 97\r\n" + line)
    assert session is not None
    (media,) = session.media
    assert (media.clock_hz, media.packet_time_ms, media.group) == (None, None, "")


def test_names_are_cleaned() -> None:
    fact = read(sap(5, sdp("\x1b[31mred\u202egnp", "233.252.0.9")))
    assert fact.session is not None
    assert fact.session.name == clean("\x1b[31mred\u202egnp")


@given(st.binary(max_size=300))
def test_any_text(data: bytes) -> None:
    session = parse(b"v=0\r\ns=x\r\nm=audio 5004 RTP/AVP 97\r\n" + data)
    assert session is not None
    for media in session.media:
        for text in (media.kind, media.title, media.group, media.encoding):
            assert clean(text, 1000) == text
