"""preflight as people get it: the wheel with all that it needs, and what they install from it. Needs the
network once."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

COMMIT = "0123456789abcdef" * 2 + "01234567"
ROOT = Path(__file__).parents[2]
NOT_SENT = shutil.ignore_patterns(
    ".git", ".venv", ".*_cache", ".hypothesis", "__pycache__", "build", "dist", "*.egg-info"
)


@pytest.fixture(scope="session")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the source, so that building leaves nothing in it, with a HEAD that stands at `COMMIT`."""
    copy = Path(shutil.copytree(ROOT, tmp_path_factory.mktemp("source") / "preflight", ignore=NOT_SENT))
    (copy / ".commit").write_text("$Format:%H$\n", encoding="utf-8")  # ROOT may be what git archive filled in
    (copy / ".git").mkdir()
    (copy / ".git/HEAD").write_text(COMMIT, encoding="utf-8")
    return copy


@pytest.fixture(scope="session")
def offline(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that README's command fills."""
    folder = tmp_path_factory.mktemp("offline")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "-w", str(folder), "."], cwd=source, check=True
    )
    return folder


@pytest.fixture(scope="session")
def installed(offline: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment, filled from that folder and nothing else: its folder of programs."""
    venv = tmp_path_factory.mktemp("installed") / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(venv)], check=True)
    programs = venv / "bin"
    install = [
        str(programs / "pip"),
        "install",
        "-q",
        "--no-index",
        "--find-links",
        str(offline),
        "preflight",
    ]
    subprocess.run(install, check=True)
    return programs


@pytest.fixture(scope="session")
def results(installed: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the installed one says of the bundled captures, as JSON lines."""
    return judged(str(installed / "preflight"), tmp_path_factory.mktemp("judged"))


def judged(preflight: str, folder: Path) -> str:
    """Likewise, by whatever program: run in `folder`, which gets a copy of the captures."""
    names = sorted(path.name for path in captures())
    for path in captures():
        shutil.copy(path, folder)
    done = subprocess.run(
        [preflight, "study", "--json", *names], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1 and done.stderr == "", done
    return done.stdout


def captures() -> list[Path]:
    return [path for path in (ROOT / "captures").iterdir() if path.suffix != ".json"]
