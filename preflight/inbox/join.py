"""Which files are pieces of one capture: those whose frames follow one another, as a ring buffer writes them.

By the times of their first and last frames, and by names that differ in their numbers alone. A piece may
begin a moment before the last one ends, for two processors stamp frames out of order.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath
from typing import Protocol

NS = 1_000_000_000
OVERLAP_NS = 10_000_000  # common practice
# Between two pieces lies no more than passes between two frames. Common practice.
GAP_NS = 10 * NS  # where the user says that they are one
SURE_GAP_NS = 2 * NS  # where nobody does


class Timed(Protocol):
    """A capture by its name, and when its first and last frames came, in ns since 1970; None where it has
    none."""

    @property
    def name(self) -> str: ...
    @property
    def first_ns(self) -> int | None: ...
    @property
    def last_ns(self) -> int | None: ...


@dataclass(frozen=True)
class Span:
    """What a reading without judging tells of a capture; `why` it cannot be read."""

    name: str
    first_ns: int | None = None
    last_ns: int | None = None
    why: str = ""


def chains(pieces: Iterable[Timed], sure: bool = False) -> list[list[int]]:
    """The places of `pieces` in groups that follow one another, each in the order of time; groups in the
    order of their first. Where it has to be `sure`, only names that are alike go together."""
    told = list(pieces)
    gap_ns = SURE_GAP_NS if sure else GAP_NS
    found: list[list[int]] = [[place] for place, each in enumerate(told) if each.first_ns is None]
    ends: list[
        list[int]
    ] = []  # chains that something may follow still: there may be thousands that nothing does
    dated = [place for place, each in enumerate(told) if each.first_ns is not None]
    for place in sorted(dated, key=lambda place: (told[place].first_ns, told[place].last_ns)):
        first_ns = told[place].first_ns or 0
        ends = [chain for chain in ends if (told[chain[-1]].last_ns or 0) + gap_ns >= first_ns]
        fitting = [chain for chain in ends if _follows(told[chain[-1]], told[place], gap_ns)]
        alike = [chain for chain in fitting if _alike(told[chain[-1]].name, told[place].name)]
        if chosen := alike or ([] if sure else fitting):
            max(chosen, key=lambda chain: told[chain[-1]].last_ns or 0).append(place)
        else:
            found.append([place])
            ends.append(found[-1])
    return sorted(found, key=min)


def _follows(one: Timed, other: Timed, gap_ns: int) -> bool:
    if one.last_ns is None or other.first_ns is None:
        return False
    return -OVERLAP_NS <= other.first_ns - one.last_ns <= gap_ns


def _alike(one: str, other: str) -> bool:
    names = [re.sub(r"\d+", "#", PurePath(each).name) for each in (one, other)]
    return names[0] == names[1] and one != other
