"""A fingerprint of each check, so that a newer preflight judges again only what its checks changed.

It is taken of source text: the check's own file, what it takes from `checks/see/`, and all that every check
rests on (how frames are read, tallied and dissected, how findings become a verdict, how rows are made). A
changed comment counts as a change: judging once too often costs time, once too seldom costs truth.
"""

import ast
import hashlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import preflight
from preflight.checks import all_checks
from preflight.checks.asks import PlannedWire
from preflight.checks.rule import Check

PACKAGE = Path(preflight.__file__).parent
RESTED_ON = (
    "text.py", "facts.py", "survey.py", "study.py", "verdict.py", "frames/*.py", "tally/*.py", "wire/*.py",
    "checks/*.py", "report/html/devices.py", "archive/rows.py", "archive/columns.py",
)  # fmt: skip


@cache
def marks() -> dict[str, str]:
    """The fingerprint of every check that a capture alone can be judged by, by the check's name."""
    base = _digest(sorted(path for pattern in RESTED_ON for path in PACKAGE.glob(pattern)))
    return {
        check.name: hashlib.sha256((base + _digest(sorted(_files(check)))).encode()).hexdigest()[:12]
        for check, _ in all_checks()
        if check.subject == "wire" and not issubclass(check.asks, PlannedWire)
    }


def _files(check: Check) -> set[Path]:
    """The check's file, and all files in `checks/` below a folder that it imports, or that those do."""
    found: set[Path] = set()
    left = [PACKAGE / "checks" / check.subject / f"{check.name.replace('-', '_')}.py"]
    while left:
        path = left.pop()
        if path not in found:
            found.add(path)
            left += [other for other in _imported(path) if other.parent != PACKAGE / "checks"]
    return found


def _imported(path: Path) -> Iterator[Path]:
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("preflight.checks"):
            file = PACKAGE.parent / Path(*(node.module or "").split("."))
            names = [file / alias.name for alias in node.names] if file.is_dir() else [file]
            yield from (each.with_suffix(".py") for each in names if each.with_suffix(".py").is_file())


def _digest(paths: list[Path]) -> str:
    """Of names and contents, whatever the system's line ends."""
    made = hashlib.sha256()
    for path in paths:
        text = path.read_bytes().replace(b"\r\n", b"\n")
        made.update(f"{path.relative_to(PACKAGE).as_posix()} {len(text)}\n".encode() + text)
    return made.hexdigest()
