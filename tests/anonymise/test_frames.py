"""Frames of whatever kind: nothing raises, lengths stay, plain and compiled kernels agree, and contents do
not get through."""

import time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from preflight.anonymise import kernels
from preflight.anonymise.capture import MESSAGES, Anonymiser
from preflight.anonymise.cover import Cover
from preflight.anonymise.key import as_words
from preflight.frames import compile as engines
from preflight.frames import kernels as k
from preflight.frames.batch import Batch

KEY = as_words(bytes(range(16)))
NO_RTP = np.zeros((64, 1), np.int64)
SECRET = b"\xfa\xce\xca\xfe\xde\xad\xbe\xef"
MAC, GROUP = "00005e005301", "01005e900001"


def rewritten(data: list[bytes], compiled: bool, link: int = k.ETHERNET) -> list[bytes]:
    block = np.zeros(sum(map(len, data)) + 64, np.uint8)
    columns = np.zeros((k.COLUMNS, len(data)), np.int64)
    at = 0
    for row, frame in enumerate(data):
        block[at : at + len(frame)] = np.frombuffer(frame, np.uint8)
        columns[[k.OFF, k.CAP, k.WIRE, k.LINK], row] = at, len(frame), len(frame), link
        at += len(frame)
    engine = engines.plain()
    engine.classify(memoryview(block), columns, len(data))
    batch = Batch(block, columns, len(data), 1, engine, memoryview(block))
    anonymiser = Anonymiser(Cover(KEY), NO_RTP)
    group = engines.ANONYMISE
    anonymiser._engine = lambda _: engines.compiled(group=group) if compiled else engines.plain(group)  # type: ignore[method-assign]
    anonymiser.rewrite(batch)
    return [batch.data(row) for row in range(len(data))]


def ip4(proto: int, body: bytes) -> bytes:
    head = b"\x45\0" + (20 + len(body)).to_bytes(2) + b"\0\1\0\0\x40" + bytes([proto]) + b"\0\0"
    return bytes.fromhex(GROUP + MAC + "0800") + head + b"\xc0\0\2\x15\xe9\xfc\0\1" + body


def ip6(proto: int, body: bytes) -> bytes:
    head = b"\x60\0\0\0" + len(body).to_bytes(2) + bytes([proto, 255])
    source = bytes.fromhex("20010db8000000000000000000005301")
    return bytes.fromhex("3333ff005301" + MAC + "86dd") + head + source + source + body


def udp(port: int, body: bytes) -> bytes:
    return b"\x13\x8c" + port.to_bytes(2) + (8 + len(body)).to_bytes(2) + b"\x12\x34" + body


body = st.binary(max_size=120)
PORTS = (53, 67, 319, 320, 546, 1900, 5004, 5353, 9875)
some_frames = st.one_of(
    st.binary(max_size=120),
    st.tuples(st.sampled_from((1, 2, 6, 17, 58, 89, 112)), body).map(lambda x: ip4(*x)),
    st.tuples(st.sampled_from((0, 6, 17, 43, 44, 58, 60)), body).map(lambda x: ip6(*x)),
    st.tuples(st.sampled_from((ip4, ip6)), st.sampled_from(PORTS), body).map(lambda x: x[0](17, udp(x[1], x[2]))),
    st.tuples(st.sampled_from(("0806", "88cc", "88f7", "8808", "88c7", "0026", "22ea", "8100")), body).map(
        lambda x: bytes.fromhex(GROUP + MAC + x[0]) + x[1]
    ),
    st.tuples(st.sampled_from(("424203", "aaaa0300000c010b", "aaaa0300000c2000", "0001af8101")), body).map(
        lambda x: bytes.fromhex("0180c2000000" + MAC + "0026" + x[0]) + x[1]
    ),
)  # fmt: skip
links = st.sampled_from((k.ETHERNET, k.SLL, k.SLL2))


@settings(max_examples=150)
@given(st.lists(some_frames, min_size=1, max_size=8), links)
@example([b""], k.ETHERNET)
def test_plain_and_compiled_kernels_rewrite_alike(data, link):
    plain = rewritten(data, False, link)
    assert plain == rewritten(data, True, link)
    assert [len(new) for new in plain] == [len(old) for old in data]


@settings(max_examples=200)
@given(some_frames, st.integers(0, 120), links)
def test_contents_do_not_get_through(frame, at, link):
    """Eight bytes anywhere beyond the headers, where nothing has them for a number of its own."""
    start = 14 + 20 + 8 + 44 + at
    data = frame[:start].ljust(start, b"\0") + SECRET + frame[start:]
    assert SECRET not in rewritten([data], False, link)[0]


@given(some_frames)
def test_the_same_stays_the_same(frame):
    one, other = rewritten([frame, frame], False)
    assert one == other


@pytest.mark.parametrize("port", [4000, 5004])
def test_what_differed_still_differs(port):
    frames = [ip4(17, udp(port, bytes([number]) * 60)) for number in range(1, 50)]
    new = rewritten(frames, False)
    assert len(set(new)) == len(frames)
    assert not any(bytes([number]) * 4 in data for number, data in enumerate(new, 1))


@given(st.sampled_from(sorted(MESSAGES)), st.binary(max_size=400))
def test_messages_of_any_bytes_keep_their_length(kind, data):
    assert len(MESSAGES[kind](data, Cover(KEY))) == len(data)


def test_names_that_end_in_one_another_take_no_longer_than_others():
    """A long chain of labels, and thousands of records that point into it."""
    chain = b"\1a" * 120 + b"\5local\0"
    records = 5000 * (b"\xc0\x0c" + b"\0\x10\0\1\0\0\0\x78\0\0")
    data = b"\0\0\x84\0\0\1" + (5000).to_bytes(2) + b"\0\0\0\0" + chain + b"\0\xff\0\1" + records
    started = time.process_time()
    new = MESSAGES[k.K_MDNS](data, Cover(KEY))
    assert len(new) == len(data) and b"\5local" in new and time.process_time() - started < 1


def test_half_an_address_of_a_name_server_is_not_passed_on():
    """RFC 8106 asks for whole addresses; the option's length allows eight bytes more."""
    option = bytes([25, 2]) + bytes(6) + b"secrets!"
    block, cover = bytearray(bytes([133]) + bytes(7) + option), Cover(KEY)
    kernels.cover_icmp6(block, 0, len(block), cover.key, cover.pins, cover.known)
    assert block[:16] == bytes([133]) + bytes(7) + option[:8] and block[16:] != option[8:]
