"""The captures in what was sent: files, folders, zip and tar archives, one inside the other.

What is named by the user is taken at its word. In folders and archives a file is taken when it begins as a
capture does, whatever its name; one that is called a capture and begins otherwise is told, anything else is
passed over and counted. A zip that `handover` made holds excerpts beside its captures, which are passed over
too. Archives in archives, and tars that are packed, are unpacked once into a temporary folder, under the same
guard as packed captures.
"""

import os
import re
import shutil
import stat
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from preflight.frames.archive import MOST_MEMBERS, Member, tar_members, zip_members
from preflight.frames.capture import PCAP_MAGIC, PCAPNG_MAGIC
from preflight.frames.errors import CaptureError
from preflight.frames.stream import BOMB_FLOOR, BOMB_RATIO, ByteStream, Place
from preflight.text import clean

# What a capture is called, packed or not.
CAPTURE_NAME = re.compile(r"\.(p?cap(ng)?|dmp)\d*(\.(gz|zst|xz|bz2))?$", re.IGNORECASE)
TAR_AT, TAR_MAGIC = 257, b"ustar"  # POSIX.1-1988
ZIP_MAGIC = (b"PK\3\4", b"PK\5\6")
DEEPEST = 3  # archives in archives
SPARE_BYTES = 1 << 30  # left free on the disk by what is unpacked


@dataclass(frozen=True)
class Item:
    """One capture by its name; or, without a place, one that cannot be read, and why in one line."""

    name: str
    place: Place | None
    why: str = ""


class Inbox:
    """Finds captures; a context, at whose end what was unpacked is removed. `passed_over` counts files that
    are none."""

    def __init__(self) -> None:
        self.passed_over = 0
        self._stack = ExitStack()
        self._folder: str | None = None

    def __enter__(self) -> "Inbox":
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def find(self, paths: Iterable[str]) -> Iterator[Item]:
        """The captures of each path in turn, in the natural order of their names."""
        for path in paths:
            kind = _on_disk(path)
            if kind == "folder":
                yield from self._listed(path, self._folder_places(path))
            elif kind == "file":
                yield from self._opened(path, 0)
            else:
                yield Item(_shown(path), path)

    def _listed(
        self, container: str, found: Iterable[Place | CaptureError], depth: int = 0
    ) -> Iterator[Item]:
        """What of a folder's or an archive's files is a capture."""
        places: list[Place] = []
        errors: list[CaptureError] = []
        for each in found:
            if isinstance(each, CaptureError):
                errors.append(each)
            else:
                places.append(each)
        any_item = False
        excerpts = _excerpts({_inner(place, container) for place in places})
        for place in sorted(places, key=lambda place: natural(_inner(place, container))):
            name = _inner(place, container)
            if name in excerpts or _is_litter(name):
                self.passed_over += name in excerpts
                continue
            for item in self._taken(place, name, depth):
                any_item = True
                yield item
        for error in errors:
            any_item = True
            yield Item(_shown(container), None, str(error))
        if not any_item and depth == 0:
            many = f"none of its {len(places)} files is one" if places else "it is empty"
            why = (
                f"{_shown(container)}: holds no capture: {many}; name the folder or archive with the captures"
            )
            yield Item(_shown(container), None, why)

    def _taken(self, place: Place, name: str, depth: int) -> Iterator[Item]:
        """A file that was found, if it is a capture or holds some."""
        try:
            kind = kind_of(place)
        except CaptureError as error:
            if CAPTURE_NAME.search(name):
                yield Item(_shown(place), None, str(error))
            else:
                self.passed_over += 1
            return
        if kind == "capture" or (kind == "other" and CAPTURE_NAME.search(name)):
            yield Item(_shown(place), place)
        elif kind == "other":
            self.passed_over += 1
        else:
            yield from self._archive(place, kind, depth + 1)

    def _opened(self, path: str, depth: int) -> Iterator[Item]:
        """A file that the user named."""
        try:
            kind = kind_of(path)
        except CaptureError as error:
            yield Item(_shown(path), None, str(error))
            return
        if kind in ("zip", "tar"):
            yield from self._archive(path, kind, depth)
        else:
            yield Item(_shown(path), path)

    def _archive(self, place: Place, kind: str, depth: int) -> Iterator[Item]:
        if depth > DEEPEST:
            yield Item(
                _shown(place), None, f"{_shown(place)}: lies too deep in other archives; unpack it yourself"
            )
            return
        try:
            file, shown = self._on_disk_whole(place), _shown(place)
            members = (
                zip_members(file, shown, BOMB_RATIO, BOMB_FLOOR)
                if kind == "zip"
                else tar_members(file, shown)
            )
            yield from self._listed(shown, members, depth)
        except CaptureError as error:
            yield Item(_shown(place), None, str(error))

    def _on_disk_whole(self, place: Place) -> str:
        """The archive as a file of its own, without packing around it."""
        stream = ByteStream(place)
        try:
            if isinstance(place, str) and not stream.packed:
                return place
            if self._folder is None:
                self._folder = self._stack.enter_context(
                    tempfile.TemporaryDirectory(prefix="preflight-inbox-", ignore_cleanup_errors=True)
                )
            with tempfile.NamedTemporaryFile(dir=self._folder, delete=False) as file:
                block = bytearray(1 << 20)
                while got := stream.fill(memoryview(block)):
                    if shutil.disk_usage(self._folder).free < SPARE_BYTES:
                        raise CaptureError(
                            f"{stream.name}: no room to unpack it in {self._folder}; unpack it elsewhere"
                        )
                    file.write(block[:got])
            return file.name
        except OSError as error:
            reason = error.strerror or str(error)
            raise CaptureError(f"{stream.name}: cannot be unpacked: {reason}; unpack it elsewhere") from None
        finally:
            stream.close()

    def _folder_places(self, folder: str) -> Iterator[Place | CaptureError]:
        count = 0
        troubles: list[OSError] = []
        for at, folders, files in os.walk(folder, onerror=troubles.append):
            folders.sort()
            for file in files:
                path = Path(at, file)
                if _on_disk(str(path)) != "file":
                    continue
                count += 1
                if count > MOST_MEMBERS:
                    yield CaptureError(
                        f"{_shown(folder)}: holds more than {MOST_MEMBERS} files; study a part of them"
                    )
                    return
                yield str(path)
        for trouble in troubles:
            where = _shown(str(trouble.filename))
            yield CaptureError(
                f"{where}: cannot be looked through: {trouble.strerror}; ask its owner for a copy"
            )


def kind_of(place: Place) -> str:
    """ "capture", "zip", "tar" or "other", by how it begins, unpacked. Raises CaptureError where it cannot be
    opened."""
    stream = ByteStream(place)
    try:
        head = bytearray(TAR_AT + len(TAR_MAGIC))
        view, got = memoryview(head), 0
        while got < len(head) and (more := stream.fill(view[got:])):
            got += more
    finally:
        stream.close()
    if got >= 4 and (bytes(head[:4]) in PCAP_MAGIC or bytes(head[:4]) == PCAPNG_MAGIC):
        return "capture"
    if bytes(head[:4]) in ZIP_MAGIC:
        return "zip"
    return "tar" if bytes(head[TAR_AT:]) == TAR_MAGIC else "other"


def natural(name: str) -> list[tuple[int, str]]:
    """To sort names by: 2 before 10, whatever the case."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return [(int(part[:18]), part) if part.isascii() and part.isdigit() else (0, part) for part in parts]


def _on_disk(path: str) -> str:
    """ "file", "folder", or "" for what is neither or is not there: a pipe must not be opened twice."""
    try:
        mode = os.stat(path).st_mode if path != "-" else 0  # noqa: PTH116
    except (OSError, ValueError):
        return ""
    return "folder" if stat.S_ISDIR(mode) else "file" if stat.S_ISREG(mode) else ""


def _inner(place: Place, container: str) -> str:
    """The name inside its folder or archive."""
    if isinstance(place, Member):
        return place.name
    return Path(place).relative_to(container).as_posix()


def _shown(place: Place) -> str:
    return clean("standard input" if place == "-" else str(place), 300)


def _is_litter(name: str) -> bool:
    """What macOS leaves beside each file of an archive."""
    parts = PurePosixPath(name).parts
    return bool(parts) and (parts[-1].startswith("._") or "__MACOSX" in parts)


def _excerpts(names: set[str]) -> set[str]:
    """Of what `handover` made, the evidence: frames of the captures beside it."""
    roots = [
        name.removesuffix("versions.json") for name in names if PurePosixPath(name).name == "versions.json"
    ]
    made = [root for root in roots if f"{root}README.txt" in names]
    evidence = re.compile(r"(\d+/)?evidence/[^/]+\.pcapng")
    return {
        name
        for name in names
        for root in made
        if name.startswith(root) and evidence.fullmatch(name[len(root) :])
    }
