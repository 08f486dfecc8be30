"""The bytes of a capture, plain or unpacked, from a file, an archive or standard input.

Everything is read forward once and in place (`readinto`), so a pipe serves as well as a file and memory stays
the same whatever the length. What a packed file grows to is watched, so that a bomb ends in one line.
Unpacking goes by small pieces: what comes before damage is handed over, and only the damaged piece is lost.
"""

import io
import os
import select
import stat
import sys
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

from preflight.frames.archive import BROKEN, Member, opened
from preflight.frames.errors import CaptureError
from preflight.text import clean

# No real capture packs this well: a storm of equal frames with their times packs about twentyfold. Common
# practice.
BOMB_RATIO = 500
BOMB_FLOOR = 64 << 20
MEMBER_FLOOR = 1 << 20  # lower for each of an archive's members, of which there may be thousands
XZ_MEMORY = 192 << 20  # bytes; xz -9 needs 65 MiB
ZSTD_WINDOW = 1 << 27  # 128 MiB, what the zstd tool itself accepts without being asked
AT_ONCE_S = 0.001
PIECE = 1 << 14  # unpacked at a time; so much may be lost before damage
Place = str | Member  # a file's name, "-" for standard input, or what lies in an archive


class _Counted(io.RawIOBase):
    """The raw file, counting what has been taken from it."""

    def __init__(self, raw: BinaryIO, head: bytes) -> None:
        self._raw = raw
        self.head = self._head = head
        self.taken = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        if self._head:
            got = min(len(buffer), len(self._head))
            buffer[:got] = self._head[:got]
            self._head = self._head[got:]
        else:
            got = self._raw.readinto(buffer) or 0  # type: ignore[attr-defined]
        self.taken += got
        return got


def _zlib() -> Any:
    """The quickest zlib there is: zlib-ng unpacks captures two to ten times as fast, and has wheels for most
    computers."""
    try:
        from zlib_ng import zlib_ng
    except ImportError:
        return zlib
    return zlib_ng


class _Inflater:
    """zlib's unpacking of one gzip member, with the names that bz2 and lzma use."""

    def __init__(self, library: Any) -> None:
        self._unpacker = library.decompressobj(31)
        self.left = b""

    def decompress(self, data: bytes, most: int) -> bytes:
        got = self._unpacker.decompress(data, most)
        self.left = self._unpacker.unconsumed_tail
        return got

    needs_input = True  # more is asked for whenever nothing is `left`

    @property
    def eof(self) -> bool:
        return self._unpacker.eof

    @property
    def unused_data(self) -> bytes:
        return self._unpacker.unused_data


class _Unpack(io.RawIOBase):
    """Packed parts one after another, each by an unpacker that `begin` gives. The libraries' own files drop
    up to a whole read before damage; a capture whose writer was killed ends in just that way."""

    def __init__(self, raw: io.RawIOBase, begin: Callable[[], Any]) -> None:
        self._raw = raw
        self._begin = begin
        self._unpacker = begin()
        self._packed = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        while True:
            unpacker = self._unpacker
            hungry = unpacker.eof or unpacker.needs_input
            if not self._packed and hungry:
                self._packed = self._raw.read(PIECE) or b""
            last = not self._packed and hungry
            if unpacker.eof:
                if last:
                    return 0
                self._packed = self._packed.lstrip(b"\0")  # zeros may fill up the file
                if self._packed:
                    self._unpacker = self._begin()
                continue
            data = unpacker.decompress(self._packed, min(len(buffer), PIECE))
            self._packed = unpacker.unused_data or getattr(unpacker, "left", b"")
            if data:
                buffer[: len(data)] = data
                return len(data)
            if last and not unpacker.eof:
                raise EOFError("the end is missing")


class ByteStream:
    """A capture's bytes. `size` is the length of the file as it lies on disk, or of the member of an archive;
    None for a pipe. Raises CaptureError."""

    def __init__(self, place: Place) -> None:
        self.name = clean("standard input" if place == "-" else str(place), 300)
        self.trouble = ""
        self.unpacked = 0
        self._member = place if isinstance(place, Member) else None
        self._own = place != "-"
        self._damage: tuple[type[Exception], ...] = (OSError, ValueError)
        self._raw, self.size = self._open(place)
        self._counted = _Counted(self._raw, self._head())
        self.packed = ""
        self._reader: io.RawIOBase = self._counted
        head = self._counted.head
        if head[:2] == b"\x1f\x8b":
            library = _zlib()
            self._unpack("gzip", partial(_Inflater, library), EOFError, library.error)
        elif head[:3] == b"BZh":
            import bz2

            self._unpack("bzip2", bz2.BZ2Decompressor, EOFError, ValueError)
        elif head == b"\xfd7zX":
            import lzma

            begin = partial(lzma.LZMADecompressor, lzma.FORMAT_XZ, XZ_MEMORY)
            self._unpack("xz", begin, EOFError, lzma.LZMAError)
        elif head == b"\x28\xb5\x2f\xfd" or (head[:1] and head[0] >> 4 == 5 and head[1:] == b"\x2a\x4d\x18"):
            import zstandard

            self.packed = "zstd"
            self._damage += (zstandard.ZstdError,)
            unpacker = zstandard.ZstdDecompressor(max_window_size=ZSTD_WINDOW)
            self._reader = unpacker.stream_reader(self._counted, read_across_frames=True)  # type: ignore[arg-type,assignment]

    def _open(self, place: Place) -> tuple[BinaryIO, int | None]:
        """The raw bytes, and how many there are."""
        if place == "-" and sys.stdin is None:
            raise CaptureError("standard input: is closed; name a file")
        if place == "-":
            return getattr(sys.stdin.buffer, "raw", sys.stdin.buffer), None
        try:
            if isinstance(place, Member):
                self._damage = BROKEN + ((zlib.error, _lzma_error()) if place.entry is not None else ())
                return opened(place), place.size
            raw = Path(place).open("rb", buffering=0)  # noqa: SIM115 (closed by close)
            status = os.fstat(raw.fileno())
            return raw, status.st_size if stat.S_ISREG(status.st_mode) else None
        except IsADirectoryError:
            raise CaptureError(f"{self.name}: is a folder; name the capture files in it") from None
        except FileNotFoundError:
            raise CaptureError(f"{self.name}: no such file; check the name") from None
        except PermissionError:
            if os.path.isdir(str(place)):  # noqa: PTH112 (as Windows has it; pathlib would raise where we may not look)
                raise CaptureError(f"{self.name}: is a folder; name the capture files in it") from None
            raise CaptureError(f"{self.name}: no permission to read it; ask its owner for a copy") from None
        except self._damage as error:
            raise CaptureError(f"{self.name}: cannot be opened: {_reason(error)}") from None

    def _head(self) -> bytes:
        """The first four bytes."""
        head = b""
        try:
            while len(head) < 4:
                more = self._raw.read(4 - len(head))
                if not more:
                    break
                head += more
        except self._damage as error:
            raise CaptureError(f"{self.name}: cannot be opened: {_reason(error)}") from None
        return head

    def _unpack(self, packed: str, begin: Callable[[], Any], *damage: type[Exception]) -> None:
        self.packed = packed
        self._damage += damage
        self._reader = _Unpack(self._counted, begin)

    @property
    def taken(self) -> int:
        """Bytes taken from the file as it lies on disk."""
        return self._counted.taken

    def fill(self, view: memoryview) -> int:
        """Read until `view` is full or the bytes end; returns how many. What ends them early is in
        `trouble`."""
        got = 0
        piece = PIECE if self.packed or self._member else len(view)
        while got < len(view) and not self.trouble:
            try:
                more = self._reader.readinto(view[got : got + piece])
            except self._damage as error:
                self.trouble = f"{self.packed or 'reading'}: {_reason(error)}"
                break
            if not more:
                break
            got += more
            if self.packed or self._member:
                self.unpacked += more
                floor, taken = (
                    (MEMBER_FLOOR, self._member.packed) if self._member else (BOMB_FLOOR, self.taken)
                )
                if self.unpacked > floor and self.unpacked > BOMB_RATIO * taken:
                    raise CaptureError(
                        f"{self.name}: offset {self.taken}: unpacks to more than {BOMB_RATIO} times its "
                        "size; no capture does, so it is not read on"
                    )
            else:
                # A pipe hands over what it has; go on with that rather than wait for a full block, unless
                # more comes at once.
                if self.size is None and got >= 65536 and not _comes(self._raw):
                    break
        return got

    def close(self) -> None:
        self._reader.close()
        if self._own:
            self._raw.close()


def _comes(raw: BinaryIO) -> bool:
    """Whether a pipe has more, or gets it within a moment. Windows cannot tell."""
    if sys.platform == "win32":
        return False
    try:
        return bool(select.select([raw], [], [], AT_ONCE_S)[0])
    except (OSError, ValueError):  # no file of the system's
        return False


def _lzma_error() -> type[Exception]:
    import lzma

    return lzma.LZMAError


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return clean(text, 120)
