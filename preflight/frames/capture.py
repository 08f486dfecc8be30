"""A capture file as batches: pcap and pcapng, packed or not.

One loop for both containers: fill a block of bytes, let a kernel walk the records in it, hand the frames on, carry
the cut record at the end over to the next block. The kernel stops at what is not a packet; the few such
pcapng blocks are read here. Damage ends the reading where it stands: what came before is judged, and the
facts say where and why it ended. Damage before the first frame is a CaptureError.
"""

import itertools
import struct
from collections.abc import Generator, Iterator
from itertools import pairwise

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.batch import PLAIN_BYTES, SETS, Batch, Bench, Progress
from preflight.frames.errors import CaptureError
from preflight.frames.facts import SourceFacts
from preflight.frames.stream import ByteStream

BLOCK = 1 << 20
SPARE = 1 << 21  # room for a record that is cut at the end of a block
MAX_BLOCK = 1 << 20  # largest pcapng block that is read; larger ones that hold no frame are passed over
MAX_INTERFACES = 1024
OBSOLETE_PACKET = 2  # a kind of block that must not be written any more: counted as one that cannot be read

PCAP_MAGIC = {
    b"\xa1\xb2\xc3\xd4": (True, 1000),
    b"\xd4\xc3\xb2\xa1": (False, 1000),
    b"\xa1\xb2\x3c\x4d": (True, 1),
    b"\x4d\x3c\xb2\xa1": (False, 1),
}
PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"

# Names from the public registry of link types, for refusing the ones people meet.
LINK_NAMES = {
    0: "BSD loopback (NULL)", 1: "Ethernet", 6: "token ring", 7: "ARCNET", 8: "SLIP", 9: "PPP", 10: "FDDI",
    50: "PPP in HDLC framing", 51: "PPP over Ethernet", 100: "ATM (RFC 1483)", 101: "raw IP", 104: "HDLC",
    105: "IEEE 802.11", 107: "frame relay", 108: "OpenBSD loopback", 113: "Linux cooked v1",
    119: "IEEE 802.11 with monitor header", 127: "IEEE 802.11 with radiotap header", 187: "Bluetooth HCI",
    189: "USB", 192: "per-packet information", 195: "IEEE 802.15.4", 220: "USB (padded)", 228: "raw IPv4",
    229: "raw IPv6", 230: "IEEE 802.15.4 without FCS", 239: "netfilter log", 249: "USB capture",
    271: "virtual sockets", 276: "Linux cooked v2",
}  # fmt: skip
READABLE = (k.ETHERNET, k.SLL, k.SLL2)


def link_name(number: int) -> str:
    return LINK_NAMES.get(number, f"link type {number}")


class CaptureFile:
    """A saved capture. `path` is a file name or "-". Raises CaptureError when nothing in it can be read."""

    def __init__(self, path: str, progress: Progress | None = None) -> None:
        self._stream = ByteStream(path)
        self.name = self._stream.name
        self._progress = progress
        self._sets = itertools.cycle([np.zeros(BLOCK + SPARE, np.uint8) for _ in range(SETS)])
        self._buffer = next(self._sets)
        self._handed = False  # whether a batch over this buffer has been handed out
        self._base = 0  # offset in the unpacked file of the buffer's first byte
        self._pos = 0
        self._end = 0
        self._links: dict[int, None] = {}
        self._dropped: int | None = None  # of the sections before
        self._dropped_now: dict[tuple[int, int], int] = {}  # by interface and option
        self._bad = 0
        self._others = 0  # frames of link types that are not read
        self._ended = ""
        self.partial = False  # set from outside to end the reading early
        size = self._stream.size
        large = size is not None and size > (PLAIN_BYTES // 8 if self._stream.packed else PLAIN_BYTES)
        self._bench = Bench(large, progress)

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
        return CaptureError(f"{self.name}: offset {self._base + self._pos}: {reason}")

    def _end_here(self, reason: str) -> None:
        """The rest cannot be read: an error if nothing was, else a remark in the facts."""
        if self._stream.trouble:
            reason = f"{reason} ({self._stream.trouble})" if self._end > self._pos else self._stream.trouble
        if self._bench.frames == 0:
            raise self._error(reason)
        self._ended = f"offset {self._base + self._pos}: {reason}"

    # -- containers ----------------------------------------------------------------------------------------

    def batches(self) -> Iterator[Batch]:
        try:
            if not self._need(4):
                if self._stream.taken == 0 and not self._stream.trouble:
                    raise self._error("the file is empty; capture again")
                self._end_here("too short for a capture; ask for it again")
            magic = self._buffer[self._pos : self._pos + 4].tobytes()
            if magic not in PCAP_MAGIC and magic != PCAPNG_MAGIC:
                raise self._error("is not a pcap or pcapng capture; save it as one of these")
            yield from self._pcapng() if magic == PCAPNG_MAGIC else self._pcap(*PCAP_MAGIC[magic])
            self._refuse_other_links()
        finally:
            self._stream.close()

    def _refuse_other_links(self) -> None:
        others = [link for link in self._links if link not in READABLE]
        if others and self._bench.frames == self._others:
            if self._others == 0 and len(others) < len(self._links):
                return  # an Ethernet adapter on which nothing was heard
            names = ", ".join(link_name(link) for link in others[:4])
            raise CaptureError(f"{self.name}: holds {names}, not Ethernet; capture on the Ethernet adapter")

    def _walked(self, state: np.ndarray, what: str, absurd: str) -> Generator[Batch, None, bool]:
        """Hand on the frames that a walker found. Returns whether there is more to walk."""
        self._pos = int(state[k.W_POS])
        if state[k.W_ROWS]:
            yield from self._batches(int(state[k.W_ROWS]))
        if state[k.W_STOP] == k.STOP_ABSURD:
            self._end_here(f"{absurd}; the file is damaged from here on")
            return False
        if state[k.W_STOP] == k.STOP_MORE and not self._more():
            if self._end > self._pos or self._stream.trouble:
                self._end_here(f"the last {what} is cut short")
            return False
        return True

    def _batches(self, rows: int) -> Iterator[Batch]:
        """Batches of the `rows` frames that were walked: one, unless frames of links that are not read lie between."""
        bench = self._bench
        if all(link in READABLE for link in self._links):
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

    def _finish(self, rows: int) -> Batch:
        batch = self._bench.finish(self._buffer, rows)
        self._handed = True
        if self._progress is not None:
            self._progress(self._stream.taken, self._stream.size, self._bench.frames, "")
        return batch

    def _pcap(self, big: bool, fraction_ns: int) -> Iterator[Batch]:
        bench = self._bench
        if not self._need(24):
            self._end_here("the file header is cut short; ask for the capture again")
        link = struct.unpack(">I" if big else "<I", self._take(24)[20:24])[0] & 0x03FFFFFF
        self._links[link] = None
        if link not in READABLE:
            raise CaptureError(
                f"{self.name}: offset 20: holds {link_name(link)}, not Ethernet; capture on the Ethernet adapter"
            )
        state = np.zeros(4, np.int64)
        while True:
            if self.partial:
                return
            engine = bench.engine
            view = engine.bytes_of(self._buffer)
            engine.walk_pcap(view, self._pos, self._end, big, fraction_ns, link, bench.columns, state)
            if not (yield from self._walked(state, "record", "a record claims more than 262144 bytes")):
                return

    def _pcapng(self) -> Iterator[Batch]:
        bench = self._bench
        interfaces = np.zeros((MAX_INTERFACES, k.INTERFACE_COLUMNS), np.int64)
        known = 0
        big = False
        state = np.zeros(5, np.int64)
        while True:
            if self.partial:
                return
            if not self._need(12):
                if self._end > self._pos or self._stream.trouble:
                    self._end_here("the last block is cut short")
                return
            head = self._buffer[self._pos : self._pos + 12].tobytes()
            if head[:4] == PCAPNG_MAGIC:
                if head[8:12] not in (b"\x1a\x2b\x3c\x4d", b"\x4d\x3c\x2b\x1a"):
                    self._end_here("a section without a byte-order mark; the file is damaged from here on")
                    return
                big = head[8] == 0x1A
                known = 0
                self._dropped = self._dropped_in_all()
                self._dropped_now.clear()
            word = ">I" if big else "<I"
            kind, total = struct.unpack(word, head[:4])[0], struct.unpack(word, head[4:8])[0]
            if kind in (3, 6):
                state[: k.W_TIME] = (self._pos, 0, 0, 0)
                engine = bench.engine
                view = engine.bytes_of(self._buffer)
                engine.walk_pcapng(view, self._pos, self._end, big, interfaces, known, bench.columns, state)
                self._bad += int(state[k.W_BAD])
                if not (yield from self._walked(state, "block", "a block with an impossible length")):
                    return
                continue
            if total < 12 or total % 4:
                self._end_here("a block with an impossible length; the file is damaged from here on")
                return
            if kind not in (1, 5) or (kind == 5 and total > MAX_BLOCK):
                self._bad += kind == OBSOLETE_PACKET
                if not self._skip(total):
                    self._end_here("the last block is cut short")
                    return
                continue
            if total > MAX_BLOCK:
                self._end_here("an interface description that cannot be read")
                return
            if not self._need(total):
                self._end_here("the last block is cut short")
                return
            body = self._take(total)[8:-4]
            if kind == 1:
                if known == MAX_INTERFACES or len(body) < 8:
                    self._end_here("an interface description that cannot be read")
                    return
                interfaces[known] = self._interface(body, big)
                known += 1
            else:
                self._statistics(body, big, known)

    def _interface(self, body: bytes, big: bool) -> list[int]:
        """A row of the interface table from an interface description block."""
        order = ">" if big else "<"
        link, _, snap = struct.unpack(order + "HHI", body[:8])
        self._links[link] = None
        resolution, offset = 6, 0
        for code, value in _options(body[8:], order):
            if code == 9 and len(value) == 1:
                resolution = value[0]
            elif code == 14 and len(value) == 8:
                offset = struct.unpack(order + "q", value)[0]
        multiply, divide, shift = 1, 1, 0
        if resolution & 0x80:
            shift = min(resolution & 0x7F, 63)
            if shift == 0:
                multiply = 1_000_000_000
        elif resolution <= 9:
            multiply = 10 ** (9 - resolution)
        else:
            divide = 10 ** min(resolution - 9, 18)
        # An offset beyond what nanoseconds can hold is a damaged field, not a time.
        offset_ns = offset * 1_000_000_000 if abs(offset) < 4_000_000_000 else 0
        return [link, snap, multiply, divide, shift, offset_ns]

    def _statistics(self, body: bytes, big: bool, known: int) -> None:
        """What the capturing system says it dropped: isb_ifdrop and isb_osdrop, counted from the start of the capture,
        so that a later block about the same interface takes the place of an earlier one."""
        order = ">" if big else "<"
        which = struct.unpack(order + "I", body[:4])[0] if len(body) >= 12 else known
        for code, value in _options(body[12:], order):
            if which < known and code in (5, 7) and len(value) == 8:
                self._dropped_now[which, code] = struct.unpack(order + "Q", value)[0]

    def _dropped_in_all(self) -> int | None:
        if not self._dropped_now:
            return self._dropped
        return (self._dropped or 0) + sum(self._dropped_now.values())

    def facts(self) -> SourceFacts:
        return SourceFacts(
            kind="capture",
            name=self.name,
            link_types=tuple(link_name(link) for link in self._links),
            dropped=self._dropped_in_all(),
            malformed=self._bad + self._bench.unreadable,
            # After Ctrl-C the sender of a pipe has ended too: a record that it left unfinished is no damage.
            ended_early="" if self.partial else self._ended,
            partial=self.partial,
            **self._bench.timing(),
        )


def _options(data: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """The options of a pcapng block; stops at the first that does not fit."""
    at = 0
    while at + 4 <= len(data):
        code, size = struct.unpack(order + "HH", data[at : at + 4])
        if code == 0 or at + 4 + size > len(data):
            return
        yield code, data[at + 4 : at + 4 + size]
        at += 4 + ((size + 3) & ~3)
