"""What comes with the code: the captures that `rehearse` plays, the documents that messages name, the commit.

They lie inside the package where it was built (.ci/along.py puts them there), and beside it in a checkout.
"""

import re
from pathlib import Path

PACKAGE = Path(__file__).parent
HASH = re.compile(r"[0-9a-f]{40}")
UNFILLED = "$Format:%H$"  # by git archive: gitattributes(5), export-subst


def folder(name: str) -> Path | None:
    """The folder `captures` or `docs`; None where it is missing."""
    return next((f for f in (PACKAGE / name, PACKAGE.parent / name) if f.is_dir()), None)


def commit() -> str:
    """The commit that the code was built from, of 40 digits; "" where it is not known. A checkout tells its
    own (changes that were not committed are not told). One that `git archive` packed has it in `.commit`,
    which git fills in there alone."""
    beside = PACKAGE.parent
    told = _text(PACKAGE / "commit.txt") or _text(beside / ".commit")
    if told == UNFILLED:
        told = _head(beside / ".git")
    return told if HASH.fullmatch(told) else ""


def _head(git: Path) -> str:
    """What HEAD names (gitrepository-layout(5)), read without git."""
    head = _text(git / "HEAD")
    if not head.startswith("ref: "):
        return head
    name = head.removeprefix("ref: ")
    packed = _text(git / "packed-refs").splitlines()
    return _text(git / name) or next((line[:40] for line in packed if line[41:] == name), "")


def _text(file: Path) -> str:
    """What the file says; "" where it cannot be read."""
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        return ""
