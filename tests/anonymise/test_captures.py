"""Every bundled capture, and the public ones where they are: the same verdict after anonymising, and nothing
of the original."""

import struct
from dataclasses import dataclass
from pathlib import Path

import dpkt
import numpy as np
import pytest

from preflight import handover
from preflight.anonymise.cover import Cover
from preflight.anonymise.key import as_words
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.frames.errors import CaptureError
from tests.anonymise.originals import (
    BUNDLED,
    addresses,
    frames,
    names,
    spelled,
    standing,
    survivors,
    unpacked,
)
from tests.frames.made import FRAME, Pcapng

PUBLIC = Path(__file__).resolve().parents[3] / "shared" / "public-captures"
LIMIT = 1 << 40


def key_for(originals: set[bytes]) -> np.ndarray:
    """A key by which no device gets an address that another one had: in a small network that happens by
    chance."""
    for number in range(1000):
        key = as_words(number.to_bytes(16))
        cover = Cover(key)
        turned = {{4: cover.ip4, 6: cover.mac, 16: cover.ip6}[len(each)](each) for each in originals}
        if not turned & originals:
            return key
    raise AssertionError("no such key")


def made(path: Path, folder: Path, key: np.ndarray) -> handover.Part:
    original = handover.read(str(path), Facts())
    cover = handover.cover_for([original], key)
    return handover.part(original, Facts(), cover, folder / "1", LIMIT, lambda *_: None)


@dataclass
class Covered:
    """A capture as it was, the addresses in it, and what goes out of it."""

    raw: bytes
    there: set[bytes]
    part: handover.Part


@pytest.fixture(scope="module")
def covered(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Covered:
    raw = unpacked(request.param)
    there = addresses(raw)
    return Covered(raw, there, made(request.param, tmp_path_factory.mktemp("covered"), key_for(there)))


@pytest.mark.parametrize("covered", BUNDLED, indirect=True, ids=lambda path: path.name)
def test_a_bundled_capture(covered: Covered) -> None:
    raw, there, part = covered.raw, covered.there, covered.part
    assert part.differs == {}
    assert any(each.finding.outcome != Outcome.UNPROVEN for each in part.result.verdict.findings)
    forms = {form.lower() for each in there for form in spelled(each)}
    words = {word.lower() for word in names(raw)}
    wide = {word.decode("latin-1").encode("utf-16-le") for word in words}
    assert there
    extra = handover.Extra(None, {}, (), True, True)
    for name, content in handover.members([part], extra).items():
        text = content if isinstance(content, bytes) else content.read_bytes()
        low = text.lower()
        if name.endswith(".pcapng"):
            assert not standing(map(_without_stamps, frames(text)), there), name
            blocks = low.split(b"\6\0\0\0")  # a frame's begin so, and no text has it
            assert not standing(blocks, words | wide | {form for form in forms if len(form) > 12}), name
        else:
            assert not survivors(text, forms), name
            # "desk" and "spare" are words of our own.
            assert not standing([low], (words - {b"desk", b"spare"}) | wide), name


def test_there_are_names_to_lose() -> None:
    found: set[bytes] = set()
    for path in sorted(BUNDLED, key=lambda path: path.stat().st_size):
        found |= names(unpacked(path))
        if len(found) >= 10:
            return
    raise AssertionError(found)


def _without_stamps(data: bytes) -> bytes:
    """A frame without what RTP and PTP count, in which four bytes can look like an address."""
    return data[:42] + data[56:] if data[12:14] == b"\x08\x00" and data[23] == 17 else data


@pytest.mark.parametrize(
    "covered", [p for p in BUNDLED if "link-load" not in p.name], indirect=True, ids=lambda path: path.name
)
def test_lengths_and_checksums(covered: Covered, request: pytest.FixtureRequest) -> None:
    assert covered.part.capture is not None
    before, after = list(frames(covered.raw)), list(frames(covered.part.capture.read_bytes()))
    # Of that one the last record is cut, and dpkt shows what is there.
    assert len(before) - len(after) <= ("poor" in request.node.name)
    for old, new in zip(before, after, strict=False):
        assert len(old) == len(new) and _right(old) == _right(new)


def _right(data: bytes) -> list[bool]:
    """Whether the checksums in a frame are right, by dpkt: of IPv4 and what it carries."""
    if data[12:14] != b"\x08\x00" or len(data) < 34:
        return []
    head = (data[14] & 15) * 4
    found = [dpkt.in_cksum(data[14 : 14 + head]) == 0]
    body = data[14 + head : 14 + int.from_bytes(data[16:18])]
    if data[23] in (6, 17) and body[6:8] != b"\0\0":
        pseudo = data[26:34] + bytes([0, data[23]]) + len(body).to_bytes(2)
        found.append(dpkt.in_cksum(pseudo + body) == 0)
    elif data[23] in (1, 2):
        found.append(dpkt.in_cksum(body) == 0)
    return found


@pytest.mark.skipif(not PUBLIC.is_dir(), reason="public captures are not here")
def test_public_captures_keep_their_verdict(tmp_path: Path) -> None:
    """Of all kinds of networks and damage; one in three, to be quick."""
    judged = 0
    for number, path in enumerate(sorted(PUBLIC.glob("*.pcap*"))[::3]):
        try:
            part = made(path, tmp_path / str(number), as_words(bytes(range(16))))
        except CaptureError:
            continue
        assert part.differs == {}, path.name
        judged += 1
    assert judged > 50


def test_what_a_capture_file_tells_beside_its_frames_is_gone(tmp_path: Path) -> None:
    file = Pcapng()
    named = file.option(1, b"the comment") + file.option(3, b"the computer") + file.option(0, b"")
    section = file.block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + named)
    interface = file.block(
        1, struct.pack("<HHI", 1, 0, 0) + file.option(2, b"the adapter") + file.option(0, b"")
    )
    names_block = file.block(4, struct.pack("<HH", 1, 16) + b"\xc0\0\2\1the-resolved" + bytes(4))
    packet = struct.pack("<5I", 0, 0, 0, len(FRAME), len(FRAME)) + FRAME
    packets = [file.block(6, packet + file.option(1, b"the comment") + file.option(0, b"")) for _ in range(3)]
    path = tmp_path / "told.pcapng"
    path.write_bytes(b"".join((section, interface, names_block, *packets)))
    part = made(path, tmp_path, as_words(bytes(16)))
    assert part.capture is not None and part.result.facts.source is not None
    assert part.result.facts.source.frames == 3 and b"the" not in part.capture.read_bytes()
