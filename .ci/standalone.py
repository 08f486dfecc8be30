"""Makes a folder that runs without Python, and its zip: `python .ci/standalone.py [FOLDER]` (dist, without
FOLDER).

PyInstaller gathers the interpreter, the libraries and the package. Along go the captures, the documents, the
commit and the kernels, compiled for any processor of this kind: so Numba can stay away, nothing is compiled
where it runs, and nothing is written there. It runs on the system that it is made on, or a newer one: of
Linux, what counts is the C library.
"""

import shutil
import sys
import tempfile
from pathlib import Path

import PyInstaller.__main__

from preflight import bundled
from preflight.frames import compile as engines

# What is imported nowhere but where kernels are compiled, or by libraries in parts that preflight does not
# use.
AWAY = [
    "numba",
    "tkinter",
    "IPython",
    "matplotlib",
    "PIL",
    "pandas",
    "scipy",
    "pytest",
    "setuptools",
    "pkg_resources",
]
# A process that judges captures beside this one starts the same program again: it must not take it for a
# command.
START = "import multiprocessing\nmultiprocessing.freeze_support()\nfrom preflight.cli import main\nmain()\n"


def build(target: Path) -> Path:
    """The folder `preflight` in `target`, and `preflight.zip` beside it. Returns the folder."""
    with tempfile.TemporaryDirectory(prefix="standalone-") as name:
        work = Path(name)
        along = work / "along"
        engines.prepare(along / "prepared")
        for kind in ("captures", "docs"):
            folder = bundled.folder(kind)
            assert folder is not None
            shutil.copytree(folder, along / kind, ignore=shutil.ignore_patterns("*.png"))
        (along / "commit.txt").write_text(bundled.commit() + "\n", encoding="utf-8")
        start = work / "start.py"  # the name of the package would hide it
        start.write_text(START, encoding="utf-8")
        PyInstaller.__main__.run(
            [
                *("--noconfirm", "--clean", "--onedir", "--console", "--log-level=WARN", "--name=preflight"),
                *("--contents-directory=lib", f"--distpath={target}", f"--workpath={work / 'build'}"),
                *(f"--specpath={work}", "--collect-submodules=preflight", "--collect-data=preflight"),
                *("--collect-data=netaddr", "--recursive-copy-metadata=preflight"),
                *(
                    f"--add-data={part}:preflight{'/' + part.name if part.is_dir() else ''}"
                    for part in along.iterdir()
                ),
                *(f"--exclude-module={module}" for module in AWAY),
                str(start),
            ]
        )
    folder = target / "preflight"
    shutil.copy(Path(__file__).parents[1] / "LICENSE", folder)
    shutil.make_archive(str(folder), "zip", target, "preflight")
    return folder


if __name__ == "__main__":
    made = build(Path(sys.argv[1] if len(sys.argv) > 1 else "dist").resolve())
    size = sum(file.stat().st_size for file in made.rglob("*") if file.is_file() and not file.is_symlink())
    print(f"{made}: {size / 1e6:.0f} MB; {made}.zip: {made.with_suffix('.zip').stat().st_size / 1e6:.0f} MB")
