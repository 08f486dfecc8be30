"""Reading one batch ahead changes nothing but the time it takes."""

import os
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from preflight.frames import kernels as k
from preflight.frames.ahead import Ahead
from preflight.frames.capture import CaptureFile
from preflight.frames.errors import CaptureError
from tests.pipes import PATIENCE_S, drained, settled

CAPTURES = Path(__file__).parents[2] / "captures"
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)


@pytest.mark.parametrize("name", ["clean-mirror.pcapng.gz", "link-load.pcap.zst", "no-dhcp.pcap"])
def test_the_same_batches(name: str) -> None:
    path = str(CAPTURES / name)
    straight = [b.columns[: k.SLOT, : b.rows].copy() for b in CaptureFile(path).batches()]
    for ours, theirs in zip(Ahead(CaptureFile(path).batches()), straight, strict=True):
        time.sleep(0.02)  # let the reader run ahead as far as it can
        assert np.array_equal(ours.columns[: k.SLOT, : ours.rows], theirs)
        assert ours.block[ours.columns[k.OFF, 0]] == ours.data(0)[0]


def test_an_error_of_the_reader_is_raised_here(tmp_path: Path) -> None:
    path = tmp_path / "text.pcap"
    path.write_text("not a capture", encoding="utf-8")
    with pytest.raises(CaptureError, match="not a pcap"):
        list(Ahead(CaptureFile(str(path)).batches()))


def test_an_interrupt_gives_the_verdict_on_what_was_read(tmp_path: Path) -> None:
    """A pipe that stays open without more to come: Ctrl-C ends it, and what came is judged, marked
    partial."""
    fifo = tmp_path / "fifo.pcap"
    os.mkfifo(fifo)
    child = subprocess.Popen(
        [sys.executable, "-m", "preflight", "study", str(fifo), "--json"], stdout=subprocess.PIPE, text=True
    )
    try:
        with fifo.open("wb", buffering=0) as pipe:
            frame = bytes.fromhex("ffffffffffff00005e00530188b5") + bytes(46)
            for i in range(2000):
                pipe.write((HEADER if i == 0 else b"") + struct.pack("<IIII", 1, i * 400, 60, 60) + frame)
            drained(pipe.fileno())
            settled(child.pid)  # what it has read is on its way to be counted
            child.send_signal(signal.SIGINT)
            out, _ = child.communicate(timeout=PATIENCE_S)
    finally:
        child.kill()
    assert child.returncode == 1, out
    assert '"partial": true' in out
    assert '"check": "broadcast-storm"' in out
