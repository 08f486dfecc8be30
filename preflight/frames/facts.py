"""What is known of where the frames came from, and of how well they were captured."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class SourceFacts:
    """One capture file, or one spell of listening.

    `frames` and `duration_s` are of what was read; times are nanoseconds since 1970-01-01 UTC, None where nothing
    was read. `dropped` is what the capturing system says it lost, None where it says nothing.
    `cut` counts frames shortened by the snap length, `malformed` records or frames that could not be read.
    `steps_back` counts times that fall back by more than 10 ms, `longest_step_back_s` the largest of them.
    `ended_early` says why reading stopped before the end ("" when it did not). `partial` is True after Ctrl-C.
    """

    kind: Literal["capture", "live"]
    name: str
    frames: int = 0
    captured_bytes: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    duration_s: float = 0.0
    link_types: tuple[str, ...] = ()
    dropped: int | None = None
    cut: int = 0
    malformed: int = 0
    steps_back: int = 0
    longest_step_back_s: float = 0.0
    ended_early: str = ""
    partial: bool = False
