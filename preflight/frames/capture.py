"""A capture file as batches: pcap and pcapng, packed or not, in one file or in several that follow one
another.

One loop for both containers: fill a block of bytes, let a kernel walk the records in it, hand the frames on,
carry the cut record at the end over to the next block. The kernel stops at what is not a packet; the few such
pcapng blocks are read by `words`. Damage ends the reading where it stands: what came before is judged, and
the facts say where and why it ended. Damage before the first frame is a CaptureError.
"""

import itertools
import struct
from bisect import bisect
from collections.abc import Generator, Iterator, Sequence
from itertools import pairwise
from operator import itemgetter
from pathlib import PurePath

import numpy as np

from preflight.frames import kernels as k
from preflight.frames import pcapng
from preflight.frames.archive import Member
from preflight.frames.batch import PLAIN_BYTES, SETS, Batch, Bench, Progress
from preflight.frames.errors import CaptureError
from preflight.frames.facts import Piece, SourceFacts
from preflight.frames.links import PKTAP, READABLE, link_name, refusal, u32s, unwrap
from preflight.frames.stream import ByteStream, Place
from preflight.frames.tables import zeros
from preflight.frames.words import Words
from preflight.text import clean

BLOCK = 1 << 21
SPARE = 1 << 21  # room for a record that is cut at the end of a block
MAX_BLOCK = 1 << 20  # largest pcapng block that is read; larger ones that hold no frame are passed over
MOST_ENDS = 5  # of several files: how many early ends are told
MOST_LINKS = 64  # kinds of frames inside others that are named
SIMPLE_PACKET, NAMES = 3, 4  # kinds of blocks that preflight does not write
READ = (pcapng.SECTION, pcapng.INTERFACE, pcapng.STATISTICS, NAMES)

PCAP_MAGIC = {
    b"\xa1\xb2\xc3\xd4": (True, 1000),
    b"\xd4\xc3\xb2\xa1": (False, 1000),
    b"\xa1\xb2\x3c\x4d": (True, 1),
    b"\x4d\x3c\xb2\xa1": (False, 1),
}
PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"

VERSIONS = (b"\x00\x02\x00\x04", b"\x02\x00\x04\x00")  # 2.4, which follows pcap's magic
_NUMBERS = [[int.from_bytes(each, "little") for each in told] for told in (PCAP_MAGIC, VERSIONS)]
BYTE_ORDERS = (b"\x1a\x2b\x3c\x4d", b"\x4d\x3c\x2b\x1a")


class CaptureFile:
    """A saved capture at `place`, or in several files that follow one another. With `adapter`, only the
    frames of that one of `facts().interfaces`, which are numbered among themselves: `number_in_file` knows
    the others. Raises CaptureError when nothing in it can be read."""

    def __init__(
        self, place: Place | Sequence[Place], progress: Progress | None = None, adapter: int | None = None
    ) -> None:
        self._places = [place] if isinstance(place, str | Member) else list(place)
        self._stream = ByteStream(self._places[0])
        self.name = self._stream.name
        if len(self._places) > 1:
            self.name = f"{self.name} and {len(self._places) - 1} more"
        self._progress = progress
        self._sets = itertools.cycle([zeros(BLOCK + SPARE, np.uint8) for _ in range(SETS)])
        self._buffer = next(self._sets)
        self._handed = False  # whether a batch over this buffer has been handed out
        self._base = 0  # offset in the unpacked file of the buffer's first byte
        self._pos = 0
        self._end = 0
        self._links: dict[int, None] = {}
        self._words = Words()
        self._adapter = adapter
        self._kept: list[
            tuple[int, int, bytes]
        ] = []  # with `adapter`: first own number, first in file, a bit a frame
        self._bad = 0
        self._walked_frames = 0
        self._others = 0  # frames of link types that are not read
        self._ended: list[str] = []
        self._pieces: list[Piece] = []
        self._captures = 0
        self.partial = False  # set from outside to end the reading early
        size = self._stream.size
        large = size is not None and size > (PLAIN_BYTES // 8 if self._stream.packed else PLAIN_BYTES)
        self._bench = Bench(large, progress)
        # Read in less time than a thread takes that would read it ahead.
        self.is_short = size is not None and not large and len(self._places) == 1

    # -- bytes ---------------------------------------------------------------------------------------------

    def _more(self) -> bool:
        """Move what is left to the front and fill up. False when there are no more bytes."""
        left = self._end - self._pos
        before = self._buffer
        if self._handed:
            self._buffer, self._handed = next(self._sets), False
        self._buffer[:left] = before[self._pos : self._end]
        self._base += self._pos
        self._pos, self._end = 0, left
        room = min(BLOCK, len(self._buffer) - left)
        got = self._stream.fill(self._buffer.data[left : left + room])
        self._end += got
        self._bench.grown(got)
        return got > 0

    def _need(self, count: int) -> bool:
        """True when `count` bytes lie ready at the position."""
        while self._end - self._pos < count:
            if not self._more():
                return False
        return True

    def _skip(self, count: int) -> bool:
        while count > 0:
            here = min(count, self._end - self._pos)
            self._pos += here
            count -= here
            if count and not self._more():
                return False
        return True

    def _take(self, count: int) -> bytes:
        data = self._buffer[self._pos : self._pos + count].tobytes()
        self._pos += count
        return data

    def _error(self, reason: str) -> CaptureError:
        return CaptureError(f"{self._stream.name}: offset {self._base + self._pos}: {reason}")

    def _end_here(self, reason: str) -> None:
        """The rest cannot be read: an error if nothing was, else a remark in the facts."""
        if self._stream.trouble:
            reason = f"{reason} ({self._stream.trouble})" if self._end > self._pos else self._stream.trouble
        if self._bench.frames == 0:
            raise self._error(reason)
        where = f"{self._stream.name}: " if len(self._places) > 1 else ""
        self._ended.append(f"{where}offset {self._base + self._pos}: {reason}")

    # -- containers ----------------------------------------------------------------------------------------

    def batches(self) -> Iterator[Batch]:
        for number, place in enumerate(self._places):
            if self.partial:
                break
            if number:
                self._next_file(place)
            if len(self._places) > 1:
                self._pieces.append(Piece(_short_names(self._places)[number], self._bench.frames + 1))
            try:
                if not self._need(4):
                    if self._stream.taken == 0 and not self._stream.trouble:
                        raise self._error("the file is empty; capture again")
                    self._end_here("too short for a capture; ask for it again")
                    continue
                while not self.partial and (yield from self._capture()):
                    pass
            finally:
                self._stream.close()
        self._refuse_other_links()

    def _next_file(self, place: Place) -> None:
        self._stream = ByteStream(place)
        self._base = self._pos = self._end = 0

    def _capture(self) -> Generator[Batch, None, bool]:
        """One capture from its header on. Returns whether another one begins where it ends: files put end to
        end."""
        magic = self._buffer[self._pos : self._pos + 4].tobytes()
        if magic not in PCAP_MAGIC and magic != PCAPNG_MAGIC:
            if magic == b"PK\3\4":
                raise self._error("is a zip; unpack it first, or have `preflight study` look into it")
            raise self._error("is not a pcap or pcapng capture; save it as one of these")
        self._captures += 1
        if magic == PCAPNG_MAGIC:
            return (yield from self._pcapng())
        return (yield from self._pcap(*PCAP_MAGIC[magic]))

    def _another(self) -> bool:
        """Whether the header of a capture lies at the position, in the place of a record or a block."""
        head = self._buffer[self._pos : min(self._pos + 12, self._end)].tobytes()
        if head[:4] in PCAP_MAGIC:
            return head[4:8] in VERSIONS
        return head[:4] == PCAPNG_MAGIC and head[8:] in BYTE_ORDERS

    def _refuse_other_links(self) -> None:
        links = self._links | self._words.links
        others = [link for link in links if link not in READABLE and link != PKTAP]
        if others and self._bench.frames == self._others:
            if self._others == 0 and len(others) < len(links):
                return  # an Ethernet adapter on which nothing was heard
            raise CaptureError(f"{self.name}: {refusal(others)}")

    def _walked(self, state: np.ndarray, what: str, absurd: str, big: bool) -> Generator[Batch, None, bool]:
        """Hand on the frames that a walker found. Returns whether there is more to walk."""
        self._pos = int(state[k.W_POS])
        if state[k.W_ROWS]:
            yield from self._batches(int(state[k.W_ROWS]), what, big)
        if state[k.W_STOP] == k.STOP_ABSURD:
            if not self._another():
                self._end_here(f"{absurd}; the file is damaged from here on")
            return False
        if state[k.W_STOP] == k.STOP_MORE and not self._more():
            if self._end > self._pos or self._stream.trouble:
                self._end_here(f"the last {what} is cut short")
            return False
        return True

    def _batches(self, rows: int, what: str, big: bool) -> Iterator[Batch]:
        """Batches of the `rows` frames that were walked: one, unless frames that are not read lie between."""
        bench = self._bench
        first = self._walked_frames + 1
        self._walked_frames += rows
        of = None
        if what == "block":
            of = self._words.frames(self._buffer, bench.columns, rows, big, first)
        if PKTAP in self._links or PKTAP in self._words.links:
            self._bad += unwrap(self._buffer, bench.columns, rows)
            inside = np.unique(bench.columns[k.LINK, :rows])[:MOST_LINKS]
            self._links |= dict.fromkeys(inside.tolist()) if len(self._links) < MOST_LINKS else {}
        if self._adapter is not None:
            yield from self._of_adapter(
                of == self._adapter if of is not None else np.zeros(rows, bool), first
            )
            return
        if all(link in READABLE for link in self._links | self._words.links):
            yield self._finish(rows)
            return
        walked = bench.columns[:, :rows].copy()
        read = np.isin(walked[k.LINK], READABLE)
        edges = [0, *(np.flatnonzero(read[1:] != read[:-1]) + 1).tolist(), rows]
        for start, end in pairwise(edges):
            if read[start]:
                bench.columns[:, : end - start] = walked[:, start:end]
                yield self._finish(end - start)
            else:
                bench.frames += end - start  # they keep their numbers
                self._others += end - start

    def _of_adapter(self, kept: np.ndarray, first: int) -> Iterator[Batch]:
        bench = self._bench
        rows = len(kept)
        kept &= np.isin(bench.columns[k.LINK, :rows], READABLE)
        if own := int(np.count_nonzero(kept)):
            self._kept.append((bench.frames + 1, first, np.packbits(kept).tobytes()))
            bench.columns[:, :own] = bench.columns[:, :rows][:, kept]
            yield self._finish(own)

    def number_in_file(self, own: int) -> int:
        """The number among all frames of one that was kept as the `own`th of its adapter."""
        before, first, bits = self._kept[bisect(self._kept, own, key=itemgetter(0)) - 1]
        kept = np.flatnonzero(np.unpackbits(np.frombuffer(bits, np.uint8)))
        return first + int(kept[own - before])

    def _finish(self, rows: int) -> Batch:
        batch = self._bench.finish(self._buffer, rows)
        self._handed = True
        if self._progress is not None:
            self._progress(self._stream.taken, self._stream.size, self._bench.frames, "")
        return batch

    def _pcap(self, big: bool, fraction_ns: int) -> Generator[Batch, None, bool]:
        bench = self._bench
        if not self._need(24):
            self._end_here("the file header is cut short; ask for the capture again")
            return False
        link = struct.unpack(">I" if big else "<I", self._take(24)[20:24])[0] & 0x03FFFFFF
        self._links[link] = None
        if link not in (*READABLE, PKTAP) and self._captures == 1:
            raise CaptureError(f"{self.name}: {refusal([link])}")
        state = np.zeros(4, np.int64)
        while True:
            if self.partial:
                return False
            engine = bench.engine
            view = engine.bytes_of(self._buffer)
            engine.walk_pcap(view, self._pos, self._end, big, fraction_ns, link, bench.columns, state)
            header = self._header_among(int(state[k.W_ROWS])) if state[k.W_EMPTY] else None
            if header is not None:
                row, pos = header
                state[k.W_ROWS], state[k.W_POS], state[k.W_STOP] = row, pos, k.STOP_ABSURD
            if not (yield from self._walked(state, "record", "a record claims more than 262144 bytes", big)):
                return self._another()

    def _header_among(self, rows: int) -> tuple[int, int] | None:
        """The first walked record that is the header of another capture, and where it lies. As a record it is
        one of no bytes: the field in the place of the length holds the time zone, which is 0."""
        columns = self._bench.columns
        empty = np.flatnonzero((columns[k.CAP, :rows] == 0) & (columns[k.WIRE, :rows] == 0))
        at = columns[k.OFF, empty] - 16
        magic, version = u32s(self._buffer, at), u32s(self._buffer, at + 4)
        found = np.isin(magic, _NUMBERS[0]) & np.isin(version, _NUMBERS[1])
        if not found.any():
            return None
        first = int(np.argmax(found))
        return int(empty[first]), int(at[first])

    def _pcapng(self) -> Generator[Batch, None, bool]:
        bench, words = self._bench, self._words
        big = False
        state = np.zeros(5, np.int64)
        while True:
            if self.partial:
                return False
            if not self._need(12):
                if self._end > self._pos or self._stream.trouble:
                    self._end_here("the last block is cut short")
                return False
            head = self._buffer[self._pos : self._pos + 12].tobytes()
            if head[:4] in PCAP_MAGIC and self._another():
                return True
            if head[:4] == PCAPNG_MAGIC:
                if head[8:12] not in BYTE_ORDERS:
                    self._end_here("a section without a byte-order mark; the file is damaged from here on")
                    return False
                big = head[8] == 0x1A
            order = ">" if big else "<"
            kind, total = struct.unpack(order + "II", head[:8])
            if kind in (pcapng.PACKET, SIMPLE_PACKET):
                state[: k.W_TIME] = (self._pos, 0, 0, 0)
                engine = bench.engine
                view = engine.bytes_of(self._buffer)
                engine.walk_pcapng(
                    view, self._pos, self._end, big, words.table, words.known, bench.columns, state
                )
                self._bad += int(state[k.W_BAD])
                if not (yield from self._walked(state, "block", "a block with an impossible length", big)):
                    return False
                continue
            if total < 12 or total % 4:
                self._end_here("a block with an impossible length; the file is damaged from here on")
                return False
            if kind == pcapng.SECTION:
                words.section(b"", order)
            if kind not in READ or (kind != pcapng.INTERFACE and total > MAX_BLOCK):
                self._bad += kind == pcapng.OBSOLETE
                if not self._skip(total):
                    self._end_here("the last block is cut short")
                    return False
                continue
            if total > MAX_BLOCK:
                self._end_here("an interface description that cannot be read")
                return False
            if not self._need(total):
                self._end_here("the last block is cut short")
                return False
            body = self._take(total)[8:-4]
            if kind == pcapng.SECTION:
                words.section(body, order)
            elif kind == pcapng.STATISTICS:
                words.statistics(body, order)
            elif kind == NAMES:
                words.resolution(body, order)
            elif not words.interface(body, order):
                self._end_here("an interface description that cannot be read")
                return False

    @property
    def link_mbps(self) -> int | None:
        """The rate of the link as far as the capture tells it: known once the first batch is there."""
        return self._words.link_mbps(self._adapter)

    def facts(self) -> SourceFacts:
        timing = self._bench.timing()
        return SourceFacts(
            kind="capture",
            name=self.name,
            link_types=tuple(link_name(link) for link in self._links | self._words.links if link != PKTAP),
            dropped=self._words.dropped(),
            malformed=self._bad + self._bench.unreadable,
            # After Ctrl-C the sender of a pipe has ended too: a record that it left unfinished is no damage.
            ended_early="" if self.partial else "; ".join(self._ended[:MOST_ENDS]),
            partial=self.partial,
            pieces=tuple(self._pieces),
            put_together=max(self._captures - len(self._places) + 1, 1),
            interfaces=self._words.interfaces(),
            comments=self._words.comments(timing["first_ns"]),
            names=tuple(self._words.names),
            **timing,
        )


def _short_names(places: Sequence[Place]) -> list[str]:
    """What files are called, without their folders where that tells them apart."""
    names = [PurePath(each.name if isinstance(each, Member) else each).name for each in places]
    return [clean(name, 300) for name in (names if len(set(names)) == len(names) else map(str, places))]
