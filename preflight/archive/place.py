"""Places: folders, files and object storage, as fsspec knows them. What captures lie there, and each as a
local file.

A folder is looked through to its bottom. On this computer a file is taken that begins as a capture or an
archive does, whatever its name; elsewhere one that is called so, for it has to be fetched, into a temporary
file for as long as it is read. Zips and tars are looked into as `study` does: each capture in one is known by
the file and its number among the captures in it.
"""

import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fsspec.core import url_to_fs
from fsspec.implementations.local import LocalFileSystem

from preflight.archive import ArchiveError
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.frames.stream import Place

ENDINGS = (".pcap", ".pcapng", ".cap", ".dmp", ".ntar")
PACKED = (".gz", ".zst", ".zstd", ".xz", ".bz2")
ARCHIVES = (".zip", ".tar", ".tgz", ".tbz2", ".txz")
STAMPS = ("ETag", "etag", "mtime", "LastModified", "last_modified")  # as the file systems call it
INSIDE = ": "  # between an archive and what is in it
PIECE = 1 << 20


@dataclass(frozen=True)
class Found:
    """A file that may be a capture, or one in it, a zip or a tar: then `member` is its name in there, and
    `number` its place among the captures there. `bytes` are the capture's, `stamp` changes when the file is
    written anew. Members that lie `together` can be read only after all is fetched or unpacked."""

    place: str
    bytes: int
    stamp: str
    member: str = ""
    number: int = 0
    together: bool = False

    @property
    def known_as(self) -> str:
        """The place as it can be kept and shown."""
        return clean(f"{self.place}{INSIDE}{self.member}" if self.member else self.place, 4000)


def opened(place: str) -> tuple[Any, str]:
    """The file system of a place and the path in it. Raises ArchiveError."""
    try:
        return url_to_fs(place, use_listings_cache=False, skip_instance_cache=True)
    except (ValueError, ImportError, OSError) as error:
        raise ArchiveError(f"{clean(place, 200)}: cannot be opened: {reason(error)}") from None


@dataclass
class Heap:
    """What lies at a place: `captures`, the largest first so that none is left to one worker at the end; how
    many `others`; archives and what is in them that cannot be read, and why."""

    captures: list[Found] = field(default_factory=list)
    others: int = 0
    troubles: list[str] = field(default_factory=list)


def captures_in(place: str) -> Heap:
    """Raises ArchiveError where the place cannot be looked at."""
    fs, path = opened(place)
    try:
        infos = fs.find(path, detail=True)
    except Exception as error:  # each kind of storage has its own
        raise ArchiveError(f"{clean(place, 200)}: cannot be looked at: {reason(error)}") from None
    if not infos:
        what = "holds no file" if is_local(fs) and Path(path).is_dir() else "nothing is there"
        raise ArchiveError(f"{clean(place, 200)}: {what}; check the name")
    alone = len(infos) == 1 and next(iter(infos)) == path
    heap = Heap()
    for name, info in infos.items():
        found = _found(fs, name, info)
        a_file = info.get("type", "file") == "file"  # a pipe would be waited for
        kind = _kind(found.place, is_local(fs), alone) if a_file else "other"
        if kind == "capture":
            heap.captures.append(found)
        elif kind == "archive":
            _look_inside(found, heap)
        else:
            heap.others += 1
    heap.captures.sort(key=lambda one: (-one.bytes, one.known_as))
    return heap


def _kind(place: str, is_here: bool, alone: bool) -> str:
    """ "capture", "archive" or "other". What is called a capture is taken for one without a look; so is a
    file that was named itself."""
    from preflight.frames.errors import CaptureError
    from preflight.inbox.find import kind_of

    by_name = _kind_by_name(place)
    if by_name == "capture" and not alone:
        return by_name
    if not is_here:
        return "capture" if alone and by_name == "other" else by_name
    try:
        kind = kind_of(place)
    except CaptureError:
        kind = "other"
    if kind in ("zip", "tar"):
        return "archive"
    return "capture" if alone else kind


def _kind_by_name(name: str) -> str:
    path = Path(name.lower())
    bare = path.with_suffix("") if path.suffix in PACKED else path
    if bare.suffix in ENDINGS:
        return "capture"
    return "archive" if bare.suffix in ARCHIVES else "other"


def _look_inside(archive: Found, heap: Heap) -> None:
    from preflight.frames.archive import Member
    from preflight.inbox.find import Inbox

    try:
        with local(archive.place) as path, Inbox() as inbox:
            for number, item in enumerate(inbox.find([path])):
                if not isinstance(item.place, Member):
                    heap.troubles.append(item.why.replace(path, clean(archive.place, 200)))
                    continue
                inner = str(item.place).removeprefix(f"{clean(path, 300)}{INSIDE}")
                together = item.place.file != archive.place
                heap.captures.append(
                    Found(archive.place, item.place.size, _stamp(archive), inner, number, together)
                )
            heap.others += inbox.passed_over
    except ArchiveError as error:
        heap.troubles.append(str(error))


def _stamp(archive: Found) -> str:
    return f"{archive.bytes} {archive.stamp}"


def outermost(known_as: str) -> str:
    """The file of a place that may be one in an archive: what stands before the first ": " that names one."""
    parts = known_as.split(INSIDE)
    for number in range(1, len(parts)):
        outer = INSIDE.join(parts[:number])
        fs, path = opened(outer)
        if fs.isfile(path):
            return outer
    return known_as


def _found(fs: Any, name: str, info: dict[str, Any]) -> Found:
    place = name if is_local(fs) else fs.unstrip_protocol(name)
    return Found(
        place, int(info.get("size") or 0), next((str(info[key]) for key in STAMPS if key in info), "")
    )


def is_local(fs: Any) -> bool:
    return isinstance(fs, LocalFileSystem)


@contextmanager
def local(place: str) -> Iterator[str]:
    """The file of a place as one of this computer's. Raises ArchiveError."""
    fs, path = opened(place)
    if is_local(fs):
        yield path
        return
    handle, copy = tempfile.mkstemp(prefix="preflight-")
    os.close(handle)
    try:
        try:
            fs.get_file(path, copy)
        except Exception as error:  # each kind of storage has its own
            raise ArchiveError(f"{clean(place, 200)}: cannot be fetched: {reason(error)}") from None
        yield copy
    finally:
        Path(copy).unlink(missing_ok=True)


@contextmanager
def reached(founds: Sequence[Found]) -> "Iterator[list[Place]]":
    """Captures that lie in one file, as they can be read here. Raises ArchiveError."""
    with local(founds[0].place) as path:
        if not founds[0].member:
            yield [path for _ in founds]
            return
        from preflight.inbox.find import Inbox

        with Inbox() as inbox:
            there = {
                number: item.place for number, item in enumerate(inbox.find([path])) if item.place is not None
            }
            if any(found.number not in there for found in founds):
                raise ArchiveError(f"{clean(founds[0].place, 200)}: has changed meanwhile; add it again")
            yield [there[found.number] for found in founds]


def digest(place: "Place") -> str:
    """The SHA-256 of a capture as it lies there. Raises ArchiveError."""
    from preflight.frames.archive import BROKEN, Member
    from preflight.frames.archive import opened as member_opened

    made = hashlib.sha256()
    try:
        with (
            member_opened(place) if isinstance(place, Member) else Path(place).open("rb", buffering=0) as file
        ):
            while piece := file.read(PIECE):
                made.update(piece)
    except BROKEN as error:
        raise ArchiveError(f"{clean(str(place), 200)}: cannot be read: {reason(error)}") from None
    return made.hexdigest()


def reason(error: BaseException) -> str:
    return clean(getattr(error, "strerror", None) or str(error) or type(error).__name__, 200)
