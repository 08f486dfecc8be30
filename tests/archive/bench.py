"""Measures the archive: `python -m tests.archive.bench [CASES]`. Prints what docs/archive.md tells."""

import os
import resource
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
from tests.archive.copies import copies
from tests.archive.made import bundled, fill, judged

COPIES = 12  # of each bundled capture


def judging(folder: Path, workers: int) -> tuple[float, float]:
    """Seconds, and seconds of processor time of the client."""
    with tempfile.TemporaryDirectory() as place, cluster(None, workers) as client:
        store = Store(place)
        client.run(_warm)
        looked = look(store, [str(folder)], 60.0)
        before = resource.getrusage(resource.RUSAGE_SELF)
        begun = time.perf_counter()
        added = add(store, looked, client, 60.0, lambda _n, _b: None)
        spent = time.perf_counter() - begun
        after = resource.getrusage(resource.RUSAGE_SELF)
        assert added.new == len(looked.wanted) and not added.unreadable, added
        return spent, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _warm() -> None:
    judged(bundled()[:1])


def asked(*command: str) -> tuple[float, float, float, int]:
    """A whole command: seconds, of processor time, its answer's length, and its highest memory in MiB."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "preflight", "archive", *command], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    assert status == 0, command
    return time.perf_counter() - begun, used.ru_utime + used.ru_stime, len(output), used.ru_maxrss >> 10


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / "captures"
        copies(folder, COPIES)
        size = sum(path.stat().st_size for path in folder.iterdir())
        print(f"{len(list(folder.iterdir()))} captures, {size / 1e6:.0f} MB")
        for workers in (1, 2, 1, 2):
            spent, client = judging(folder, workers)
            print(f"{workers} workers: {spent:.1f} s, the client {client:.1f} s of it")
        shutil.rmtree(folder)
        place = str(Path(work) / "archive")
        store = Store(place)
        begun = time.perf_counter()
        fill(store, judged(bundled()), count)
        print(f"made {count} cases: {time.perf_counter() - begun:.1f} s")
        begun = time.perf_counter()
        settle(store)
        print(f"merged: {time.perf_counter() - begun:.1f} s")
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
            best = min((asked(*command, "--archive", place) for _ in range(3)), key=lambda one: one[0])
            print(f"{' '.join(command)[:60]}: {best[0]:.2f} s, {best[1]:.2f} s of processor, {best[3]} MiB")
        print(f"page: {(Path(work) / 'page.html').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
