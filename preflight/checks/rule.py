"""What a check is.

A check is one file in a folder of this package, with two names in it. `CHECK` holds all that is known of it
beside the judging: its question, its limits and where they come from, what it asks for, its place in the
order of fixing, what it explains, what `watch` and `soak` make of it, fixes and cautions. `judge(view,
limits)` is a generator: handed the view that the check asks for and its limits' values, it yields what it
saw. `preflight/checks/assemble.py` makes the finding of that, and says what is missing where there was
nothing to judge.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from preflight.checks import Subject
from preflight.checks.asks import View
from preflight.checks.says import Limits, Says
from preflight.checks.step import Step, When, care, now, steps

Judge = Callable[[Any, Limits], Says]

AGAIN = now("Run the line check again.")
WHOLE = "Capture whole frames (no snap length)."
# What must keep time; and what a full or stopped link does to it.
IN_TIME = ("stream-health", "beat-health", "clock")
KEEPS_TIME = ("falls-silent", *IN_TIME)


@dataclass(frozen=True)
class Limit:
    """A number that a check judges by; None where only a rig sheet can give it. `source` names the standard,
    or says "common practice"."""

    name: str
    value: float | None
    unit: str
    source: str

    @property
    def shown(self) -> str:
        """The value and its unit."""
        return f"{self.unit}, by the rig sheet" if self.value is None else f"{self.value:g} {self.unit}"


def values(limits: Iterable[Limit], own: Limits) -> dict[str, float]:
    told = {limit.name: own.get(limit.name, limit.value) for limit in limits}
    return {name: value for name, value in told.items() if value is not None}


@dataclass(frozen=True)
class Explains:
    """The checks whose findings this one explains where the two share time (this one covers most of every
    stretch of theirs), a culprit, or where all their culprits are this one's."""

    symptoms: tuple[str, ...]
    shared: Literal["time", "culprit", "all culprits"]


@dataclass(frozen=True)
class Check:
    """All that is known of a check beside its judging.

    `subject` is the folder it stands in, `asks` the view that its judge is handed. `order` is its place in
    the order of fixing, lower first: what is plugged wrong, then what is set wrong, symptoms, what is planned
    wrong, and the rest. `least_s` names the limit that tells for how many seconds must have been listened
    before it may pass, "" where any time will do. `watch` says from which outcome on the standing watch tells
    it: never where it has words of its own for it. `soak` says whether a soak judges each run by it, or the
    sums over all runs. In the verdict a check counts; it stands apart where it judges the listening, not the
    network; where one that is needed is unproven, so is the verdict, unless something fails. `unproven` says
    what would show the matter. Fixes that do not say when they may be done are done at `when`; cautions that
    follow from that need not be named.
    """

    name: str
    subject: Subject
    question: str
    looks_at: str
    why: str
    fixes: tuple[str, ...]
    order: int
    asks: type[View]
    when: When = When.BREAK
    explains: tuple[Explains, ...] = ()
    watch: Literal["fail", "caution", "never"] = "fail"
    soak: Literal["run", "sums"] | None = None
    verdict: Literal["counts", "apart", "needed"] = "counts"
    limits: tuple[Limit, ...] = ()
    least_s: str = ""
    sources: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    unproven: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "cautions", tuple(dict.fromkeys((*care(self.steps), *self.cautions))))

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """The fixes, each with the time when it may be done."""
        return steps(self.fixes, self.when)

    def values(self, own: Limits) -> dict[str, float]:
        """What to judge by: each limit's value, or the one in `own`, as a rig sheet gives them. One without
        either is left out."""
        return values(self.limits, own)
