"""Giving up privilege: only opening the packet socket needs any, so all of it goes right after.

Run by sudo, the command becomes the user who called it, for good: the files that it writes are that user's.
Else it keeps its user and loses its capabilities (capabilities(7)); root itself keeps the two that let it
reach files, or it could not write into a folder of somebody else. The standard library has no call for
capabilities, so the C library's own, which is loaded already, is called. Capabilities are of Linux only, and
of the calling thread: call it before starting others.
"""

import ctypes
import os
import sys
from contextlib import suppress
from pathlib import Path

import preflight

VERSION_3 = 0x20080522  # _LINUX_CAPABILITY_VERSION_3, linux/capability.h
CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH = 1, 2


def drop() -> None:
    """Keep no more privilege than reading and writing files takes."""
    if sys.platform == "win32":
        return
    if os.geteuid() == 0:
        _become_caller()
    if sys.platform == "linux":
        _keep(1 << CAP_DAC_OVERRIDE | 1 << CAP_DAC_READ_SEARCH if os.geteuid() == 0 else 0)


def _become_caller() -> None:
    """The user who called sudo, where the rest of the program can be read as that user."""
    try:
        user, group = int(os.environ["SUDO_UID"]), int(os.environ["SUDO_GID"])
    except (KeyError, ValueError):
        return
    if user <= 0 or group < 0:
        return
    before = os.getgroups(), os.getegid()
    try:
        # By name: of a user in more than 16 groups, macOS takes no list (setgroups(2) there).
        os.initgroups(os.environ.get("SUDO_USER", ""), group)
        os.setegid(group)
        os.seteuid(user)
        readable = all(
            _readable(folder) for folder in {Path(preflight.__file__).parent, *map(Path, sys.path)}
        )
        os.seteuid(0)
        if not readable:
            os.setegid(before[1])
            with suppress(ValueError):  # more than macOS takes: then they stay the caller's
                os.setgroups(before[0])
            return
        os.setgid(group)  # as root, these change the saved ones too (setuid(2))
        os.setuid(user)
    except OSError:
        return  # no right to change users, as in some containers


def _readable(folder: Path) -> bool:
    try:
        if folder.is_dir():
            next(folder.iterdir(), None)
    except OSError:
        return False
    return True


def _keep(capabilities: int) -> None:
    """Lose all capabilities but these, of those that there are."""
    header = (ctypes.c_uint32 * 2)(VERSION_3, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable; low 32 bits, then high
    library = ctypes.pythonapi
    if library.capget(header, sets) != 0:
        return
    for at in range(6):
        sets[at] &= capabilities if at < 2 else 0
    library.capset(header, sets)
