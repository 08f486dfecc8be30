"""What zip and tar archives hold, and the bytes of one of it.

Only listed here and read, never unpacked to where its names say: a member is known by its place in the
archive, and its name is text to show. The libraries' reading is bounded, so that a directory that claims
gigabytes takes no memory. An archive that is packed as a whole, or lies in another one, is unpacked once into
a temporary file; a zip's members are not.
"""

import io
import tarfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from preflight.frames.errors import CaptureError

LARGEST_READ = 16 << 20  # of an archive's directory
MOST_MEMBERS = 10_000
STORED, DEFLATED, BZIP2, LZMA = (
    0,
    8,
    12,
    14,
)  # methods of zip that the library unpacks (PKWARE's APPNOTE, 4.4.5)


@dataclass(frozen=True)
class Member:
    """A file in an archive: `size` bytes from `offset` on in a tar, or the one at place `entry` in a zip's
    directory. `file` is the archive on disk, `shown` and `name` how archive and member are called, `packed`
    how many bytes of the archive it takes."""

    file: str
    shown: str
    name: str
    size: int
    packed: int
    offset: int = 0
    entry: int | None = None

    def __str__(self) -> str:
        return f"{self.shown}: {self.name}"


class _Bounded(io.RawIOBase):
    """A file of which no more than LARGEST_READ is read at once."""

    def __init__(self, path: str) -> None:
        self._file = Path(path).open("rb", buffering=0)  # noqa: SIM115 (closed by close)

    def read(self, size: int = -1) -> bytes:
        if size > LARGEST_READ:
            raise tarfile.ReadError("its directory is too large")
        wanted, parts = size if size >= 0 else LARGEST_READ, []
        while wanted and (part := self._file.read(wanted)):
            parts.append(part)
            wanted -= len(part)
        return b"".join(parts)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def close(self) -> None:
        self._file.close()
        super().close()


class _Window(io.RawIOBase):
    """`size` bytes of a file from `offset` on."""

    def __init__(self, path: str, offset: int, size: int) -> None:
        self._file = Path(path).open("rb", buffering=0)  # noqa: SIM115 (closed by close)
        self._file.seek(offset)
        self._left = size

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        got = self._file.readinto(memoryview(buffer)[: self._left]) or 0
        self._left -= got
        return got

    def close(self) -> None:
        self._file.close()
        super().close()


class _Entry(io.RawIOBase):
    """A member of a zip, unpacked as it is read."""

    def __init__(self, path: str, entry: int) -> None:
        archive = _open_zip(path)
        self._file: Any = archive.open(archive.infolist()[entry])

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        data = self._file.read1(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


_last_zip: list[
    tuple[tuple, zipfile.ZipFile]
] = []  # the one opened last: its directory may have thousands of entries


def _open_zip(path: str) -> zipfile.ZipFile:
    status = Path(path).stat()
    known = (path, status.st_mtime_ns, status.st_size)
    if not _last_zip or _last_zip[0][0] != known:
        _last_zip[:] = [(known, zipfile.ZipFile(_Bounded(path)))]
    return _last_zip[0][1]


# What the libraries raise on archives that are damaged, or not of their kind.
BROKEN = (
    OSError,
    EOFError,
    ValueError,
    RuntimeError,
    NotImplementedError,
    zipfile.BadZipFile,
    tarfile.TarError,
)


def opened(member: Member) -> BinaryIO:
    """The bytes of `member`. Raises what stands in BROKEN."""
    if member.entry is None:
        return _Window(member.file, member.offset, member.size)  # type: ignore[return-value]
    return _Entry(member.file, member.entry)  # type: ignore[return-value]


def zip_members(path: str, shown: str, ratio: int, floor: int) -> Iterator[Member | CaptureError]:
    """The files in a zip; for one that cannot be read the reason. Raises CaptureError where the whole cannot
    be, or where it would unpack to more than `ratio` times its size and more than `floor` bytes."""
    try:
        entries = _open_zip(path).infolist()
    except BROKEN:
        raise CaptureError(f"{shown}: is a damaged zip; ask for it again") from None
    if (size := sum(entry.file_size for entry in entries)) > max(floor, ratio * Path(path).stat().st_size):
        raise CaptureError(
            f"{shown}: claims to unpack to {size} bytes, more than {ratio} times its size; no captures do, "
            "so it is not read"
        )
    for number, entry in enumerate(entries):
        if number == MOST_MEMBERS:
            yield CaptureError(
                f"{shown}: holds more than {MOST_MEMBERS} files; unpack it, and study a part of them"
            )
            return
        if entry.is_dir():
            continue
        told = Member(path, shown, entry.filename, entry.file_size, entry.compress_size, entry=number)
        if entry.flag_bits & 1:
            yield CaptureError(
                f"{told}: is locked by a password; unpack the zip yourself, or ask for one without"
            )
        elif entry.compress_type not in (STORED, DEFLATED, BZIP2, LZMA):
            yield CaptureError(
                f"{told}: is packed by method {entry.compress_type}, which is not read here; unpack the zip "
                "yourself"
            )
        else:
            yield told


def tar_members(path: str, shown: str) -> Iterator[Member | CaptureError]:
    """The files in a tar that is not packed; the reason where its list ends in damage."""
    try:
        with _Bounded(path) as file, tarfile.open(fileobj=file, mode="r:") as archive:
            for number, entry in enumerate(archive):
                if number == MOST_MEMBERS:
                    yield CaptureError(
                        f"{shown}: holds more than {MOST_MEMBERS} files; unpack it, and study a part of them"
                    )
                    return
                if entry.isreg() and not entry.issparse():
                    yield Member(path, shown, entry.name, entry.size, entry.size, offset=entry.offset_data)
    except BROKEN:
        yield CaptureError(
            f"{shown}: is a damaged tar; what comes before the damage is judged, ask for the rest again"
        )
