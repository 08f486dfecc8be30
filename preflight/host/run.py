"""Asking the system's own commands: each by its full path, without a shell, with nothing to read, and with a
time limit.

The only place of the package that starts a program. What may be asked are the readers' own tables of
commands, which tell and change nothing; tests hold them to that. `begin` starts what the user asked for, and
nothing else.
"""

import os
import subprocess
from collections.abc import Callable, Mapping

Command = tuple[str, ...]
LIMIT_S = 20.0
LARGEST = 4_000_000  # characters of one answer; a system tells some ten thousand


def answers(commands: Mapping[str, Command], limit_s: float = LIMIT_S) -> dict[str, str | None]:
    """What each command wrote, all asked at once. None where it is missing, slow, or failed."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(len(commands)) as pool:
        told = pool.map(lambda command: _answer(command, limit_s), commands.values())
        return dict(zip(commands, told, strict=True))


def _answer(command: Command, limit_s: float) -> str | None:
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=limit_s, check=False
        )
    except (OSError, ValueError, subprocess.SubprocessError):
        return None
    text = done.stdout.decode("utf-8-sig", "replace")
    return text if done.returncode == 0 and len(text) <= LARGEST else None


def begin(command: Command, told: Mapping[str, str]) -> Callable[[], bool]:
    """Start a command of the user's own, without a shell, and do not wait for it; what comes back tells
    whether it still runs. What it is told is in its environment, and never among its arguments: it comes from
    the network. Raises OSError where it cannot be started."""
    nothing = subprocess.DEVNULL
    process = subprocess.Popen(
        command, stdin=nothing, stdout=nothing, stderr=nothing, env=os.environ | told, start_new_session=True
    )
    return lambda: process.poll() is None
