"""Whatever comes, readers answer: a fact, `Malformed` or None, at once, without a word on the terminal."""

from dataclasses import fields
from pathlib import Path

import dpkt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight import wire
from preflight.text import clean
from preflight.wire.picked import Picked
from tests.wire.samples import VALID, picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"
kinds = st.sampled_from(sorted(wire.READERS))
ETYPES = {"lldp": 0x88CC, "preauth": 0x88C7, "fast-transition": 0x890D, "arp": 0x0806, "icmp6": 0x86DD}


def read(kind: str, frame: Picked) -> object | None:
    """Read, and see that every text in the fact is clean."""
    fact = wire.read(kind, frame)
    for field in fields(fact) if fact is not None else ():
        value = getattr(fact, field.name)
        for text in value if isinstance(value, tuple) else (value,):
            assert not isinstance(text, str) or clean(text, 1000) == text
    return fact


@pytest.mark.parametrize("kind", sorted(VALID))
def test_every_truncation(kind):
    for frame in VALID[kind]:
        assert type(read(kind, picked(frame))).__name__ not in ("Malformed", "NoneType")
        for length in range(14, len(frame)):
            read(kind, picked(frame[:length], cut=True))


@given(
    kinds, st.binary(max_size=200), st.integers(0, 60), st.sampled_from((0, 0x0800, 0x86DD, 0x88C7, 0x890D))
)
def test_any_bytes(kind, data, l3, etype):
    read(kind, Picked(1, 0.0, data, l3, ETYPES.get(kind, etype), 1, 2))


@given(kinds, st.data())
def test_any_change_of_a_valid_frame(kind, data):
    frame = bytearray(data.draw(st.sampled_from(VALID[kind])))
    for _ in range(data.draw(st.integers(1, 6))):
        frame[data.draw(st.integers(14, len(frame) - 1))] = data.draw(st.integers(0, 255))
    read(kind, picked(bytes(frame)))


def test_dissectors_keep_off_the_terminal(capfd):
    frame = VALID["mdns"][0]
    at = frame.index(b"\x0f_companion-link")
    assert type(wire.read("mdns", picked(frame[:at] + b"\xc0\xff" + frame[at + 2 :]))).__name__ == "Malformed"
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
def test_every_frame_of_public_captures_by_every_reader():
    names = ("*dhcp*", "*bootp*", "*lldp*", "*LLDP*", "*CDP*", "*asan*", "dns*")
    paths = sorted({path for name in names for path in PUBLIC.glob(name) if path.suffix == ".pcap"})
    assert len(paths) > 60
    for path in paths:
        with path.open("rb") as file:
            for _, data in list(dpkt.pcap.Reader(file))[:40]:
                for kind in wire.READERS if len(data) >= 14 else ():
                    read(kind, picked(data))
