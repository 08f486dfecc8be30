"""Reading small files of /sys and /proc, whatever is in them: words, numbers, flags, where a link leads."""

from pathlib import Path

from preflight.text import clean

LARGEST, MOST = 4096, 500  # sysfs gives at most a page; entries of one folder


def read_text(path: Path) -> str | None:
    """A small file's words, None where it is missing, refused or no text."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST)
    except (OSError, ValueError):
        return None
    return "\n".join(clean(line, 400) for line in data.decode("utf-8", "replace").split("\n")).strip()


def read_number(path: Path, base: int = 10) -> int | None:
    text = read_text(path)
    try:
        return int(text, base) if text and len(text) <= 20 else None
    except ValueError:
        return None


def read_flag(path: Path) -> bool | None:
    number = read_number(path)
    return None if number is None else number > 0


def read_target(link: Path) -> str | None:
    """The last part of where a symbolic link leads."""
    try:
        return clean(link.readlink().name)
    except (OSError, ValueError):
        return None


def entries(folder: Path) -> list[Path] | None:
    """What is in a folder, None where it is missing or refused."""
    try:
        return sorted(folder.iterdir())[:MOST]
    except OSError:
        return None
