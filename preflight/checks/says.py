"""What a judge may say: things that it saw, each for itself, and figures of the whole. `assemble` makes the
finding of them."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from preflight.checks.finding import Evidence, Outcome

Limits = Mapping[str, float]
Span = tuple[float, float]


@dataclass(frozen=True)
class Saw:
    """One thing that a judge saw. `{at}` in `headline` stands where `at` belongs, the words for a moment that
    counts from the first frame (" at 3.2 s"); a watch leaves it out. `fixes` and `cautions` are the check's
    own where they are None."""

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


def unproven(
    headline: str,
    evidence: Iterable[Evidence] = (),
    *,
    fixes: Iterable[str] | None = None,
    cautions: Iterable[str] = (),
) -> Saw:
    """It could not be shown either way. `fixes` say what would show it; the check's own word where they are
    None."""
    return trouble(Outcome.UNPROVEN, headline, evidence, fixes=fixes, cautions=cautions)


def passed(headline: str, evidence: Iterable[Evidence] = ()) -> Saw:
    """In order. It counts only where nothing else was seen."""
    return trouble(Outcome.PASS, headline, evidence, fixes=(), cautions=())


Says = Iterator[Saw | Measured]
