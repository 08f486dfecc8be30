"""The wheel: what is in it, and that it works where nothing of the source is."""

import json
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.desks.conftest import COMMIT, ROOT

Run = Callable[..., subprocess.CompletedProcess]


@pytest.fixture
def run(installed: Path, tmp_path: Path) -> Run:
    """The installed program, run outside of any source, in a home of its own."""

    def run(*args: str, **environment: str) -> subprocess.CompletedProcess:
        home = tmp_path / "home"
        home.mkdir(exist_ok=True)
        told = {"HOME": str(home), "PATH": os.environ["PATH"]} | environment
        command = [str(installed / "preflight"), *args]
        return subprocess.run(command, cwd=tmp_path, env=told, capture_output=True, text=True, check=False)

    return run


def test_the_wheel_holds_all_that_is_needed(offline: Path) -> None:
    [wheel] = offline.glob("preflight-*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    wanted = {f"preflight/captures/{path.name}" for path in (ROOT / "captures").iterdir()}
    wanted |= {f"preflight/docs/{path.name}" for path in (ROOT / "docs").iterdir() if path.suffix != ".png"}
    named = {
        f"preflight/{name}"
        for path in (ROOT / "preflight").rglob("*.py")
        for name in re.findall(r"docs/[a-z.-]+\.(?:md|json|toml)", path.read_text(encoding="utf-8"))
    }
    assert named and wanted | named <= held
    assert [name for name in held if name.endswith("licenses/preflight/report/html/uplot/LICENSE")]
    assert not [name for name in held if name.startswith(("tests/", "captures/", "docs/"))]
    assert zipfile.ZipFile(wheel).read("preflight/commit.txt").decode().strip() == COMMIT


def test_the_source_archive_makes_the_same_wheel(offline: Path, source: Path, tmp_path: Path) -> None:
    """As those do who pack it for others: from the sdist alone, without git."""
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "venv")], check=True)
    subprocess.run([str(tmp_path / "venv/bin/pip"), "install", "-q", "build"], check=True)
    subprocess.run(
        [str(tmp_path / "venv/bin/python"), "-m", "build", "--outdir", str(tmp_path / "dist"), str(source)],
        check=True,
        capture_output=True,
    )
    [wheel], [by_way_of_sdist] = offline.glob("preflight-*.whl"), (tmp_path / "dist").glob("*.whl")
    direct, again = zipfile.ZipFile(wheel), zipfile.ZipFile(by_way_of_sdist)
    assert {name: direct.read(name) for name in direct.namelist()} == {
        name: again.read(name) for name in again.namelist()
    }


def test_rehearse_study_and_why(run: Run) -> None:
    done = run("rehearse")
    count = len(json.loads((ROOT / "captures/manifest.json").read_text(encoding="utf-8")))
    assert done.returncode == 0 and f"{count} of {count} captures got the verdict" in done.stdout, done
    assert run("why", "loop").stdout.startswith("loop\n")
    done = run("study", str(ROOT / "captures/loop.pcap.gz"), "--report", "page.html")
    assert done.returncode == 1 and "NOT READY" in done.stdout, done


def test_the_version_tells_where_things_are(run: Run, installed: Path, tmp_path: Path) -> None:
    _, kernels, documents = run("--version").stdout.splitlines()
    assert kernels.startswith(f"compiled kernels: {tmp_path}/home/.cache/preflight/kernels-")
    documents = Path(documents.removeprefix("documents: "))
    assert documents.is_relative_to(installed.parent) and (documents / "listening.md").is_file()


@pytest.mark.parametrize(
    ("tool", "install"),
    [
        ("pipx", ["pipx", "install", "--pip-args=--find-links {offline}", "{wheel}"]),
        ("uv", ["uv", "tool", "install", "--no-index", "--find-links", "{offline}", "{wheel}"]),
    ],
)
def test_tools_that_install_programs(tool: str, install: list[str], offline: Path, tmp_path: Path) -> None:
    [wheel] = offline.glob("preflight-*.whl")  # by its file: the index has another project of this name
    subprocess.run([sys.executable, "-m", "venv", "venv"], cwd=tmp_path, check=True)
    subprocess.run(["venv/bin/pip", "install", "-q", tool], cwd=tmp_path, check=True)
    places = {
        name: str(tmp_path / name.lower()) for name in ("PIPX_HOME", "UV_TOOL_DIR", "UV_CACHE_DIR", "HOME")
    }
    programs = {
        "PIPX_BIN_DIR": str(tmp_path / "bin"),
        "UV_TOOL_BIN_DIR": str(tmp_path / "bin"),
        "UV_PYTHON": sys.executable,
    }
    command = [
        str(tmp_path / "venv/bin" / install[0]),
        *(word.format(offline=offline, wheel=wheel) for word in install[1:]),
    ]
    subprocess.run(command, env={**os.environ, **places, **programs}, check=True, capture_output=True)
    done = subprocess.run(
        [str(tmp_path / "bin/preflight"), "rehearse", "loop"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "1 of 1 captures" in done.stdout, done
