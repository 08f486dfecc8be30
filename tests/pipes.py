"""Waiting for the one who reads a pipe, however busy the machine is."""

import time


def drained(pipe: int) -> None:
    """Wait until the other end has read all that was written: then it has long begun."""
    import fcntl
    import termios

    left = bytearray(4)
    ends = time.monotonic() + 60
    while fcntl.ioctl(pipe, termios.FIONREAD, left) == 0 and any(left):
        assert time.monotonic() < ends
        time.sleep(0.05)
