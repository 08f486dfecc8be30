"""How fast preflight is beside general tools, on this machine: `python -m tests.bench`. Writes docs/speed.md.

Captures are made in a temporary folder (4 GB), and each is read by `study` and by the other tool in turn, as
processes of their own, so that a busy moment meets both. `watch` is measured in a rig of network namespaces
where that can be had (Linux, root, tcpreplay). It takes some minutes. With `--scale 0.1` the captures are a
tenth as long, for a quick look.
"""

import argparse
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from tests.bench import listening
from tests.bench.measure import Measured, again, apart, best, in_turn, taken

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "speed.md"
PREFLIGHT = [sys.executable, "-m", "preflight"]
BY_HAND = "## What is out of reach, and why"
GIB = 1 << 30
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
LIBRARIES = (("dpkt (Ethernet parse)", DPKT, 100_000), ("Scapy (dissect)", SCAPY, 10_000))

Row = tuple[str, str, str, str, str]
"""What, preflight, the other, how they compare, what is aimed at."""


def study(path: str | Path) -> list[str]:
    return [*PREFLIGHT, "study", str(path)]


def against(what: str, path: Path, other: list[str], aim: str) -> Row:
    if not shutil.which(other[0]):
        return what, str(Measured.of(study(path))), f"{other[0]} is not here", "", aim
    ours, theirs = in_turn(study(path), other)
    return what, str(ours), str(theirs), f"{theirs.best_s / ours.best_s:.2f} times as fast", aim


def rows(folder: Path, scale: float) -> Iterator[Row]:
    small, large, mixed = folder / "small.pcap", folder / "large.pcap", folder / "mixed.pcap"
    apart("captures", "streams", small, 64, int(10_000_000 * scale), 672)
    apart("captures", "streams", large, 1206, int(1_000_000 * scale), 125_000)
    shown = apart("captures", "show", mixed, int(10_000 * scale))
    subprocess.run([*study(mixed)], stdout=subprocess.DEVNULL, check=False)  # kernels are compiled before
    for what, path, frames in (
        ("frames of 64 bytes", small, int(10_000_000 * scale)),
        ("frames of 1 206 bytes, 8 streams", large, int(1_000_000 * scale)),
        ("frames of a show: 64 streams, beats, control frames, 2 000 flows", mixed, shown),
    ):
        loop = ["tcpdump", "-r", str(path), "-w", "/dev/null"]
        yield against(f"{frames / 1e6:.3g} million {what}, against libpcap's loop", path, loop, ">= 1.2")
    packed = folder / "mixed.pcap.gz"
    with packed.open("wb") as file:
        subprocess.run(["gzip", "-1c", str(mixed)], stdout=file, check=True)
    yield against("the show packed, against `gzip -dc`", packed, ["gzip", "-dc", str(packed)], ">= 2")
    for name, code, count in LIBRARIES:
        one = taken([sys.executable, "-c", code, str(small), str(count)]).seconds * 1e6 / count
        yield f"a million frames of 64 bytes by {name}", "", f"{one:.0f} s", "", ""
    bundled = ROOT / "captures" / "loop.pcap.gz"
    yield (
        "first verdict on a small capture (6 000 frames)",
        str(Measured.of(study(bundled))),
        "",
        "",
        "<= 0.35 s",
    )
    yield "`--help`", str(Measured.of([*PREFLIGHT, "--help"])), "", "", "<= 0.1 s"
    little, much = (taken(study("-"), again(large, int(size * scale))) for size in (2 * GIB, 20 * GIB))
    yield (
        "peak memory, 2 GB and 20 GB through a pipe",
        f"{little.mib:.0f} and {much.mib:.0f} MiB",
        "",
        "",
        "<= 128 MiB",
    )
    ratio = much.cpu_s / little.cpu_s
    told = f"{little.cpu_s:.1f} and {much.cpu_s:.1f} s of processor time"
    yield "time of ten times the frames (the same)", told, "", f"{ratio:.2f} times", "<= 10.2 times"
    yield (
        "`watch` at 340 thousand frames/s of a few flows",
        listening.share(int(3_400_000 * scale)),
        "",
        "",
        "<= 3 % of a core",
    )


def starting() -> str:
    """What a small capture takes before any of it is read, and cannot take less as long as it is Python that
    starts."""
    loaded = (
        "pass",
        "import numpy",
        "import numpy, llvmlite.binding",
        "import numpy, llvmlite.binding, click, rich.console",
    )
    bare, numpy, llvm, screen = (Measured.of([sys.executable, "-c", code]).best_s for code in loaded)
    return (
        f"Of each study Python itself takes {bare:.2f} s, NumPy {numpy - bare:.2f} s, the library that "
        f"loads the kernels {llvm - numpy:.2f} s, Click and Rich {screen - llvm:.2f} s; the rest of a small "
        "capture's time is preflight's own modules, loading and judging. One thread has `fill`, "
        "`walk_pcap`, `read`, `rates` and `shape`, the other all that follows them, so that the longer of "
        "both counts, beside the start."
    )


def by_hand() -> list[str]:
    """What somebody wrote of it in the page, which stays."""
    written = PAGE.read_text(encoding="utf-8").partition(BY_HAND)[2].partition("\n## ")[0]
    return [BY_HAND, *written.splitlines()[1:], ""] if written else []


def page(found: list[Row], profile: str) -> str:
    return "\n".join(
        [
            "# How fast it is",
            "",
            f"Measured on {date.today()} by `python -m tests.bench` on {os.cpu_count()} cores, "
            f"{platform.system()} {platform.machine()}, Python {platform.python_version()}. Files lie in "
            "the page cache, kernels were compiled and Python's bytecode written before, as after an "
            f"install. Both tools in turn, {best()}. `study` reads, tallies, dissects, judges and prints, "
            "and its time holds the start of Python; libpcap's loop is `tcpdump -r FILE -w /dev/null`. "
            "dpkt and Scapy ran on the first frames, and their time is scaled up.",
            "",
            "| what | preflight | the other | preflight is | aim |",
            "|---|---|---|---|---|",
            *(f"| {' | '.join(row)} |" for row in found),
            "",
            *by_hand(),
            "## Where the time goes",
            "",
            profile,
            "",
        ]
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scale", type=float, default=1.0, help="part of the frames")
    scale = options.parse_args().scale
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for row in rows(Path(folder), scale):
            print(*row, sep=" | ", flush=True)
            found.append(row)
        profile = apart(
            "inside",
            "profile",
            Path(folder) / "small.pcap",
            Path(folder) / "large.pcap",
            Path(folder) / "mixed.pcap",
        )
        profile = f"{starting()}\n\n{profile}"
    text = page(found, profile)
    print(profile)
    if scale == 1:
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
