"""The key of all replacements. It is made once, kept in the user's data folder, and never goes into anything
that is sent.

With it kept, the next handover from this computer replaces everything in the same way, so that the support
desk can lay two of them side by side.
"""

import os
import secrets
from contextlib import suppress
from pathlib import Path

import numpy as np

SIZE = 16


def kept_key() -> tuple[np.ndarray, bool]:
    """The key as the kernels take it, and whether it is kept: else it serves this time only."""
    try:
        file = data_folder() / "handover.key"
        if not file.exists():
            _keep(file, secrets.token_bytes(SIZE))
        raw = file.read_bytes()
        if len(raw) == SIZE:
            return as_words(raw), True
    except (OSError, RuntimeError):  # nowhere to keep it, or no home at all
        pass
    return as_words(secrets.token_bytes(SIZE)), False


def data_folder() -> Path:
    """The user's own folder of what preflight keeps."""
    from platformdirs import user_data_path

    _at_home()
    return user_data_path("preflight", appauthor=False)


def _at_home() -> None:
    """Run by sudo, the program has become the caller by now, but HOME may still be that of root."""
    if os.name == "posix" and not os.access(Path.home(), os.W_OK):
        import pwd

        with suppress(KeyError):
            os.environ["HOME"] = pwd.getpwuid(os.geteuid()).pw_dir


def _keep(file: Path, raw: bytes) -> None:
    """Write it for the user alone, all at once: two handovers that begin together use the same."""
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = file.with_name(f"{file.name}.{os.getpid()}")
    with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:  # noqa: PTH123
        out.write(raw)
    try:
        os.link(beside, file)
    except FileExistsError:
        pass
    except OSError:  # a disk without links
        beside.replace(file)
    beside.unlink(missing_ok=True)


def as_words(raw: bytes) -> np.ndarray:
    """Two words of 63 bits."""
    return np.frombuffer(raw, "<u8").astype(np.uint64).view(np.int64) & np.int64(0x7FFFFFFFFFFFFFFF)
