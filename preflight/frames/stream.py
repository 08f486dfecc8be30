"""The bytes of a capture, plain or unpacked, from a file or standard input.

Everything is read forward once and in place (`readinto`), so a pipe serves as well as a file and memory stays
the same whatever the length. What a packed file grows to is watched, so that a bomb ends in one line. Unpacking goes
by small pieces: what comes before damage is handed over, and only the damaged piece is lost.
"""

import io
import os
import stat
import sys
import zlib
from pathlib import Path
from typing import BinaryIO

from preflight.frames.errors import CaptureError
from preflight.text import clean

# No real capture packs this well: a storm of equal frames with their times packs about twentyfold. Common practice.
BOMB_RATIO = 500
BOMB_FLOOR = 64 << 20
ZSTD_WINDOW = 1 << 27  # 128 MiB, what the zstd tool itself accepts without being asked
PIECE = 1 << 14  # unpacked at a time; so much may be lost before damage


class _Counted(io.RawIOBase):
    """The raw file, counting what has been taken from it."""

    def __init__(self, raw: BinaryIO, head: bytes) -> None:
        self._raw = raw
        self._head = head
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


class _Gunzip(io.RawIOBase):
    """Gzip members one after another (RFC 1952). `gzip.GzipFile` drops up to a whole read before damage; a capture whose
    writer was killed ends in just that way."""

    def __init__(self, raw: io.RawIOBase) -> None:
        self._raw = raw
        self._unpacker = zlib.decompressobj(31)
        self._packed = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        while True:
            if not self._packed:
                self._packed = self._raw.read(PIECE) or b""
            last = not self._packed
            if self._unpacker.eof:
                if last:
                    return 0
                self._packed = self._packed.lstrip(b"\0")  # zeros may fill up the file
                if self._packed:
                    self._unpacker = zlib.decompressobj(31)
                continue
            data = self._unpacker.decompress(self._packed, min(len(buffer), PIECE))
            self._packed = self._unpacker.unused_data or self._unpacker.unconsumed_tail
            if data:
                buffer[: len(data)] = data
                return len(data)
            if last and not self._unpacker.eof:
                raise EOFError("the end is missing")


class ByteStream:
    """A capture's bytes. `size` is the length of the file as it lies on disk, None for a pipe. Raises CaptureError."""

    def __init__(self, path: str) -> None:
        self.name = clean("standard input" if path == "-" else path, 200)
        self.trouble = ""
        self.unpacked = 0
        self._raw: BinaryIO | None = None
        self._own = path != "-"
        try:
            if not self._own and sys.stdin is None:
                raise CaptureError("standard input: is closed; name a file")
            if not self._own:
                self._raw = sys.stdin.buffer.raw if hasattr(sys.stdin.buffer, "raw") else sys.stdin.buffer
                self.size = None
            else:
                self._raw = Path(path).open("rb", buffering=0)  # noqa: SIM115 (closed by close)
                status = os.fstat(self._raw.fileno())
                self.size = status.st_size if stat.S_ISREG(status.st_mode) else None
            head = b""
            while len(head) < 4:
                more = self._raw.read(4 - len(head))
                if not more:
                    break
                head += more
        except IsADirectoryError:
            raise CaptureError(f"{self.name}: is a folder; name the capture files in it") from None
        except FileNotFoundError:
            raise CaptureError(f"{self.name}: no such file; check the name") from None
        except PermissionError:
            if os.path.isdir(path):  # noqa: PTH112 (as Windows has it; pathlib would raise where we may not look)
                raise CaptureError(f"{self.name}: is a folder; name the capture files in it") from None
            raise CaptureError(f"{self.name}: no permission to read it; ask its owner for a copy") from None
        except (OSError, ValueError) as error:
            raise CaptureError(f"{self.name}: cannot be opened: {_reason(error)}") from None
        self._counted = _Counted(self._raw, head)
        self.packed = ""
        self._reader: io.RawIOBase = self._counted
        self._damage: tuple[type[Exception], ...] = (OSError,)
        if head[:2] == b"\x1f\x8b":
            self.packed = "gzip"
            self._damage += (EOFError, zlib.error)
            self._reader = _Gunzip(self._counted)
        elif head == b"\x28\xb5\x2f\xfd" or (head[:1] and head[0] >> 4 == 5 and head[1:] == b"\x2a\x4d\x18"):
            import zstandard

            self.packed = "zstd"
            self._damage += (zstandard.ZstdError,)
            unpacker = zstandard.ZstdDecompressor(max_window_size=ZSTD_WINDOW)
            self._reader = unpacker.stream_reader(self._counted, read_across_frames=True)  # type: ignore[arg-type,assignment]

    @property
    def taken(self) -> int:
        """Bytes taken from the file as it lies on disk."""
        return self._counted.taken

    def fill(self, view: memoryview) -> int:
        """Read until `view` is full or the bytes end; returns how many. What ends them early is in `trouble`."""
        got = 0
        piece = PIECE if self.packed else len(view)
        while got < len(view) and not self.trouble:
            try:
                more = self._reader.readinto(view[got : got + piece])
            except self._damage as error:
                self.trouble = f"{self.packed or 'reading'}: {_reason(error)}"
                break
            if not more:
                break
            got += more
            if self.packed:
                self.unpacked += more
                if self.unpacked > BOMB_FLOOR and self.unpacked > BOMB_RATIO * self.taken:
                    raise CaptureError(
                        f"{self.name}: offset {self.taken}: unpacks to more than {BOMB_RATIO} times its size; "
                        "no capture does, so it is not read on"
                    )
            else:
                # A pipe hands over what it has; go on with that rather than wait for a full block.
                if self.size is None and got >= 65536:
                    break
        return got

    def close(self) -> None:
        self._reader.close()
        if self._raw is not None and self._own:
            self._raw.close()


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return clean(text, 120)
