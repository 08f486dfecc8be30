"""What comes with the code: the captures that `rehearse` plays, the documents that messages name, the commit.

They lie inside the package where it was built as a wheel (setup.py puts them there), and beside it in a checkout.
"""

import re
from pathlib import Path

PACKAGE = Path(__file__).parent
HASH = re.compile(r"[0-9a-f]{40}")


def folder(name: str) -> Path | None:
    """The folder `captures` or `docs`; None where it is missing."""
    return next((f for f in (PACKAGE / name, PACKAGE.parent / name) if f.is_dir()), None)


def commit() -> str:
    """The commit that the code was built from, of 40 digits; "" where it is not known. A checkout tells its own (changes
    that were not committed are not told)."""
    try:
        told = (PACKAGE / "commit.txt").read_text(encoding="utf-8").strip()
        if not HASH.fullmatch(told):
            told = _head(PACKAGE.parent / ".git")
    except OSError:
        return ""
    return told if HASH.fullmatch(told) else ""


def _head(git: Path) -> str:
    """What HEAD names (gitrepository-layout(5)), read without git."""
    head = (git / "HEAD").read_text(encoding="utf-8").strip()
    if not head.startswith("ref: "):
        return head
    name = head.removeprefix("ref: ")
    if (git / name).is_file():
        return (git / name).read_text(encoding="utf-8").strip()
    packed = (git / "packed-refs").read_text(encoding="utf-8").splitlines()
    return next((line[:40] for line in packed if line[41:] == name), "")
