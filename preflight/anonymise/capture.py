"""A capture written anew, every frame rewritten on the way.

The second reading of two. The first one, which judges the capture as it is, tells which flows are RTP, so
that only their headers stay, and whose order among each other matters. The control frames that the readers of
`wire/` will look at, and no others, get their messages back in Python: the kernel picks the same ones as it
does for the readers. Frame numbers, times, lengths and directions stay; where the original could not be read,
the new one cannot be either.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from ipaddress import IPv4Address
from itertools import pairwise
from typing import BinaryIO

import numpy as np

from preflight.anonymise import kernels as a
from preflight.anonymise.cover import Cover
from preflight.facts import Facts
from preflight.frames import compile
from preflight.frames import kernels as k
from preflight.frames.batch import PLAIN_BYTES, ROWS, Batch
from preflight.frames.capture import CaptureFile
from preflight.frames.facts import SourceFacts
from preflight.frames.pcapng import FRAME_MORE, Layout, damage, head_of, tail
from preflight.survey import PER_KIND, PER_SOURCE
from preflight.wire import cdp, dhcp4, dhcp6, lldp, mdns, sap, ssdp
from preflight.wire.fields import Covered
from preflight.wire.igmp import IgmpMessage
from preflight.wire.stp import Bpdu

# The kinds whose messages are covered field by field, by the tables of their protocols.
MESSAGES: dict[int, Covered] = {
    k.K_LLDP: lldp.covered,
    k.K_CDP: cdp.covered,
    k.K_DHCP4: dhcp4.covered,
    k.K_DHCP6: dhcp6.covered,
    k.K_MDNS: mdns.covered,
    k.K_SSDP: ssdp.covered,
    k.K_SAP: sap.covered,
}
MOST_BAD = 10_000  # records that cannot be read are made again up to this many


def rank_of(heard: Iterable[Facts], cover: Cover) -> None:
    """Tell `cover` of those among whom the lower address wins: bridges, clocks and IGMP queriers."""
    macs: list[bytes] = []
    queriers: list[IPv4Address] = []
    for facts in heard:
        bridges = [bridge for b in facts.heard(Bpdu) for bridge in (b.root, b.bridge) if bridge]
        macs += [bytes.fromhex(bridge.hardware.replace(":", "")) for bridge in bridges]
        for clock in facts.tally.clocks if facts.tally else ():
            identities = map(bytes.fromhex, (clock.clock, clock.grandmaster))
            macs += [each[:3] + each[-3:] for each in identities if len(each) >= 6]
        queriers += [IPv4Address(m.source) for m in facts.heard(IgmpMessage) if m.kind == "query"]
    cover.rank(macs, queriers)


class Anonymiser:
    """Rewrites the batches of one source. `rtp` is the table of flows whose RTP headers stay; `say` is told
    where it takes a while."""

    def __init__(self, cover: Cover, rtp: np.ndarray, say: Callable[[str], None] | None = None) -> None:
        self._say = say
        self._bytes = 0
        self._cover = cover
        self._rtp = rtp
        self._seen = np.zeros((1 << 14, 2), np.int64)
        self._totals = np.zeros(2 * k.KINDS, np.int64)
        self._chosen = np.zeros(ROWS, np.int64)
        self.thinned = 0  # frames of the kinds of MESSAGES whose message became a digest

    def _engine(self, batch: Batch) -> compile.Engine:
        """Plain Python for a small capture, and until there are compiled kernels."""
        self._bytes += int(batch.columns[k.CAP, : batch.rows].sum())
        if self._bytes > PLAIN_BYTES or compile.ready(compile.ANONYMISE):
            return compile.compiled(self._say, compile.ANONYMISE)
        return compile.plain(compile.ANONYMISE)

    def rewrite(self, batch: Batch) -> None:
        """Rewrite the frames of `batch` where they lie."""
        columns, cover = batch.columns, self._cover
        found = batch.engine.pick(
            columns, batch.rows, self._seen, self._totals, PER_SOURCE, PER_KIND, self._chosen
        )
        kinds = columns[k.KIND]
        messages = []
        for row in self._chosen[:found].tolist():
            if (message := MESSAGES.get(int(kinds[row]))) and (at := _message_at(batch, row)):
                start, end = at
                old = batch.block[start:end].tobytes()
                new = message(old, cover)
                if kinds[row] == k.K_CDP and len(new) >= cdp.HEAD:
                    new = _summed(new, cdp.CHECKSUM, old)
                messages.append((row, start, new))
        self.thinned += int(np.isin(kinds[: batch.rows], list(MESSAGES)).sum()) - len(messages)
        engine = self._engine(batch)
        view = engine.bytes_of(batch.block)
        engine.anonymise(view, columns, batch.rows, self._rtp, cover.key, cover.pins, cover.known)
        for row, start, new in messages:
            _put(batch, row, start, new)


def _message_at(batch: Batch, row: int) -> tuple[int, int] | None:
    """Where the message of a control frame lies in the block."""
    columns = batch.columns
    off = int(columns[k.OFF, row])
    end = off + int(columns[k.CAP, row])
    start = off + int(columns[k.L3, row])
    if int(columns[k.KIND, row]) == k.K_LLDP:
        return start, end
    if int(columns[k.KIND, row]) == k.K_CDP:
        return start + 8, end
    payload = int(columns[k.PAYLOAD, row])
    start = off + payload
    if not payload or start > end:
        return None
    told = int.from_bytes(batch.block[start - 4 : start - 2].tobytes()) - 8
    return start, max(start, min(start + told, _packet_end(batch, row, end)))


def _packet_end(batch: Batch, row: int, end: int) -> int:
    """Where IP says that the packet ends."""
    p = int(batch.columns[k.OFF, row]) + int(batch.columns[k.L3, row])
    if int(batch.columns[k.ETYPE, row]) == 0x0800:
        told = int.from_bytes(batch.block[p + 2 : p + 4].tobytes())
        return min(p + told, end) if told >= (int(batch.block[p]) & 15) * 4 else end
    told = int.from_bytes(batch.block[p + 4 : p + 6].tobytes())
    return min(p + 40 + told, end) if told else end


def _summed(new: bytes, spot: int, old: bytes) -> bytes:
    """With the checksum at `spot` in it as right or wrong as it was in `old`."""
    block = bytearray(new)
    a.update_checksum(block, spot, a.total(old, 0, len(old)), a.total(new, 0, len(new)))
    return bytes(block)


def _put(batch: Batch, row: int, start: int, new: bytes) -> None:
    """Put a message in the place of its digest, and correct the UDP checksum by the difference."""
    end = start + len(new)
    if int(batch.columns[k.PAYLOAD, row]) and batch.block[start - 2 : start].any():
        old = batch.block[start - 2 : end].tobytes()
        new = _summed(old[:2] + new, 0, old)
        start, new = start - 2, (new if any(new[:2]) else b"\xff\xff" + new[2:])
    batch.block[start:end] = np.frombuffer(new, np.uint8)


class Writer:
    """Writes batches as pcapng: a section for each stretch of frames of one link type."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._layout = Layout()
        self._link: int | None = None
        self._last_ns = 0
        self._unreadable = 0
        self.frames = 0
        self.link_mbps: int | None = None  # as the capture tells it

    def add(self, batch: Batch) -> None:
        links = batch.columns[k.LINK, : batch.rows]
        edges = [0, *(np.flatnonzero(links[1:] != links[:-1]) + 1).tolist(), batch.rows]
        for start, end in pairwise(edges):
            link = int(links[start])
            if link != self._link:
                self._link = link
                self._file.write(head_of(link, self.link_mbps))
            part = batch
            if end - start < batch.rows:
                columns = np.ascontiguousarray(batch.columns[:, start:end])
                part = replace(batch, columns=columns, rows=end - start)
            self._file.write(self._layout.blocks(part))
        self.frames += batch.rows
        self._unreadable += int(np.count_nonzero(batch.columns[k.ETYPE, : batch.rows] < 0))
        if batch.rows:
            self._last_ns = int(batch.columns[k.TIME, batch.rows - 1])

    @staticmethod
    def size_of(batch: Batch) -> int:
        return int(batch.columns[k.CAP, : batch.rows].sum()) + FRAME_MORE * batch.rows

    def close(self, source: SourceFacts) -> None:
        """End it as `source` did: what was lost, what could not be read, and the cut at the end."""
        if self._link is None:
            self._file.write(head_of(k.ETHERNET))
        if source.dropped is not None:
            self._file.write(tail(self._last_ns, self.frames, source.dropped))
        bad = min(max(source.malformed - self._unreadable, 0), MOST_BAD)
        self._file.write(damage(bad, bool(source.ended_early)))


def rewritten(
    capture: CaptureFile, anonymiser: Anonymiser | None, file: BinaryIO, limit: int | None = None
) -> int:
    """Write the frames of `capture` to `file`, as they are where there is no `anonymiser`, and none beyond
    `limit` bytes. Returns how many were written."""
    writer = Writer(file)
    for batch in capture.batches():
        if limit is not None and file.tell() + writer.size_of(batch) > limit:
            capture.partial = True
            break
        if anonymiser is not None:
            anonymiser.rewrite(batch)
        writer.link_mbps = capture.link_mbps
        writer.add(batch)
    writer.close(capture.facts())
    return writer.frames
