"""Places: folders, files and object storage, as fsspec knows them. What captures lie there, and each as a local file.

A folder is looked through to its bottom for names that captures have; a file that is named itself is taken whatever its name.
What lies elsewhere is fetched into a temporary file for as long as it is read.
"""

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fsspec.core import url_to_fs
from fsspec.implementations.local import LocalFileSystem

from preflight.archive import ArchiveError
from preflight.text import clean

ENDINGS = (".pcap", ".pcapng", ".cap", ".dmp", ".ntar")
PACKED = (".gz", ".zst", ".zstd")
STAMPS = ("ETag", "etag", "mtime", "LastModified", "last_modified")  # as the file systems call it
PIECE = 1 << 20


@dataclass(frozen=True)
class Found:
    """A file that may be a capture: `stamp` changes when it is written anew."""

    place: str
    bytes: int
    stamp: str

    @property
    def known_as(self) -> str:
        """The place as it can be kept and shown."""
        return clean(self.place, 4000)


def opened(place: str) -> tuple[Any, str]:
    """The file system of a place and the path in it. Raises ArchiveError."""
    try:
        return url_to_fs(place, use_listings_cache=False, skip_instance_cache=True)
    except (ValueError, ImportError, OSError) as error:
        raise ArchiveError(f"{clean(place, 200)}: cannot be opened: {reason(error)}") from None


def captures_in(place: str) -> tuple[list[Found], int]:
    """The captures of a place, the largest first so that none is left to one worker at the end, and how many other files lie there. Raises
    ArchiveError where the place cannot be looked at."""
    fs, path = opened(place)
    try:
        infos = fs.find(path, detail=True)
    except Exception as error:  # each kind of storage has its own
        raise ArchiveError(f"{clean(place, 200)}: cannot be looked at: {reason(error)}") from None
    if not infos:
        what = "holds no file" if is_local(fs) and Path(path).is_dir() else "nothing is there"
        raise ArchiveError(f"{clean(place, 200)}: {what}; check the name")
    alone = len(infos) == 1 and next(iter(infos)) == path
    found = [_found(fs, name, info) for name, info in infos.items() if alone or _named_as_capture(name)]
    return sorted(found, key=lambda one: -one.bytes), len(infos) - len(found)


def _found(fs: Any, name: str, info: dict[str, Any]) -> Found:
    place = name if is_local(fs) else fs.unstrip_protocol(name)
    return Found(
        place, int(info.get("size") or 0), next((str(info[key]) for key in STAMPS if key in info), "")
    )


def _named_as_capture(name: str) -> bool:
    path = Path(name.lower())
    return (path.with_suffix("") if path.suffix in PACKED else path).suffix in ENDINGS


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


def digest(path: str) -> str:
    """The SHA-256 of a local file. Raises ArchiveError."""
    made = hashlib.sha256()
    try:
        with Path(path).open("rb", buffering=0) as file:
            while piece := file.read(PIECE):
                made.update(piece)
    except OSError as error:
        raise ArchiveError(f"{clean(path, 200)}: cannot be read: {reason(error)}") from None
    return made.hexdigest()


def reason(error: BaseException) -> str:
    return clean(getattr(error, "strerror", None) or str(error) or type(error).__name__, 200)
