"""Listening by libpcap or Npcap, where there is no packet ring: macOS and Windows.

The library hands over one frame at a time; they are gathered into a block for up to a tenth of a second, as records of a
pcap file, which the same kernels then read. So a frame costs a call from Python: some hundred thousand a second are the
most. What the library lost is counted by it. It does not tell which frames this computer sent itself: all count
as received. Of the library only what opens, reads and closes is used (Scapy has the bindings); nothing that sends.
"""

import ctypes
import struct
import sys
import time
from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np

from preflight.frames import kernels as k
from preflight.frames.batch import Batch, Progress
from preflight.frames.live import Listener, ListenRefused
from preflight.text import clean

BLOCK = 1 << 20
GATHER_S = 0.1
WAIT_MS = 100
AGAIN_S = 1.0


class ReaderLost(Exception):
    """The adapter has gone, or the library reads no more. Its text says why."""


class Reader(Protocol):
    """A frame at a time: seconds, nanoseconds, length on the wire, bytes; None where none came for a while."""

    def next(self) -> tuple[int, int, int, bytes] | None: ...

    def dropped(self) -> int: ...

    def close(self) -> None: ...


class PcapListener(Listener):
    """By a reader that `open_reader` opens by the adapter's name."""

    def __init__(
        self,
        adapter: str,
        seconds: float,
        progress: Progress | None = None,
        patient: bool = False,
        open_reader: Callable[[str], Reader] | None = None,
    ) -> None:
        super().__init__(adapter, seconds, progress, patient)
        self._open = open_reader or PcapReader
        self._reader: Reader | None = self._open(adapter)
        self._lost_before = 0

    def dropped(self) -> int:
        return self._lost_before + (self._reader.dropped() if self._reader else 0)

    def heard(self) -> Iterator[Batch | None]:
        started = self._begin()
        try:
            while (listened := time.monotonic() - started) < self._seconds:
                self._listened = listened
                block = self._gather(started + self._seconds)
                if block:
                    yield from self._read(block)
                else:
                    self._idle()
                    yield None
                if self._ended and not self._patient:
                    return
            self._listened = self._seconds
        finally:
            self._close()

    def _read(self, block: bytes) -> Iterator[Batch]:
        bench = self._bench
        frames = np.frombuffer(block + bytes(64), np.uint8)
        view = bench.engine.bytes_of(frames)
        state = np.zeros(8, np.int64)
        while state[k.W_POS] < len(block):
            state[k.W_ROWS] = 0
            bench.engine.walk_pcap(
                view, int(state[k.W_POS]), len(block), False, 1, k.ETHERNET, bench.columns, state
            )
            yield self._finish(frames, int(state[k.W_ROWS]))

    def _gather(self, ends: float) -> bytes:
        """Frames as records of a pcap file, of a tenth of a second at most."""
        parts: list[bytes] = []
        size = 0
        until = min(time.monotonic() + GATHER_S, ends)
        try:
            if self._reader is None:
                self._reader = self._open(self._adapter)
            while size < BLOCK and time.monotonic() < until and (got := self._reader.next()) is not None:
                seconds, nanoseconds, wire, data = got
                data = data[: k.MAX_CAPTURED]
                parts.append(struct.pack("<IIII", seconds, nanoseconds, len(data), wire) + data)
                size += 16 + len(data)
            self._ended = ""
        except (ReaderLost, ListenRefused) as lost:
            self._ended = f"{self._listened:.1f} s: {clean(str(lost))}"
            self._close()
            if self._patient:
                time.sleep(min(AGAIN_S, max(ends - time.monotonic(), 0)))
        return b"".join(parts)

    def _close(self) -> None:
        if self._reader is not None:
            self._lost_before += self._reader.dropped()
            self._reader.close()
            self._reader = None


class PcapReader:
    """The library's handle on one adapter, promiscuous. Raises ListenRefused."""

    def __init__(self, adapter: str) -> None:
        name = clean(adapter)
        try:
            from scapy.libs.winpcapy import (
                pcap_close,
                pcap_datalink,
                pcap_next_ex,
                pcap_open_live,
                pcap_pkthdr,
                pcap_stat,
                pcap_stats,
            )
        except OSError:
            what = "Npcap" if sys.platform == "win32" else "libpcap"
            raise ListenRefused(
                f"{name}: cannot listen without {what}; install it, or save a capture and use `preflight study`"
            ) from None
        self._next_ex, self._stats, self._close = pcap_next_ex, pcap_stats, pcap_close
        errors = ctypes.create_string_buffer(256)
        handle = pcap_open_live(_device(adapter).encode(), k.MAX_CAPTURED, 1, WAIT_MS, errors)
        if not handle:
            raise ListenRefused(
                f"{name}: cannot listen: {clean(errors.value)}; run the command as administrator (sudo)"
            )
        self._handle = handle
        if pcap_datalink(handle) != k.ETHERNET:
            self._close(handle)
            raise ListenRefused(f"{name}: cannot listen: is no Ethernet adapter")
        self._header = ctypes.POINTER(pcap_pkthdr)()
        self._data = ctypes.POINTER(ctypes.c_ubyte)()
        self._counts = pcap_stat()

    def next(self) -> tuple[int, int, int, bytes] | None:
        told = self._next_ex(self._handle, ctypes.byref(self._header), ctypes.byref(self._data))
        if told == 0:
            return None
        if told != 1:
            raise ReaderLost("the adapter went away")
        header = self._header.contents
        data = ctypes.string_at(self._data, header.caplen)
        return header.ts.tv_sec, header.ts.tv_usec * 1000, header.len, data

    def dropped(self) -> int:
        if self._stats(self._handle, ctypes.byref(self._counts)) != 0:
            return 0
        return self._counts.ps_drop + self._counts.ps_ifdrop

    def close(self) -> None:
        self._close(self._handle)


def _device(adapter: str) -> str:
    """The library's name of an adapter. On Windows it has names of its own; the adapter's address tells which is meant."""
    if sys.platform != "win32":
        return adapter
    return _by_address(adapter)


def _by_address(adapter: str) -> str:
    import psutil
    from scapy.libs.winpcapy import pcap_findalldevs, pcap_freealldevs, pcap_if_t, sockaddr_in

    own = {each.address for each in psutil.net_if_addrs().get(adapter, ()) if each.family == 2}
    devices = ctypes.POINTER(pcap_if_t)()
    errors = ctypes.create_string_buffer(256)
    if pcap_findalldevs(ctypes.byref(devices), errors) != 0:
        return adapter
    try:
        device = devices
        while device:
            address = device.contents.addresses
            while address:
                there = address.contents.addr
                if there and there.contents.sa_family == 2:
                    numbers = ctypes.cast(there, ctypes.POINTER(sockaddr_in)).contents.sin_addr
                    if ".".join(map(str, numbers[:4])) in own:
                        return device.contents.name.decode("utf-8", "replace")
                address = address.contents.next
            device = device.contents.next
    finally:
        pcap_freealldevs(devices)
    return adapter
