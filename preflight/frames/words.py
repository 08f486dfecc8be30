"""A pcapng file's own words: adapters, comments, names, what was lost. Format: IETF draft-ietf-opsawg-pcapng.

Read in Python, for there are few such blocks. An adapter that a later section, or the next file of a ring
buffer, describes in the same words is the same one. All text is cleaned here; numbers that no link has are
not believed.
"""

import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from ipaddress import ip_address

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.facts import Comment, Interface
from preflight.frames.links import READABLE, link_name, u32s
from preflight.text import clean

COMMENT, NAME, DESCRIPTION, SPEED, RESOLUTION, FILTER, OFFSET = 1, 2, 3, 8, 9, 11, 14
DROPS = (5, 7)  # isb_ifdrop, isb_osdrop
MOST_INTERFACES = 1024
MOST_COMMENTS, MOST_NAMES = 50, 1000
MOST_LOOKED_AT = 1000  # frames with comments, for these may be empty
SPEEDS = range(10, 1_600_001)  # Mb/s: IEEE 802.3 from 10 Mb/s to 1.6 Tb/s


@dataclass
class _Told:
    """An adapter, and what of it adds up over sections."""

    name: str
    description: str
    link: int
    filter: str
    speed_mbps: int | None
    frames: int = 0
    dropped: int | None = None
    dropped_now: dict[int, int] = field(default_factory=dict)  # of this section, by option

    def close(self) -> None:
        """A section ends: its counts stay."""
        if self.dropped_now:
            self.dropped = (self.dropped or 0) + sum(self.dropped_now.values())
            self.dropped_now = {}


class Words:
    """What the blocks beside the frames say, collected over all sections of a capture. `table` has a row for
    each of the `known` adapters of this section, as the kernels read it."""

    def __init__(self) -> None:
        self.table = np.zeros((MOST_INTERFACES, k.INTERFACE_COLUMNS), np.int64)
        self.known = 0
        self.links: dict[int, None] = {}
        self._comments: list[tuple[str, int | None, int]] = []  # text, frame, time in ns
        self.names: dict[tuple[str, str], None] = {}
        self._looked_at = 0
        self._told: list[_Told] = []
        self._places: dict[tuple, int] = {}  # of what is described alike, in `_told`
        self._here: list[int] = []  # the adapters of this section, as places in `_told`
        self._twins: Counter[tuple] = Counter()  # how many of this section are described alike

    def section(self, body: bytes, order: str) -> None:
        """A section begins: adapters are numbered anew."""
        for each in self._told:
            each.close()
        self.known = 0
        self._here = []
        self._twins.clear()
        for code, value in _options(body[16:], order):
            if code == COMMENT:
                self._comment(None, value)

    def interface(self, body: bytes, order: str) -> bool:
        """Take down an interface description block; False where it cannot be read."""
        if self.known == MOST_INTERFACES or len(body) < 8:
            return False
        link, _, snap = struct.unpack(order + "HHI", body[:8])
        self.links[link] = None
        told = _Told("", "", link, "", None)
        resolution, offset = 6, 0
        for code, value in _options(body[8:], order):
            if code == RESOLUTION and len(value) == 1:
                resolution = value[0]
            elif code == OFFSET and len(value) == 8:
                offset = struct.unpack(order + "q", value)[0]
            elif code == NAME:
                told.name = clean(value.rstrip(b"\0"))
            elif code == DESCRIPTION:
                told.description = clean(value.rstrip(b"\0"))
            elif code == FILTER and value[:1] == b"\0":  # as text
                told.filter = clean(value[1:].rstrip(b"\0"), 200)
            elif code == SPEED and len(value) == 8:
                speed = struct.unpack(order + "Q", value)[0] // 1_000_000
                told.speed_mbps = speed if speed in SPEEDS else None
            elif code == COMMENT:
                self._comment(None, value)
        alike = (told.name, told.description, link)
        self._twins[alike] += 1
        self._here.append(self._place(told, (*alike, self._twins[alike])))
        self.table[self.known] = [link, snap, *_ticks(resolution), _offset_ns(offset)]
        self.known += 1
        return True

    def _place(self, told: _Told, alike: tuple) -> int:
        """Where it is counted. A file that describes ever new ones has the last stand for the rest."""
        place = self._places.get(alike)
        if place is None and len(self._told) == MOST_INTERFACES:
            return MOST_INTERFACES - 1
        if place is None:
            place = self._places[alike] = len(self._told)
            self._told.append(told)
        return place

    def statistics(self, body: bytes, order: str) -> None:
        """What the system says it dropped, counted from the start of the capture, so that a later block about
        the same adapter takes the place of an earlier one."""
        which = struct.unpack(order + "I", body[:4])[0] if len(body) >= 12 else self.known
        for code, value in _options(body[12:], order):
            if which < self.known and code in DROPS and len(value) == 8:
                self._told[self._here[which]].dropped_now[code] = struct.unpack(order + "Q", value)[0]

    def resolution(self, body: bytes, order: str) -> None:
        """A name resolution block: which names belong to which addresses."""
        for code, value in _options(body, order):
            size = {1: 4, 2: 16}.get(code, len(value))
            if len(value) <= size or len(self.names) >= MOST_NAMES:
                continue
            address = str(ip_address(value[:size]))
            for name in value[size:].split(b"\0")[:8]:
                if name:
                    self.names[address, clean(name)] = None

    def frames(self, block: np.ndarray, columns: np.ndarray, rows: int, big: bool, first: int) -> np.ndarray:
        """Count the frames of each adapter, and note comments. Returns the adapter of each row, as a place in
        `interfaces`. `first` is the number of the first row."""
        off, cap = columns[k.OFF, :rows], columns[k.CAP, :rows]
        enhanced = np.zeros(rows, bool)
        reach = off >= 28
        enhanced[reach] = (
            u32s(block, off[reach] - 8, big) == cap[reach]
        )  # in a simple packet block stands a length beyond
        which = np.zeros(rows, np.int64)
        which[enhanced] = u32s(block, off[enhanced] - 20, big)
        which = np.asarray(self._here, np.int64)[which]
        for place, count in enumerate(np.bincount(which, minlength=len(self._told)).tolist()):
            self._told[place].frames += count
        if len(self._comments) < MOST_COMMENTS and self._looked_at < MOST_LOOKED_AT:
            self._frame_comments(block, columns, np.flatnonzero(enhanced), big, first)
        return which

    def _frame_comments(
        self, block: np.ndarray, columns: np.ndarray, at: np.ndarray, big: bool, first: int
    ) -> None:
        """A comment comes first among a frame's options in what common tools write."""
        ends = columns[k.OFF, at] + (columns[k.CAP, at] + 3 & ~3)
        code = block[ends + big].astype(np.int64) | block[ends + (not big)].astype(np.int64) << 8
        order = ">" if big else "<"
        found = np.flatnonzero(code == COMMENT)[: MOST_LOOKED_AT - self._looked_at]
        self._looked_at += len(found)
        for row, end in zip(at[found].tolist(), ends[found].tolist(), strict=True):
            start = int(columns[k.OFF, row]) - 28
            total = struct.unpack(order + "I", block[start + 4 : start + 8].tobytes())[0]
            for code_, value in _options(block[end : start + total - 4].tobytes(), order):
                if code_ == COMMENT:
                    self._comment(first + row, value, int(columns[k.TIME, row]))
            if len(self._comments) >= MOST_COMMENTS:
                return

    def _comment(self, frame: int | None, value: bytes, time_ns: int = 0) -> None:
        if len(self._comments) < MOST_COMMENTS and (text := clean(value.rstrip(b"\0"), 300)):
            self._comments.append((text, frame, time_ns))

    def comments(self, first_ns: int | None) -> tuple[Comment, ...]:
        """The first of them; `first_ns` is the time of the first frame."""
        return tuple(
            Comment(text) if frame is None else Comment(text, frame, max(at_ns - (first_ns or 0), 0) / 1e9)
            for text, frame, at_ns in self._comments
        )

    def link_mbps(self, adapter: int | None) -> int | None:
        """The rate of the link of one adapter, or of all where those that tell it agree."""
        if adapter is not None:
            return self._told[adapter].speed_mbps if adapter < len(self._told) else None
        told = {each.speed_mbps for each in self._told if each.link in READABLE and each.speed_mbps}
        return told.pop() if len(told) == 1 else None

    def dropped(self) -> int | None:
        counts = [each.dropped for each in self.interfaces() if each.dropped is not None]
        return sum(counts) if counts else None

    def interfaces(self) -> tuple[Interface, ...]:
        found = []
        for each in self._told:
            now = sum(each.dropped_now.values()) if each.dropped_now else None
            lost = each.dropped if now is None else (each.dropped or 0) + now
            found.append(
                Interface(
                    each.name,
                    each.description,
                    link_name(each.link),
                    each.filter,
                    each.speed_mbps,
                    each.frames,
                    lost,
                )
            )
        return tuple(found) if len(found) > 1 or any(map(_says_something, found)) else ()


def _says_something(one: Interface) -> bool:
    return bool(one.name or one.description or one.filter or one.speed_mbps or one.dropped is not None)


def _ticks(resolution: int) -> tuple[int, int, int]:
    """What turns ticks of if_tsresol to nanoseconds: times, divided by, and bits of a binary fraction."""
    if resolution & 0x80:
        shift = min(resolution & 0x7F, 63)
        return (1, 1, shift) if shift else (1_000_000_000, 1, 0)
    if resolution <= 9:
        return 10 ** (9 - resolution), 1, 0
    return 1, 10 ** min(resolution - 9, 18), 0


def _offset_ns(seconds: int) -> int:
    """One beyond what nanoseconds can hold is a damaged field, not a time."""
    return seconds * 1_000_000_000 if abs(seconds) < 4_000_000_000 else 0


def _options(data: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """The options of a block, or the records of one; stops at the first that does not fit."""
    at = 0
    while at + 4 <= len(data):
        code, size = struct.unpack(order + "HH", data[at : at + 4])
        if code == 0 or at + 4 + size > len(data):
            return
        yield code, data[at + 4 : at + 4 + size]
        at += 4 + ((size + 3) & ~3)
