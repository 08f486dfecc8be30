"""How fast `study` is beside general readers, on this machine: `python -m tests.bench`. Writes docs/speed.md.

Two captures are made in a temporary folder: ten million 64-byte frames, and one million 1 206-byte frames of eight RTP
streams. Each reader runs as a process of its own on the whole file, the best of three; dpkt and Scapy, which would take
minutes to hours, on the first frames only, and their rate is what counts.
"""

import argparse
import os
import platform
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "speed.md"
DPKT = """
import sys, dpkt
n = int(sys.argv[2])
with open(sys.argv[1], "rb") as file:
    for i, (_, data) in enumerate(dpkt.pcap.Reader(file)):
        if i == n: break
        dpkt.ethernet.Ethernet(data)
"""
SCAPY = """
import sys
from scapy.layers.inet import UDP
from scapy.layers.l2 import Ether
from scapy.utils import RawPcapReader
n = int(sys.argv[2])
with RawPcapReader(sys.argv[1]) as reader:
    for i, (data, _) in enumerate(reader):
        if i == n: break
        Ether(data)
"""


def rtp_frame(number: int, size: int) -> bytes:
    """An RTP packet to group 233.252.0.(16 + number), cut or filled to `size` bytes."""
    data = bytes([0x80, 97]) + bytes(max(size - 44, 12))
    udp = struct.pack(">HHHH", 5004, 5004, 8 + len(data), 0) + data
    ip = struct.pack(">BBHHHBBH", 0x45, 0x88, 20 + len(udp), 0, 0, 16, 17, 0)
    addresses = bytes([192, 0, 2, number + 1, 233, 252, 0, 16 + number])
    macs = bytes.fromhex(f"01005e7c00{16 + number:02x}00005e0053{number:02x}0800")
    return (macs + ip + addresses + udp)[:size]


def write(path: Path, size: int, frames: int, gap_ns: int, streams: int = 8) -> None:
    """A pcap of `frames` frames of `size` bytes each, one every `gap_ns`, the streams taking turns."""
    template = np.array([np.frombuffer(rtp_frame(n, size), np.uint8) for n in range(streams)])
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1))
        for start in range(0, frames, 20_000):
            index = np.arange(start, min(start + 20_000, frames))
            at = index * gap_ns
            block = np.zeros((len(index), 16 + size), np.uint8)
            head = np.stack(
                [1_700_000_000 + at // 10**9, at % 10**9 // 1000, at * 0 + size, at * 0 + size], axis=1
            )
            block[:, :16] = head.astype("<u4").view(np.uint8).reshape(-1, 16)
            block[:, 16:] = template[index % streams]
            sequence = index // streams
            block[:, 60:62] = (sequence & 0xFFFF).astype(">u2").view(np.uint8).reshape(-1, 2)
            if size >= 50:
                block[:, 62:66] = (sequence * 48 & 0xFFFFFFFF).astype(">u4").view(np.uint8).reshape(-1, 4)
            file.write(block.tobytes())


def measure(command: list[str], runs: int = 3) -> tuple[float, float]:
    """Seconds (best of `runs`) and peak memory in MiB of one process."""
    best, peak = float("inf"), 0.0
    for _ in range(runs):
        started = time.perf_counter()
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        _, status, usage = os.wait4(child.pid, 0)
        best = min(best, time.perf_counter() - started)
        peak = max(peak, usage.ru_maxrss / 1024)
        if os.waitstatus_to_exitcode(status) not in (0, 1):
            raise RuntimeError(f"{command[0]} ended with {os.waitstatus_to_exitcode(status)}")
    return best, peak


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scale", type=float, default=1.0, help="part of the frames (for a quick look)")
    scale = options.parse_args().scale
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for title, size, frames, gap_ns in (
            ("10 million frames of 64 bytes", 64, int(10_000_000 * scale), 672),
            ("1 million frames of 1 206 bytes, 8 streams", 1206, int(1_000_000 * scale), 125_000),
        ):
            path = Path(folder) / "bench.pcap"
            write(path, size, frames, gap_ns)
            measure(
                [sys.executable, "-m", "preflight", "study", str(path)], 1
            )  # compiled, and in the page cache
            ours, peak = measure([sys.executable, "-m", "preflight", "study", str(path)])
            libpcap = (
                measure(["tcpdump", "-r", str(path), "-w", "/dev/null"])[0]
                if shutil.which("tcpdump")
                else None
            )
            part = {"dpkt": min(frames, 200_000), "scapy": min(frames, 20_000)}
            dpkt = (
                measure([sys.executable, "-c", DPKT, str(path), str(part["dpkt"])], 1)[0]
                * frames
                / part["dpkt"]
            )
            scapy = (
                measure([sys.executable, "-c", SCAPY, str(path), str(part["scapy"])], 1)[0]
                * frames
                / part["scapy"]
            )
            rows.append((title, frames, ours, peak, libpcap, dpkt, scapy))
            print(rows[-1])
    about = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    cpu = next((line.split(":")[1].strip() for line in about if line.startswith("model name")), "")
    lines = [
        "# How fast it is",
        "",
        f"Measured on {date.today()} by `python -m tests.bench` with {cpu}, {os.cpu_count()} cores, {platform.system()} "
        f"{platform.machine()}, Python {platform.python_version()}; files in the page cache, kernels compiled before, best of "
        "three. `study` reads, tallies, dissects, judges and reports; its time holds the start of Python and Numba. libpcap's loop is "
        "`tcpdump -r FILE -w /dev/null`. dpkt (Ethernet parse) and Scapy (dissect) ran on the first 200 thousand and 20 "
        "thousand frames, and their time is scaled up.",
        "",
        "| capture | study | peak memory | libpcap's loop | dpkt | Scapy | study / libpcap | dpkt / study | Scapy / study |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for title, _, ours, peak, libpcap, dpkt, scapy in rows:
        loop = f"{libpcap:.2f} s" if libpcap else "not here"
        ratio = f"{ours / libpcap:.1f}" if libpcap else ""
        lines.append(
            f"| {title} | {ours:.2f} s | {peak:.0f} MiB | {loop} | {dpkt:.0f} s | {scapy:.0f} s | {ratio} | "
            f"{dpkt / ours:.0f} | {scapy / ours:.0f} |"
        )
    PAGE.write_text("\n".join(lines) + "\n")
    print(PAGE.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
