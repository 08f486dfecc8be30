"""What is known of where the frames came from, and of how well they were captured."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Interface:
    """An adapter that the capture file tells of, in its own words. `filter` is what it was told to capture
    only, `dropped` what was lost on it, None where that is not told."""

    name: str
    description: str
    link: str
    filter: str
    speed_mbps: int | None
    frames: int
    dropped: int | None

    @property
    def shown(self) -> str:
        return self.name or self.description or "an adapter without a name"


@dataclass(frozen=True)
class Comment:
    """What somebody wrote into a capture: of a frame (numbers count from 1, times in seconds from the first
    frame), or of a whole section, where both are None."""

    text: str
    frame: int | None = None
    time_s: float | None = None


@dataclass(frozen=True)
class Piece:
    """A file of several that are one capture; `first` is the number of its first frame among all."""

    name: str
    first: int


@dataclass(frozen=True)
class SourceFacts:
    """One capture, or one spell of listening.

    `frames` and `duration_s` are of what was read; times are nanoseconds since 1970-01-01 UTC, None where
    nothing was read. `dropped` is what the capturing system says it lost, None where it says nothing. `cut`
    counts frames shortened by the snap length, `malformed` records or frames that could not be read.
    `steps_back` counts times that fall back by more than 10 ms, `longest_step_back_s` the largest of them.
    `ended_early` says why reading stopped before the end ("" when it did not). `partial` is True after
    Ctrl-C. `pieces` are the files of a capture that comes in several; `put_together` counts captures in one
    file, end to end. `interfaces`, `comments` (the first) and `names` by address are the file's own words.
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
    pieces: tuple[Piece, ...] = ()
    put_together: int = 1
    interfaces: tuple[Interface, ...] = ()
    comments: tuple[Comment, ...] = ()
    names: tuple[tuple[str, str], ...] = ()

    @property
    def parts(self) -> str:
        """That it comes in several files, or is several captures in one; "" where neither."""
        if self.pieces:
            return f"in {len(self.pieces)} files"
        return f"{self.put_together} captures put end to end" if self.put_together > 1 else ""

    def placed(self, frame: int) -> tuple[str, int]:
        """The file that holds a frame, "" where there is but one, and the frame's number in it."""
        piece = next((each for each in reversed(self.pieces) if each.first <= frame), None)
        return (piece.name, frame - piece.first + 1) if piece else ("", frame)

    def frame_text(self, frame: int) -> str:
        file, number = self.placed(frame)
        return f"frame {number} of {file}" if file else f"frame {number}"
