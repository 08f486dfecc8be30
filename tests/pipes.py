"""Waiting for the one who reads a pipe, however busy the machine is."""

import time
from pathlib import Path

PATIENCE_S = 300  # what has not happened by then hangs


def drained(pipe: int) -> None:
    """Wait until the other end has read all that was written: then it has long begun."""
    import fcntl
    import termios

    left = bytearray(4)
    ends = time.monotonic() + PATIENCE_S
    while fcntl.ioctl(pipe, termios.FIONREAD, left) == 0 and any(left):
        assert time.monotonic() < ends
        time.sleep(0.05)


def settled(pid: int) -> None:
    """Wait until all threads of a process have waited for half a second: it is done with what it was given.
    One that is only kept from the processor does not wait. (By proc(5); elsewhere half a second goes by.)"""
    ends, looks = time.monotonic() + PATIENCE_S, 0
    while looks < 5:
        assert time.monotonic() < ends
        time.sleep(0.1)
        stats = [file.read_text(encoding="utf-8") for file in Path(f"/proc/{pid}/task").glob("*/stat")]
        looks = looks + 1 if all(stat.rpartition(")")[2].split()[0] == "S" for stat in stats) else 0
