"""How fast `between` is beside two runs of `study`, on this machine: `python -m tests.between.bench
[MILLIONS]`. Prints what docs/between.md tells.

Two captures are made in a temporary folder: ten million frames of 64 bytes, a full gigabit link, at each end
of a way that loses 984 of them; B's clock is 3 s ahead and runs 50 ppm faster. The three commands run in
turn, as processes of their own; of each the quickest run counts. By processor time, which says as much on a
busy computer as on an idle one, and by the clock.
"""

import json
import subprocess
import sys
import tempfile
import time
from os import getloadavg, wait4
from pathlib import Path

import numpy as np

from tests.bench.captures import streams

LOST = 984
TRIES = 5
RECORD = 16 + 64
GAP_NS = 672  # 64 bytes, check sequence, preamble and gap at 1 Gbit/s (IEEE 802.3)
AHEAD_US, PPM, ON_THE_WAY_US = 3_000_000, 50, 30


def far_end(near: Path, far: Path, frames: int) -> None:
    """What comes out at the far end of what went in at the near one."""
    lost = np.random.default_rng(1).choice(frames - frames // 50, LOST, replace=False) + frames // 100
    came = np.ones(frames, bool)
    came[lost] = False
    sent = np.memmap(near, np.uint8, "r", 24, (frames, RECORD))
    with far.open("wb") as file:
        with near.open("rb") as head:
            file.write(head.read(24))
        begun_us = None
        for start in range(0, frames, 500_000):
            block = sent[start : start + 500_000][came[start : start + 500_000]]
            seconds, micros = block[:, :8].copy().view("<u4").astype(np.int64).T
            at = seconds * 1_000_000 + micros
            begun_us = int(at[0]) if begun_us is None else begun_us
            at += AHEAD_US + ON_THE_WAY_US + (at - begun_us) * PPM // 1_000_000
            block[:, :8] = np.stack([at // 1_000_000, at % 1_000_000], 1).astype("<u4").view(np.uint8)
            file.write(block.tobytes())


def make(near: str, far: str, frames: int) -> None:
    streams(Path(near), 64, frames, GAP_NS)
    far_end(Path(near), Path(far), frames)


def run(*words: str) -> tuple[float, float, float]:
    """Seconds of the processors, seconds by the clock, and MiB at most."""
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "preflight", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, status, used = wait4(child.pid, 0)
    assert status >> 8 in (0, 1, 3), f"{words[0]} ended with {status >> 8}"
    return used.ru_utime + used.ru_stime, time.perf_counter() - begun, used.ru_maxrss / 1024


def main(frames: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        near, far, told = (str(Path(folder, name)) for name in ("near.pcap", "far.pcap", "told.json"))
        # By another process: the most memory of a child is told as no less than what its parent had when it
        # began.
        make = f"from tests.between.bench import make; make({near!r}, {far!r}, {frames})"
        subprocess.run([sys.executable, "-c", make], check=True)
        commands = {
            "study near": ("study", near),
            "study far": ("study", far),
            "between": ("between", near, far, "--json", told),
        }
        for words in commands.values():  # compiled, and in the page cache
            run(*words)
        paths = json.loads(Path(told).read_text(encoding="utf-8"))["between"]["paths"]
        lost = sum(path["a"]["only"] for path in paths)
        runs: dict[str, list[tuple[float, float, float]]] = {name: [] for name in commands}
        for _ in range(TRIES):
            for name, words in commands.items():
                runs[name].append(run(*words))
    best = {name: [min(of) for of in zip(*each, strict=True)] for name, each in runs.items()}
    print(
        f"{frames} frames a side; lost {LOST}, found {lost}; load {getloadavg()[0]:.1f}; the best of {TRIES}"
    )
    for name, (processor, clock, memory) in best.items():
        print(f"{name}: {processor:.2f} s of the processors, {clock:.2f} s by the clock, {memory:.0f} MiB")
    for number, what in ((0, "by the processors"), (1, "by the clock")):
        study = best["study near"][number] + best["study far"][number]
        print(f"two studies / between, {what}: {study / best['between'][number]:.2f} (at least 0.5)")


if __name__ == "__main__":
    main(int(float(sys.argv[1] if len(sys.argv) > 1 else 10) * 1_000_000))
