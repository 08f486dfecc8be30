"""What a check is, and what it may say.

A check is one file in a folder of this package, with two names in it. `CHECK` holds all that is known of it beside the
judging: its question, its limits and where they come from, what it asks for, its place in the order of fixing, what it
explains, what `watch` and `soak` make of it, fixes and cautions. `judge(view, limits)` is a generator: handed the view that
the check asks for and its limits' values, it yields what it saw. `preflight/checks/assemble.py` makes the finding of that, and
says what is missing where there was nothing to judge.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Outcome

Subject = Literal["computer", "wire", "soak", "plan"]
Limits = Mapping[str, float]
Judge = Callable[[Any, Limits], Iterator["Saw | Measured"]]
Span = tuple[float, float]

AGAIN = "Run the line check again."
# What a full or stopped link does to everything that keeps time.
KEEPS_TIME = ("stream-health", "beat-health", "clock")


@dataclass(frozen=True)
class Limit:
    """A number that a check judges by. `source` names the standard, or says "common practice"."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Explains:
    """The checks whose findings this one explains where the two share time (this one covers most of every stretch of theirs), a
    culprit, or where all their culprits are this one's."""

    symptoms: tuple[str, ...]
    shared: Literal["time", "culprit", "all culprits"]


@dataclass(frozen=True)
class Check:
    """All that is known of a check beside its judging.

    `subject` is the folder it stands in, `asks` the view that its judge is handed. `order` is its place in the order of fixing, lower first:
    what is plugged wrong, then what is set wrong, symptoms, what is planned wrong, and the rest. `least_s` names the limit that tells
    for how many seconds must have been listened before it may pass, "" where any time will do. `watch` says from which outcome on the standing
    watch tells it: never where it has words of its own for it. `soak` says whether a soak judges each run by it, or the sums
    over all runs. In the verdict a check counts; it stands apart where it judges the listening, not the network; where one that is needed is unproven,
    so is the verdict, unless something fails. `unproven` says what would show the matter.
    """

    name: str
    subject: Subject
    question: str
    looks_at: str
    why: str
    fixes: tuple[str, ...]
    order: int
    asks: type[View]
    explains: tuple[Explains, ...] = ()
    watch: Literal["fail", "caution", "never"] = "fail"
    soak: Literal["run", "sums"] | None = None
    verdict: Literal["counts", "apart", "needed"] = "counts"
    limits: tuple[Limit, ...] = ()
    least_s: str = ""
    sources: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    unproven: str = ""

    def values(self, own: Limits) -> dict[str, float]:
        """What to judge by: each limit's value, or the one in `own`, as a rig sheet gives them."""
        return {limit.name: own.get(limit.name, limit.value) for limit in self.limits}


@dataclass(frozen=True)
class Saw:
    """One thing that a judge saw. `{at}` in `headline` stands where `at` belongs, the words for a moment that counts from the first
    frame (" at 3.2 s"); a watch leaves it out. `fixes` and `cautions` are the check's own where they are None."""

    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...] = ()
    culprits: tuple[str, ...] = ()
    spans: tuple[Span, ...] = ()
    at: str = ""
    fixes: tuple[str, ...] | None = None
    cautions: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Measured:
    """Figures of the whole, whatever was seen, and evidence that stands after everything else."""

    values: Mapping[str, object] = field(default_factory=dict)
    evidence: tuple[Evidence, ...] = ()


def trouble(
    outcome: Outcome,
    headline: str,
    evidence: Iterable[Evidence] = (),
    *,
    culprits: Iterable[str] = (),
    spans: Iterable[Span] = (),
    at: str = "",
    fixes: Iterable[str] | None = None,
    cautions: Iterable[str] | None = None,
) -> Saw:
    """Something is wrong, as gravely as `outcome` says. Culprits are hardware addresses or adapter names."""
    return Saw(
        outcome,
        headline,
        tuple(evidence),
        tuple(culprits),
        tuple(spans),
        at,
        None if fixes is None else tuple(fixes),
        None if cautions is None else tuple(cautions),
    )


def fail(headline: str, evidence: Iterable[Evidence] = (), **more: Any) -> Saw:
    return trouble(Outcome.FAIL, headline, evidence, **more)


def caution(headline: str, evidence: Iterable[Evidence] = (), **more: Any) -> Saw:
    return trouble(Outcome.CAUTION, headline, evidence, **more)


def unproven(headline: str, evidence: Iterable[Evidence] = (), *, fixes: Iterable[str] | None = None) -> Saw:
    """It could not be shown either way. `fixes` say what would show it; the check's own word where they are None."""
    return trouble(Outcome.UNPROVEN, headline, evidence, fixes=fixes, cautions=())


def passed(headline: str, evidence: Iterable[Evidence] = ()) -> Saw:
    """In order. It counts only where nothing else was seen."""
    return trouble(Outcome.PASS, headline, evidence, fixes=(), cautions=())
