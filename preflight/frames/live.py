"""Listening on an adapter. On Linux: a receive ring that the system fills and the kernels read in place.

A packet socket bound to the adapter takes every frame; promiscuous mode is a membership of the socket and
ends with it. Nothing is sent, no group is joined. The ring is TPACKET_V3: the system writes frames into
blocks of shared memory, and a block is given back once its frames are tallied. Other systems listen by
`pcap.py`, behind the same seam.
"""

import mmap
import select
import socket
import struct
import sys
import time
from collections.abc import Iterator

import numpy as np

from preflight.frames import kernels as k
from preflight.frames import privilege
from preflight.frames.batch import Batch, Bench, FrameSource, Progress
from preflight.frames.facts import SourceFacts
from preflight.text import clean

BLOCK = 1 << 20
BLOCKS = 32  # a quarter of a second at 1 Gb/s

# From linux/if_packet.h and linux/if_ether.h.
SOL_PACKET = 263
PACKET_ADD_MEMBERSHIP = 1
PACKET_RX_RING = 5
PACKET_STATISTICS = 6
PACKET_VERSION = 10
PACKET_MR_PROMISC = 1
TPACKET_V3 = 2
ETH_P_ALL = 3
ARPHRD_ETHER = 1
BLOCK_STATUS = 8
RETIRE_MS = 100
NS = 1_000_000_000


class ListenRefused(Exception):
    """The system does not let this program listen. Its text is one line: what, why, what to do."""


class Listener(FrameSource):
    """Listens on an adapter for `seconds`. One that is `patient` goes on when the adapter goes down or away,
    and hears it again when it is back. What is common to every way of listening; `heard` and `dropped`
    differ."""

    def __init__(self, adapter: str, seconds: float, progress: Progress | None, patient: bool) -> None:
        self._adapter = adapter
        self._patient = patient
        self.name = clean(adapter)
        self._seconds = seconds
        self._progress = progress
        self._ended = ""
        self._listened = 0.0
        self.partial = False
        self._bench = Bench(large=True, progress=progress)
        _ = self._bench.engine  # compile first: what arrives meanwhile would fill the system's buffer
        self._opened = time.time_ns(), time.monotonic()
        self._heard_at = (0, self._opened[1])

    def heard(self) -> Iterator[Batch | None]:
        """Batches, and None now and then while nothing comes."""
        raise NotImplementedError

    def dropped(self) -> int:
        """Frames that the system has lost so far."""
        raise NotImplementedError

    def batches(self) -> Iterator[Batch]:
        return (batch for batch in self.heard() if batch is not None)

    def now_ns(self) -> int:
        """The time on the frames' own clock, from the beginning; it goes on while none comes."""
        heard, at = self._heard_at
        return heard + int((time.monotonic() - at) * NS)

    def facts(self) -> SourceFacts:
        timing = self._bench.timing()
        timing["duration_s"] = max(timing["duration_s"], min(self._listened, self._seconds))
        return SourceFacts(
            kind="live",
            name=self.name,
            link_types=("Ethernet",),
            dropped=self.dropped(),
            malformed=self._bench.unreadable,
            ended_early=self._ended,
            partial=self.partial,
            **timing,
        )

    def _begin(self) -> float:
        """Times count from the opening: silence before the first frame counts too, and frames that came in
        since then do not step back in time."""
        opened_ns, started = self._opened
        self._bench.clock[k.Q_STARTED] = 1
        self._bench.clock[k.Q_FIRST_NS] = opened_ns
        self._heard_at = (0, started)
        return started

    def _finish(self, block: np.ndarray, rows: int) -> Batch:
        batch = self._bench.finish(block, rows)
        self._heard_at = (int(self._bench.clock[k.Q_REL_NS]), time.monotonic())
        return batch

    def _idle(self) -> None:
        if self._progress is not None:
            self._progress(int(self._listened * NS), int(self._seconds * NS), self._bench.frames, "")


def open_listener(
    adapter: str, seconds: float, progress: Progress | None = None, patient: bool = False
) -> Listener:
    """The way of listening that this system has. Privilege goes once it is open. Raises ListenRefused."""
    listener: Listener
    if sys.platform == "linux":
        listener = RingListener(adapter, seconds, progress, patient)
    else:
        from preflight.frames.pcap import PcapListener

        listener = PcapListener(adapter, seconds, progress, patient)
    if sys.platform == "linux" or not patient:  # elsewhere, opening the adapter again takes it
        privilege.drop()
    return listener


class RingListener(Listener):
    """By a packet ring, on Linux."""

    def __init__(
        self, adapter: str, seconds: float, progress: Progress | None = None, patient: bool = False
    ) -> None:
        super().__init__(adapter, seconds, progress, patient)
        self._dropped = 0
        try:
            self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        except PermissionError:
            raise ListenRefused(
                f"{self.name}: no right to listen (CAP_NET_RAW); run the command with sudo, or see "
                "docs/listening.md (where: preflight --version)"
            ) from None
        try:
            self._open()
        except OSError as error:
            self._socket.close()
            raise ListenRefused(
                f"{self.name}: cannot listen: {clean(error.strerror or str(error))}"
            ) from None

    def _open(self) -> None:
        sock = self._socket
        sock.setsockopt(SOL_PACKET, PACKET_VERSION, TPACKET_V3)
        frame = 1 << 11
        request = struct.pack("7I", BLOCK, BLOCKS, frame, BLOCK * BLOCKS // frame, RETIRE_MS, 0, 0)
        sock.setsockopt(SOL_PACKET, PACKET_RX_RING, request)
        self._ring = mmap.mmap(sock.fileno(), BLOCK * BLOCKS)
        self._bytes = np.frombuffer(self._ring, np.uint8)
        # The ring stands before the socket is bound: no frame is missed between the two.
        self._bind()

    def _bind(self) -> None:
        sock = self._socket
        sock.bind((self._adapter, ETH_P_ALL))
        kind = sock.getsockname()[3]
        if kind != ARPHRD_ETHER:
            raise OSError(0, f"is no Ethernet adapter (hardware type {kind})")
        self._index = socket.if_nametoindex(self._adapter)
        membership = struct.pack("iHH8s", self._index, PACKET_MR_PROMISC, 0, b"")
        sock.setsockopt(SOL_PACKET, PACKET_ADD_MEMBERSHIP, membership)

    def _find_again(self) -> None:
        """Bind to the adapter of this name where it is another one than before: one that was unplugged and is
        back. One that only went down is heard again by itself."""
        try:
            if socket.if_nametoindex(self._adapter) != self._index:
                self._bind()
        except OSError:
            pass  # still away

    def dropped(self) -> int:
        self._count_drops()
        return self._dropped

    def heard(self) -> Iterator[Batch | None]:
        bench, blocks = self._bench, self._bytes
        started = self._begin()
        poller = select.poll()
        poller.register(self._socket, select.POLLIN | select.POLLERR)
        status = blocks.view(np.uint32)
        big = sys.byteorder == "big"
        state = np.zeros(4, np.int64)
        turn = 0
        try:
            while True:
                self._listened = time.monotonic() - started
                base = turn * BLOCK
                if not status[(base + BLOCK_STATUS) // 4] & 1:
                    if self._listened >= self._seconds + RETIRE_MS / 1000:
                        return
                    self._idle()
                    events = poller.poll(50)
                    troubled = bool(events) and bool(events[0][1] & select.POLLERR)
                    error = troubled and self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
                    if error and not self._patient:
                        self._ended = f"{self._listened:.1f} s: {clean(_why(error))}"
                        return
                    if self._patient:
                        self._find_again()
                    yield None
                    continue
                state[:] = 0
                while True:
                    bench.engine.walk_ring(
                        bench.engine.bytes_of(blocks), base, BLOCK, big, bench.columns, state
                    )
                    if state[k.W_ROWS]:
                        yield self._finish(blocks, int(state[k.W_ROWS]))
                    if state[k.W_STOP] != k.STOP_FULL:
                        break
                status[(base + BLOCK_STATUS) // 4] = 0  # the block is the system's again
                turn = (turn + 1) % BLOCKS
                if self._listened >= self._seconds + 1:
                    return  # a storm keeps every block full: the time is up all the same
        finally:
            self._count_drops()
            self._socket.close()

    def _count_drops(self) -> None:
        """The system's count begins anew each time that it is read."""
        if self._socket.fileno() >= 0:
            raw = self._socket.getsockopt(SOL_PACKET, PACKET_STATISTICS, 12)
            self._dropped += struct.unpack("3I", raw)[1]


def _why(error: int) -> str:
    import errno
    import os

    return "the adapter went down" if error == errno.ENETDOWN else os.strerror(error)
