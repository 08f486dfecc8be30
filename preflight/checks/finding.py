"""What one check says, as everything after the checks reads it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from preflight.checks.step import Step


class Outcome(StrEnum):
    """From the gravest to the mildest."""

    FAIL = "fail"
    CAUTION = "caution"
    UNPROVEN = "unproven"
    PASS = "pass"

    @property
    def gravity(self) -> int:
        """0 is the gravest."""
        return GRAVITY.index(self)

    @property
    def troubles(self) -> bool:
        return self in (Outcome.FAIL, Outcome.CAUTION)


GRAVITY = tuple(Outcome)


@dataclass(frozen=True)
class Evidence:
    """One thing seen. `frame` counts from 1 in file order; `time_s` is seconds from the first frame."""

    text: str
    frame: int | None = None
    time_s: float | None = None


@dataclass(frozen=True)
class Finding:
    """What one check says. `culprits` are hardware addresses or adapter names; `spans` are (start_s, end_s).
    `undated` is the headline without moments that count from the first frame."""

    check: str
    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...] = ()
    measured: Mapping[str, object] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    fixes: tuple[Step, ...] = ()
    cautions: tuple[str, ...] = ()
    culprits: tuple[str, ...] = ()
    spans: tuple[tuple[float, float], ...] = ()
    undated: str = ""
