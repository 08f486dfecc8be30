"""What a check is and what it says.

A check is a module in this folder with two names in it: `CHECK`, its explanation with every limit and the
limit's source, and `judge(facts)`, which reads facts and returns a `Finding`, or None where the command was
not asked to judge this (no capture, or no computer). Everything users read about a check comes from these
objects: the report, `preflight why`, the docs page and the JSON Schema's enumeration.
"""

from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

# The rig sheet's own limits, by check and limit, while its facts are judged.
SHEET_LIMITS: ContextVar[Mapping[str, Mapping[str, float]]] = ContextVar(
    "SHEET_LIMITS", default=MappingProxyType({})
)


class Outcome(StrEnum):
    PASS = "pass"
    CAUTION = "caution"
    FAIL = "fail"
    UNPROVEN = "unproven"


@dataclass(frozen=True)
class Limit:
    """A number a check judges by. `source` names the standard, or says "common practice"."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Check:
    """The explanation of a check.

    `subject` is what it looks at: "computer", "wire", a "soak" of one item, or the "plan" that a rig sheet is. `looks_at`, `why` are short plain sentences. `unproven` says
    what would show the matter when a capture or this computer cannot. `fixes` are the general steps.
    """

    name: str
    subject: Literal["computer", "wire", "soak", "plan"]
    question: str
    looks_at: str
    why: str
    fixes: tuple[str, ...]
    limits: tuple[Limit, ...] = ()
    sources: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    unproven: str = ""

    def values(self) -> dict[str, float]:
        """What to judge by: each limit's value, or the one that the rig sheet gives instead."""
        own = SHEET_LIMITS.get().get(self.name, {})
        return {limit.name: own.get(limit.name, limit.value) for limit in self.limits}

    def limit(self, name: str) -> float:
        """What to judge by, of the limit called `name`. Raises KeyError if the check has none of that name."""
        return self.values()[name]


@dataclass(frozen=True)
class Evidence:
    """One thing seen. `frame` counts from 1 in file order; `time_s` is seconds from the first frame."""

    text: str
    frame: int | None = None
    time_s: float | None = None


@dataclass(frozen=True)
class Finding:
    """What one check says. `culprits` are hardware addresses or adapter names; `spans` are (start_s, end_s)."""

    check: str
    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...] = ()
    measured: Mapping[str, object] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    fixes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    culprits: tuple[str, ...] = ()
    spans: tuple[tuple[float, float], ...] = ()
