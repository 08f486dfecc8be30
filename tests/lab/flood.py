"""How much the listener stands: a flood by tcpreplay over one cable, and what a line check on it hears, loses
and takes.

The sender and the listener share this machine, so the sender's own top speed is the limit. CPU time and
memory are read from /proc while the flood runs: starting and judging are not in them.
"""

import json
import os
import re
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tests.lab import frames, live
from tests.lab.record import Capture, Frame, write
from tests.lab.rig import Rig, mac, wait_until

IN_FILE = 20_000
FROM, TO = "guest", "desk"
TICK = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Figures:
    """`sent` of the sender, `heard` and `dropped` of the line check. `cpu` is its share of one core,
    `early_bytes` and `late_bytes` its memory after a fifth of the flood and at the end of it."""

    sent: int
    heard: int
    dropped: int
    rate_fps: float
    cpu: float
    early_bytes: int
    late_bytes: int

    def __str__(self) -> str:
        return (
            f"{self.sent} frames at {self.rate_fps:.0f}/s: {self.dropped} dropped, {self.cpu:.3f} of a core, "
            f"memory {self.early_bytes / 1e6:.1f} MB after a fifth, {self.late_bytes / 1e6:.1f} MB at the end"
        )


def flood(rig: Rig, count: int, rate_fps: int | None = None) -> Figures:
    """`count` frames at `rate_fps`, or as fast as tcpreplay can."""
    file = cabled(rig)
    listening = rig.start(
        TO, *live.PREFLIGHT, "linecheck", "--adapter", "wire", "--listen", "120s", "--json",
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    wait_until(lambda: len(rig.run(TO, "cat", "/proc/net/packet").splitlines()) > 1, 60, "no packet socket")
    time.sleep(1)
    speed = ("--topspeed",) if rate_fps is None else ("--pps", str(rate_fps))
    sending = rig.start(
        FROM, "tcpreplay", "--preload-pcap", "--loop", str(count // IN_FILE), *speed, "-i", "wire", str(file),
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    received = Path(f"/proc/{listening.pid}/net/dev")
    wait_until(lambda: _received(received) > count // 5, 60, "the flood does not begin")
    began, cpu, early = time.monotonic(), cpu_s(listening.pid), _memory(listening.pid)
    out, _ = sending.communicate(timeout=120)
    cpu, took, late = cpu_s(listening.pid) - cpu, time.monotonic() - began, _memory(listening.pid)
    time.sleep(0.5)
    listening.send_signal(signal.SIGINT)
    said, errors = listening.communicate(timeout=60)
    assert said, errors
    source = json.loads(said)["source"]
    sent, rate = number(r"Actual: (\d+) packets", out), number(r"([\d.]+) pps", out)
    return Figures(int(sent), source["frames"], source["dropped"], rate, cpu / took, early, late)


def cabled(rig: Rig, to: str = frames.BROADCAST) -> Path:
    """A cable from the sender to the listener, and the file of what is sent over it, to a hardware
    address."""
    rig.cable((FROM, "wire", mac(0xF8)), (TO, "wire", mac(0xF9)))
    for name in (FROM, TO):
        rig.link(name, "wire", up=True)
    file = rig.scratch / "flood.pcap"
    write(file, Capture([Frame(n, raw, len(raw)) for n, raw in enumerate(_frames(rig, to))]), nano=True)
    return file


def _frames(rig: Rig, to: str) -> list[bytes]:
    """Small ones of many streams: the most a link of a given speed can carry."""
    here = rig[FROM]
    return [
        frames.udp(
            here.mac,
            to,
            (here.ip, 40000 + n % 64),
            ("192.0.2.255", 40000),
            n.to_bytes(4),
            ident=n,
        )
        for n in range(IN_FILE)
    ]


def number(pattern: str, text: str) -> float:
    found = re.search(pattern, text)
    return float(found[1]) if found else 0.0


def _received(device: Path) -> float:
    return number(r"wire:\s*\d+\s+(\d+)", device.read_text(encoding="utf-8"))


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def _memory(pid: int) -> int:
    return int(number(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text(encoding="utf-8"))) * 1024
