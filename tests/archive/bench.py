"""Measures the archive: `python -m tests.archive.bench [CASES]`. Prints what docs/archive.md tells. How much
quicker two workers are than one shows on two idle cores alone: the load is told.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from preflight.archive.add import add, look
from preflight.archive.cluster import cluster
from preflight.archive.library import Library
from preflight.archive.store import Store
from preflight.archive.tidy import settle
from preflight.frames.errors import CaptureError
from preflight.inbox.find import kind_of
from tests.archive.copies import copies
from tests.archive.made import bundled, fill, judged

COPIES = 6  # of each bundled capture
PUBLIC = Path(__file__).parents[3] / "shared" / "public-captures"
LARGER, LARGER_TRIES = 3, 2  # copies of each public and bundled capture; how often they are judged
TRIES = 6


def judging(folder: Path, workers: int) -> tuple[float, float, float]:
    """Seconds, and seconds of processor time of the client and of all workers."""
    with tempfile.TemporaryDirectory() as place, cluster(None, workers) as client:
        store = Store(place)
        client.run(_warm)
        looked = look(store, [str(folder)], 60.0)
        theirs, ours = sum(client.run(time.process_time).values()), time.process_time()
        begun = time.perf_counter()
        added = add(store, looked, client, 60.0, lambda _n, _b: None)
        spent, ours = time.perf_counter() - begun, time.process_time() - ours
        assert added.new + added.known == len(looked.wanted), added
        return spent, ours, sum(client.run(time.process_time).values()) - theirs


def is_capture(path: Path) -> bool:
    try:
        return kind_of(str(path)) == "capture"
    except CaptureError:
        return False


def one_and_two(folder: Path, tries: int) -> None:
    """Tells how long one worker takes for the captures in a folder, and how long two do."""
    sizes = [path.stat().st_size for path in folder.rglob("*") if path.is_file()]
    print(f"{len(sizes)} captures, {sum(sizes) / 1e6:.0f} MB; the quickest of {tries}, in turn")
    runs = [(workers, judging(folder, workers)) for _ in range(tries) for workers in (1, 2)]
    best = {
        workers: [min(figures) for figures in zip(*(run for n, run in runs if n == workers), strict=True)]
        for workers in (1, 2)
    }
    for workers, (spent, client, theirs) in best.items():
        print(f"{workers} workers: {spent:.2f} s; processor: client {client:.2f} s, workers {theirs:.2f} s")
    print(
        f"two are {best[1][0] / best[2][0]:.2f} times as quick (at least 1.8); load {os.getloadavg()[0]:.1f}"
    )


def _warm() -> None:
    judged(bundled())


CODE = """
import atexit, sys, time
from pathlib import Path
from preflight.cli import main
def told():
    memory = Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]
    print(time.process_time(), int(memory) >> 10, file=sys.stderr)
atexit.register(told)
main()
"""


def asked(*command: str) -> tuple[float, float, int]:
    """A whole command: seconds, of processor time, and its highest memory in MiB."""
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", CODE, "archive", *command], capture_output=True, text=True, check=True
    )
    spent = time.perf_counter() - begun
    processor, memory = done.stderr.split()
    return spent, float(processor), int(memory)


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / "captures"
        copies(folder, COPIES)
        one_and_two(folder, TRIES)
        shutil.rmtree(folder)
        public = sorted(path for path in PUBLIC.rglob("*") if path.is_file() and is_capture(path))
        if public:
            for number, path in enumerate(public):  # several have one name
                copies(folder / str(number), LARGER, of=[path])
            copies(folder, LARGER)
            one_and_two(folder, LARGER_TRIES)
            shutil.rmtree(folder)
        place = str(Path(work) / "archive")
        store = Store(place)
        begun = time.process_time()
        fill(store, judged(bundled()), count)
        settle(store)
        print(f"made and merged {count} cases: {time.process_time() - begun:.1f} s of processor time")
        print(f"on disk: {sum(p.stat().st_size for p in Path(place).rglob('*') if p.is_file()) / 1e6:.1f} MB")
        with Library(store) as library:
            (first,) = library.ask("select capture from captures limit 1")
        for command in (
            ("find", "--check", "loop"),
            ("find", "--maker", "Maker 7", "--outcome", "fail"),
            ("find", "--since", "2025-01-01", "cable", "box-1"),
            ("like", first["capture"]),
            ("page", str(Path(work) / "page.html")),
        ):
            spent, processor, memory = map(
                min, zip(*(asked(*command, "--archive", place) for _ in range(TRIES)), strict=True)
            )
            print(f"{' '.join(command)[:40]}: {spent:.2f} s, {processor:.2f} s of processor, {memory} MiB")
        print(f"page: {(Path(work) / 'page.html').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
