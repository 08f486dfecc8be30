"""Captures many times over, each with bytes of its own that change nothing of what is found."""

from collections.abc import Sequence
from pathlib import Path

from tests.archive.made import bundled


def copies(
    folder: Path, each: int, endings: tuple[str, ...] = ("",), of: Sequence[Path] | None = None
) -> list[Path]:
    """Writes each capture (`of` these, else of the bundled ones) whose name ends in one of `endings` so many
    times into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for path in bundled() if of is None else of:
        if not path.name.endswith(endings):
            continue
        data = path.read_bytes()
        for number in range(each):
            written.append(folder / f"{number}-{path.name}")
            written[-1].write_bytes(_numbered(data, number))
    return written


def _numbered(data: bytes, number: int) -> bytes:
    told = number.to_bytes(4, "little")
    if data[:2] == b"\x1f\x8b":
        # One more member that holds nothing, with the number as its time (RFC 1952).
        return data + b"\x1f\x8b\x08\0" + told + b"\0\xff\x03\0" + bytes(8)
    if data[:4] == b"\x28\xb5\x2f\xfd":
        return data + b"\x50\x2a\x4d\x18\x04\0\0\0" + told  # a frame to skip (RFC 8878)
    if data[:4] == b"\x0a\x0d\x0d\x0a":
        return data + b"\x42\0\0\0\x10\0\0\0" + told + b"\x10\0\0\0"  # a block of a kind that nobody knows
    return data[:8] + told + data[12:]  # the time zone, which nobody uses
