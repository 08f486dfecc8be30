"""Listening by libpcap or Npcap, where there is no packet ring: macOS and Windows.

The library hands over one frame at a time; they are gathered into a block for up to a tenth of a second, as
records of a pcap file, which the same kernels then read. So a frame costs a call from Python: some hundred
thousand a second are the most. What the library lost is counted by it. It does not tell which frames this
computer sent itself: those that bear the adapter's own address count as sent, also one that a loop brings
back. Of the library only what opens, reads and closes is used (Scapy has the bindings); nothing that sends.
"""

import ctypes
import re
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
BUFFER = 16 << 20  # of the system's; some give less
AGAIN_S = 1.0
PAUSE_S = 0.01
U32 = 0xFFFFFFFF
CONNECTIONS = r"SYSTEM\CurrentControlSet\Control\Network\{4D36E972-E325-11CE-BFC1-08002BE10318}"
_RIGHTS = "administrator rights" if sys.platform == "win32" else "sudo"


class ReaderLost(Exception):
    """The adapter has gone, or the library reads no more. Its text says why."""


class Reader(Protocol):
    """A frame at a time: seconds, nanoseconds, length on the wire, bytes; None where none is there. It never
    waits for long. `own` is the adapter's hardware address as a number, -1 where it is not known."""

    own: int

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
        self._own = self._reader.own
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
            bench.engine.walk_pcap(
                view, int(state[k.W_POS]), len(block), False, 1, k.ETHERNET, bench.columns, state
            )
            yield self._own_marked(self._finish(frames, int(state[k.W_ROWS])))

    def _own_marked(self, batch: Batch) -> Batch:
        if self._own >= 0:
            sent = batch.columns[k.SRC, : batch.rows] == self._own
            batch.columns[k.OUT, : batch.rows] = sent
        return batch

    def _gather(self, ends: float) -> bytes:
        """Frames as records of a pcap file, of a tenth of a second at most."""
        parts: list[bytes] = []
        size = 0
        until = min(time.monotonic() + GATHER_S, ends)
        try:
            if self._reader is None:
                self._reader = self._open(self._adapter)
            while size < BLOCK and time.monotonic() < until:
                got = self._reader.next()
                if got is None:
                    continue
                seconds, nanoseconds, wire, data = got
                data = data[: k.MAX_CAPTURED]
                head = struct.pack("<IIII", seconds & U32, nanoseconds & U32, len(data), wire & U32)
                parts.append(head + data)
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
                pcap_activate,
                pcap_close,
                pcap_create,
                pcap_datalink,
                pcap_geterr,
                pcap_next_ex,
                pcap_pkthdr,
                pcap_set_buffer_size,
                pcap_set_promisc,
                pcap_set_snaplen,
                pcap_set_timeout,
                pcap_setnonblock,
                pcap_stat,
                pcap_stats,
            )
        except (OSError, ImportError):  # no library, or one that is too old to have all of these
            what = "Npcap" if sys.platform == "win32" else "libpcap"
            raise ListenRefused(
                f"{name}: cannot listen without {what}; install it, or save a capture and use `preflight "
                "study`"
            ) from None
        self._next_ex, self._stats, self._close = pcap_next_ex, pcap_stats, pcap_close
        errors = ctypes.create_string_buffer(256)
        handle = pcap_create(_device(adapter).encode(), errors)
        if not handle:
            raise ListenRefused(f"{name}: cannot listen: {clean(errors.value)}")
        pcap_set_snaplen(handle, k.MAX_CAPTURED)
        pcap_set_promisc(handle, 1)
        pcap_set_timeout(handle, WAIT_MS)
        pcap_set_buffer_size(handle, BUFFER)
        if pcap_activate(handle) < 0:  # above 0 is a warning
            why = clean(pcap_geterr(handle) or b"") or "the system refuses it"
            pcap_close(handle)
            raise ListenRefused(f"{name}: cannot listen: {why}; run the command with {_RIGHTS}")
        # Some libraries wait in silence until a frame comes, whatever their timeout: none is let wait.
        if pcap_setnonblock(handle, 1, errors) != 0:
            pcap_close(handle)
            raise ListenRefused(f"{name}: cannot listen: {clean(errors.value)}")
        if pcap_datalink(handle) != k.ETHERNET:
            pcap_close(handle)
            raise ListenRefused(f"{name}: cannot listen: is no Ethernet adapter")
        self._handle = handle
        self.own = _hardware(adapter)
        self._header = ctypes.POINTER(pcap_pkthdr)()
        self._data = ctypes.POINTER(ctypes.c_ubyte)()
        self._counts = pcap_stat()

    def next(self) -> tuple[int, int, int, bytes] | None:
        told = self._next_ex(self._handle, ctypes.byref(self._header), ctypes.byref(self._data))
        if told == 0:
            time.sleep(PAUSE_S)
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


def _hardware(adapter: str) -> int:
    """The adapter's hardware address as a number, as the kernels hold it; -1 where it is not told."""
    import psutil

    told = next(
        (each.address for each in psutil.net_if_addrs().get(adapter, ()) if each.family == psutil.AF_LINK), ""
    )
    digits = told.replace("-", "").replace(":", "")
    return int(digits, 16) if re.fullmatch("[0-9a-fA-F]{12}", digits) else -1


def _device(adapter: str) -> str:
    """The library's name of an adapter. On Windows it goes by the adapter's GUID, which the registry has
    beside the name that people see."""
    return device(adapter, _connections()) if sys.platform == "win32" else adapter


def device(adapter: str, connections: dict[str, str]) -> str:
    """The name that Npcap gives the connection which people see as `adapter`; `connections` are names by
    GUID."""
    found = next((guid for guid, name in connections.items() if name == adapter), None)
    return rf"\Device\NPF_{found}" if found else adapter


def _connections() -> dict[str, str]:
    """Network connections by GUID: the registry's key of the class Net, from memory."""
    found: dict[str, str] = {}
    if sys.platform == "win32":
        import winreg

        try:
            with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, CONNECTIONS) as key:
                guids = [winreg.EnumKey(key, at) for at in range(winreg.QueryInfoKey(key)[0])]
        except OSError:
            return {}
        for guid in guids:
            try:
                with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, rf"{CONNECTIONS}\{guid}\Connection") as key:
                    found[guid] = str(winreg.QueryValueEx(key, "Name")[0])
            except OSError:  # not every key below is a connection
                continue
    return found
