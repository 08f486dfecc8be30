"""The checks: every module of these folders holds a `CHECK` and a `judge`, and is called as its check is.
Loaded only when asked for: loading all of them takes longer than judging a capture. So is what they rest on:
whoever wants words (`say`) alone waits for nothing else.
"""

import importlib
import pkgutil
from collections.abc import Container
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from preflight.text import clean

if TYPE_CHECKING:
    from preflight.checks.finding import Finding
    from preflight.checks.rule import Check, Judge
    from preflight.checks.see.names import Names
    from preflight.facts import Facts

Subject = Literal["computer", "wire", "soak", "plan", "between"]
SUBJECTS: tuple[Subject, ...] = get_args(Subject)  # each is a folder


def all_checks() -> "tuple[tuple[Check, Judge], ...]":
    """Every check with its judge: the computer's first, then the wire's, the soak's, the plan's, those of two
    captures, each by name."""
    return tuple(pair for subject in SUBJECTS for pair in _checks_of(subject))


@cache
def _checks_of(subject: Subject) -> "tuple[tuple[Check, Judge], ...]":
    checks = [_loaded(subject, file) for file in _files(subject)]
    return tuple(sorted(checks, key=lambda pair: pair[0].name))


@cache
def _files(subject: Subject) -> frozenset[str]:
    return frozenset(found.name for found in pkgutil.iter_modules([str(Path(__file__).parent / subject)]))


def _loaded(subject: Subject, file: str) -> "tuple[Check, Judge]":
    module = importlib.import_module(f"{__name__}.{subject}.{file}")
    return module.CHECK, module.judge


@cache
def check_named(name: str) -> "Check | None":
    """The check of a name; None where there is none."""
    file = name.replace("-", "_")
    return next((_loaded(subject, file)[0] for subject in SUBJECTS if file in _files(subject)), None)


def judge_all(
    facts: "Facts", only: Container[str] | None = None, names: "Names | None" = None
) -> "tuple[Finding, ...]":
    """What every check says of `facts`, or those named in `only`, with the `names` that are known, else those
    in `facts`. One that breaks is unproven; the others still count."""
    from preflight.checks.see.names import names_of

    names = names or names_of(facts)
    found = (
        _judged(check, judge, facts, names)
        for subject in SUBJECTS
        if _speaks(subject, facts)
        for check, judge in _checks_of(subject)
        if only is None or check.name in only
    )
    return tuple(finding for finding in found if finding is not None)


def _speaks(subject: Subject, facts: "Facts") -> bool:
    """Whether there is anything of what the checks of a subject look at; without it none of them says a
    word."""
    looked_at: dict[Subject, tuple[object, ...]] = {
        "computer": (facts.host,),
        "soak": (facts.soak, facts.host),
        "plan": (facts.sheet,),
        "between": (facts.between,),
    }
    return any(part is not None for part in looked_at.get(subject, (facts,)))


def _judged(check: "Check", judge: "Judge", facts: "Facts", names: "Names") -> "Finding | None":
    from preflight.checks.assemble import broken, find

    try:
        return find(check, judge, facts, names)
    except Exception as error:
        return broken(check, clean(f"{type(error).__name__}: {error}", 200))
