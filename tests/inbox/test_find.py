"""What is found in folders and archives, and what must end in one line."""

import bz2
import gzip
import io
import lzma
import os
import random
import struct
import tarfile
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
import zstandard

from preflight.frames.archive import Member
from preflight.frames.errors import CaptureError
from preflight.frames.stream import BOMB_FLOOR, MEMBER_FLOOR
from preflight.inbox.find import Inbox, Item, natural
from preflight.report.result import as_dict
from preflight.study import study
from preflight.verdict import judged
from tests.anonymise.originals import unpacked
from tests.frames.made import FRAME, Pcap

CAPTURES = Path(__file__).parents[2] / "captures"
# One is of several blocks, which no archive knows the ends of.
SENT = {
    name: (CAPTURES / name).read_bytes() for name in ("loop.pcap.gz", "stray-dhcp.pcapng", "wifi-bridge.pcap")
}
SENT["mirror.pcapng.zst"] = zstandard.compress(unpacked(CAPTURES / "clean-mirror.pcapng.gz"))
T = 1_795_600_000
SMALL = Pcap().header() + Pcap().record(T, 0, FRAME)


def find(*paths: Path | str) -> list[Item]:
    with Inbox() as inbox:
        return list(inbox.find(map(str, paths)))


def zipped(files: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, method)
    return out.getvalue()


def tarred(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for name, content in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))
    return out.getvalue()


def nested(files: dict[str, bytes]) -> bytes:
    return zipped({"inside.tar.gz": gzip.compress(tarred(files))})


ARCHIVES: dict[str, Callable[[dict[str, bytes]], bytes]] = {
    "zip": zipped,
    "stored zip": lambda files: zipped(files, zipfile.ZIP_STORED),
    "zip by bzip2": lambda files: zipped(files, zipfile.ZIP_BZIP2),
    "zip by lzma": lambda files: zipped(files, zipfile.ZIP_LZMA),
    "tar": tarred,
    "tar.gz": lambda files: gzip.compress(tarred(files)),
    "tar.bz2": lambda files: bz2.compress(tarred(files)),
    "tar.xz": lambda files: lzma.compress(tarred(files)),
    "tar.zst": lambda files: zstandard.compress(tarred(files)),
    "archive in an archive": nested,
}


def told(place: object) -> dict:
    result = as_dict(judged(study(place)))  # type: ignore[arg-type]
    result["source"].pop("name")
    return dict(result)


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict]:
    folder = tmp_path_factory.mktemp("originals")
    for name, content in SENT.items():
        (folder / name).write_bytes(content)
    return {name: told(str(folder / name)) for name in SENT}


@pytest.mark.parametrize("kind", ARCHIVES)
def test_captures_in_an_archive_are_judged_as_they_are_outside(tmp_path, kind, originals):
    path = tmp_path / "sent.bin"  # by what it holds, not by its name
    files = {f"show/{name}": content for name, content in SENT.items()}
    path.write_bytes(ARCHIVES[kind](files | {"show/notes.txt": b"it clicked at 20:14"}))
    with Inbox() as inbox:
        items = list(inbox.find([str(path)]))
        assert [item.name.rsplit("/", 1)[-1] for item in items] == sorted(SENT)
        assert {item.name.rsplit("/", 1)[-1]: told(item.place) for item in items} == originals
        assert inbox.passed_over == 1


def test_a_folder_gives_its_captures_in_natural_order_and_passes_over_the_rest(tmp_path):
    for name in ("ring_10.pcap", "ring_9.pcap", "Ring_2.cap", "deep/er/no-suffix"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(SMALL)
    (tmp_path / "plan.pdf").write_bytes(b"%PDF-1.7")
    (tmp_path / "show.zip").write_bytes(zipped({"in.pcap": SMALL}))
    with Inbox() as inbox:
        names = [item.name.removeprefix(f"{tmp_path}/") for item in inbox.find([str(tmp_path)])]
        assert names == [
            "deep/er/no-suffix", "Ring_2.cap", "ring_9.pcap", "ring_10.pcap", "show.zip: in.pcap",
        ]  # fmt: skip
        assert inbox.passed_over == 1


def test_natural_order():
    names = ["b", "a10", "A9", "a1000000000000000000000", "a09", "ä"]
    assert sorted(names, key=natural) == ["a09", "A9", "a10", "a1000000000000000000000", "b", "ä"]


def test_what_is_called_a_capture_and_is_none_is_told(tmp_path):
    (tmp_path / "good.pcap").write_bytes(SMALL)
    (tmp_path / "bad.pcapng").write_bytes(b"<html>404</html>")
    (tmp_path / "bad.pcap.gz").write_bytes(b"\x1f\x8b not at all")
    assert [item.name.rsplit("/", 1)[-1] for item in find(tmp_path)] == [
        "bad.pcap.gz",
        "bad.pcapng",
        "good.pcap",
    ]


def test_what_macos_leaves_beside_files_is_litter(tmp_path):
    path = tmp_path / "sent.zip"
    path.write_bytes(zipped({"a.pcap": SMALL, "__MACOSX/._a.pcap": b"\0\5\x16\7", "._b.pcap": b"\0\5\x16\7"}))
    assert [item.name for item in find(path)] == [f"{path}: a.pcap"]


@pytest.mark.parametrize("root", ["", "from/vera/"])
def test_of_a_handover_zip_only_the_captures_are_taken(tmp_path, root):
    path = tmp_path / "handover.zip"
    names = ["1/capture.pcapng", "1/evidence/loop.pcapng", "2/capture.pcapng", "2/evidence/loop.pcapng"]
    files = {f"{root}{name}": SMALL for name in names}
    path.write_bytes(zipped(files | {f"{root}README.txt": b"", f"{root}versions.json": b"{}"}))
    assert [item.name for item in find(path)] == [f"{path}: {root}{n}/capture.pcapng" for n in (1, 2)]
    path.write_bytes(zipped(files))  # what is not from there may call its folder as it likes
    assert len(find(path)) == 4


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (zipped({}), "it is empty"),
        (zipped({"a.txt": b"words"}), "none of its 1 files"),
        (zipped({"a.pcap": SMALL})[:-10], "damaged zip"),
        (b"PK\3\4" + bytes(100), "damaged zip"),
        (tarred({"a.txt": b"words"}), "none of its 1 files"),
        (nested({"a.txt": b"words"}), "none of its 1 files"),
    ],
)
def test_an_archive_that_gives_nothing_is_told_in_one_line(tmp_path, content, words):
    path = tmp_path / "sent"
    path.write_bytes(content)
    (item,) = find(path)
    assert (
        item.place is None and words in item.why and item.why.startswith(f"{path}: ") and "\n" not in item.why
    )


def marked(archive: bytes, flag: int = 0, method: int | None = None) -> bytes:
    """The zip with other flags, or another method, in its directory and its local header."""
    out = bytearray(archive)
    for magic, flags in ((b"PK\1\2", 8), (b"PK\3\4", 6)):
        at = out.index(magic)
        out[at + flags] |= flag
        if method is not None:
            out[at + flags + 2 : at + flags + 4] = struct.pack("<H", method)
    return bytes(out)


def test_a_zip_that_is_locked_or_packed_in_another_way_says_what_to_do(tmp_path):
    (tmp_path / "locked.zip").write_bytes(marked(zipped({"a.pcap": SMALL}), flag=1))
    (tmp_path / "deflate64.zip").write_bytes(marked(zipped({"a.pcap": SMALL}), method=9))
    other, locked = find(tmp_path)
    assert "a.pcap: is packed by method 9" in other.why and "unpack the zip yourself" in other.why
    assert "a.pcap: is locked by a password" in locked.why


def test_a_damaged_member_costs_itself(tmp_path):
    path = tmp_path / "sent.zip"
    long = Pcap().header() + Pcap().record(T, 0, FRAME) * 1000
    content = bytearray(zipped({"a.pcap": long, "b.pcap": long}, zipfile.ZIP_STORED))
    content[content.index(b"a.pcap") + 6 + 70] ^= 0xFF  # in the first frame: its checksum is wrong
    path.write_bytes(content)
    first, second = find(path)
    assert study(second.place).source.ended_early == ""
    assert "Bad CRC" in study(first.place).source.ended_early


def test_a_tar_that_is_cut_gives_what_comes_before(tmp_path):
    path = tmp_path / "sent.tar.gz"
    whole = tarred({"a.pcap": SMALL, "b.pcap": SMALL * 100})
    path.write_bytes(gzip.compress(whole[:2000]))
    with Inbox() as inbox:
        items = list(inbox.find([str(path)]))
        assert [item.name.rsplit(": ")[-1] for item in items if item.place] == ["a.pcap", "b.pcap"]
        assert "cut short" in study(items[1].place).source.ended_early


# Bombs


def test_a_zip_that_claims_to_unpack_to_too_much_is_not_opened(tmp_path):
    path = tmp_path / "bomb.zip"
    path.write_bytes(zipped({f"{n}.pcap": SMALL + bytes(BOMB_FLOOR // 4) for n in range(8)}))
    assert path.stat().st_size < 1_000_000
    (item,) = find(path)
    assert "claims to unpack to" in item.why


def test_a_member_that_unpacks_to_too_much_is_not_read_on(tmp_path):
    """Below what a bomb of one file may be, for there may be thousands."""
    path = tmp_path / "bomb.zip"
    packed = gzip.compress(SMALL + bytes(MEMBER_FLOOR * 8))
    path.write_bytes(zipped({"a.pcap.gz": packed}))
    (item,) = find(path)
    with pytest.raises(CaptureError, match="unpacks to more than"):
        study(item.place)


def test_a_packed_tar_that_unpacks_to_too_much_is_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    path = tmp_path / "bomb.tar.gz"
    path.write_bytes(gzip.compress(tarred({"a.pcap": SMALL + bytes(BOMB_FLOOR * 2)})))
    (item,) = find(path)
    assert "unpacks to more than" in item.why
    assert [each.name for each in tmp_path.iterdir()] == ["bomb.tar.gz"]  # nothing of it stays


def test_archives_in_archives_end_somewhere(tmp_path):
    content = zipped({"a.pcap": SMALL})
    for _ in range(5):
        content = zipped({"a.zip": content})
    path = tmp_path / "deep.zip"
    path.write_bytes(content)
    (item,) = find(path)
    assert "too deep" in item.why


def test_a_directory_that_claims_gigabytes_takes_no_memory(tmp_path):
    header = bytearray(tarred({"a": b""})[:512])
    header[124:136] = b"77777777777\0"  # a long name of 8 GiB
    header[156:157] = b"L"
    header[148:156] = b" " * 8
    header[148:156] = b"%06o\0 " % sum(header)
    path = tmp_path / "huge.tar"
    with path.open("wb") as file:
        file.write(header)
        file.truncate(1 << 34)
    (item,) = find(path)
    assert "damaged tar" in item.why


@pytest.mark.parametrize("kind", ARCHIVES)
def test_a_damaged_archive_gives_captures_or_a_line_and_nothing_else(tmp_path, kind):
    noise = random.Random(kind)
    whole = ARCHIVES[kind]({"a.pcap": SMALL * 3, "b.pcap": SMALL, "n.txt": b"words"})
    path = tmp_path / "sent"
    for _ in range(40):
        content = bytearray(whole)
        for _ in range(noise.choice([1, 3, 20])):
            at = noise.randrange(len(content))
            content[at : at + noise.choice([0, 1, 30])] = noise.randbytes(noise.choice([0, 1, 30]))
        path.write_bytes(content)
        with Inbox() as inbox:
            for item in inbox.find([str(path)]):
                assert item.name.isprintable() and item.why.isprintable()
                if item.place is not None:
                    with suppress(CaptureError):
                        study(item.place)


# Names


def test_names_lead_nowhere_and_write_nothing_on_the_terminal(tmp_path):
    path = tmp_path / "evil.tar"
    names = [
        "../../../../tmp/evil.pcap",
        "/etc/evil.pcap",
        "a\x1b[2J\nb.pcap",
        "\u202egnp.pcap",
        "<script>.pcap",
    ]
    path.write_bytes(tarred(dict.fromkeys(names, SMALL)))
    before = {each.name for each in tmp_path.iterdir()}
    items = find(path)
    assert len(items) == len(names) and all(item.name.isprintable() for item in items)
    assert all(isinstance(item.place, Member) and study(item.place).source.frames == 1 for item in items)
    assert {each.name for each in tmp_path.iterdir()} == before
    assert not Path("/etc/evil.pcap").exists()


def test_links_and_devices_in_a_tar_are_not_followed(tmp_path):
    path = tmp_path / "links.tar"
    with tarfile.open(path, "w") as archive:
        for kind in (tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.CHRTYPE, tarfile.FIFOTYPE):
            info = tarfile.TarInfo(f"{kind!r}.pcap")
            info.type, info.linkname = kind, "/etc/passwd"
            archive.addfile(info)
    (item,) = find(path)
    assert item.place is None


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_in_a_folder_is_not_waited_for_and_a_named_one_is_taken_at_its_word(tmp_path):
    os.mkfifo(tmp_path / "pipe.pcap")
    (tmp_path / "a.pcap").write_bytes(SMALL)
    assert [item.name for item in find(tmp_path)] == [f"{tmp_path}/a.pcap"]
    assert [item.place for item in find(tmp_path / "pipe.pcap", "-")] == [str(tmp_path / "pipe.pcap"), "-"]


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="needs links")
def test_a_folder_that_holds_itself_ends(tmp_path):
    (tmp_path / "a.pcap").write_bytes(SMALL)
    (tmp_path / "again").symlink_to(tmp_path)
    assert len(find(tmp_path)) == 1
