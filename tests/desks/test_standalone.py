"""The folder that needs no Python: it runs in a root that holds the C library, zlib, itself and captures, and
nothing else."""

import os
import resource
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.desks.conftest import ROOT, captures, judged

C_LIBRARY = (
    "ld-linux-x86-64.so.2",
    "libc.so.6",
    "libm.so.6",
    "libdl.so.2",
    "libpthread.so.0",
    "librt.so.1",
    "libutil.so.1",
    "libz.so.1",
)
LARGEST = 450_000_000
HELP_S = 0.3


@pytest.fixture(scope="session")
def standalone(installed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made by the command of DEVELOPERS.md, in the environment of the wheel."""
    subprocess.run([str(installed / "pip"), "install", "-q", "pyinstaller>=6"], check=True)
    target = tmp_path_factory.mktemp("standalone")
    subprocess.run(
        [str(installed / "python"), str(ROOT / ".ci/standalone.py"), str(target)],
        cwd=target,
        check=True,
    )
    return target


@pytest.fixture(scope="session")
def root(standalone: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty root with the zip's content in it, as somebody who copied it has it."""
    root = tmp_path_factory.mktemp("root")
    subprocess.run(["unzip", "-q", str(standalone / "preflight.zip"), "-d", str(root)], check=True)
    root.chmod(0o755)
    (root / "lib64").mkdir()
    for name in C_LIBRARY:
        shutil.copy(Path("/lib/x86_64-linux-gnu", name), root / "lib64")
    for path in captures():
        shutil.copy(path, root)
    return root


def started(root: Path, *args: str) -> subprocess.Popen:
    """Run in the root, read-only, as a user who is nobody and has no home."""
    script = 'mount --bind "$0" "$0" && mount -o remount,ro,bind "$0" && exec chroot --userspec=65534:65534 "$0" "$@"'
    command = ["unshare", "--mount", "sh", "-c", script, str(root), "/preflight/preflight", *args]
    path = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LD_LIBRARY_PATH": "/lib64"}
    return subprocess.Popen(command, env=path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def inside(root: Path, *args: str) -> subprocess.CompletedProcess:
    with started(root, *args) as running:
        out, errors = running.communicate()
    return subprocess.CompletedProcess(args, running.returncode, out, errors)


pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="an empty root needs root")


def test_it_runs_where_there_is_no_python_no_home_and_nothing_to_write_to(root: Path, results: str) -> None:
    assert inside(root, "--help").stdout.startswith("Usage: preflight")
    done = inside(root, "rehearse")
    assert done.returncode == 0 and done.stderr == "", done
    assert "no home to keep a log in" in inside(root, "soak", "list").stderr
    done = inside(root, "adapters")
    assert done.returncode == 0 and done.stdout and done.stderr == "", done
    names = sorted(path.name for path in captures())
    done = inside(root, "study", "--json", *(f"/{name}" for name in names))
    assert done.stderr == ""
    assert done.stdout.replace('"name":"/', '"name":"').replace('"name": "/', '"name": "') == results


def test_whoever_reads_only_the_beginning_gets_no_error(root: Path) -> None:
    with started(root, "rehearse", "--all") as running:
        assert running.stdout is not None and running.stderr is not None
        assert running.stdout.readline()
        running.stdout.close()
        assert running.stderr.read() == ""


def test_it_is_there_at_once(standalone: Path) -> None:
    """By the processor's time, which a busy machine leaves alone."""
    took = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([str(standalone / "preflight/preflight"), "--help"], check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(took) < HELP_S, took


def test_it_leaves_nothing_behind(standalone: Path, results: str, tmp_path: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in standalone.rglob("*")}
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "captures").mkdir()
    program = tmp_path / "preflight.sh"
    program.write_text(
        f'#!/bin/sh\nHOME={home} TMPDIR={home} exec {standalone}/preflight/preflight "$@"\n', encoding="utf-8"
    )
    program.chmod(0o755)
    assert judged(str(program), tmp_path / "captures") == results
    assert list(home.iterdir()) == []
    assert {path: path.stat().st_mtime_ns for path in standalone.rglob("*")} == before


def test_its_kernels_are_for_any_processor(standalone: Path) -> None:
    """No wider registers than those that every x86-64 processor has; and it has no compiler along."""
    objects = sorted((standalone / "preflight/lib/preflight/prepared").rglob("*.o"))
    told = subprocess.run(
        ["objdump", "-d", *map(str, objects)], capture_output=True, text=True, check=True
    ).stdout
    assert objects and "%xmm" in told and "%ymm" not in told and "%zmm" not in told
    assert not (standalone / "preflight/lib/numba").exists()
    assert sum(path.stat().st_size for path in standalone.rglob("preflight/**/*") if path.is_file()) < LARGEST


def test_its_version_tells_that_its_kernels_are_along(standalone: Path) -> None:
    done = subprocess.run(
        [str(standalone / "preflight/preflight"), "--version"], capture_output=True, text=True, check=True
    )
    assert f"compiled kernels: {standalone}/preflight/lib/preflight/prepared/kernels\n" in done.stdout
