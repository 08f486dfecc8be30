"""The checks: every module of these folders holds a `CHECK` and a `judge`. Loaded only when asked for."""

import importlib
import pkgutil
from collections.abc import Container
from functools import cache
from pathlib import Path
from typing import get_args

from preflight.checks.assemble import broken, find
from preflight.checks.finding import Finding
from preflight.checks.rule import Check, Judge, Subject
from preflight.checks.see.names import Names, names_of
from preflight.facts import Facts
from preflight.text import clean

SUBJECTS: tuple[Subject, ...] = get_args(Subject)  # each is a folder


@cache
def all_checks() -> tuple[tuple[Check, Judge], ...]:
    """Every check with its judge: the computer's first, then the wire's, the soak's, the plan's, those of two captures, each by name."""
    modules = [
        importlib.import_module(f"{__name__}.{subject}.{found.name}")
        for subject in SUBJECTS
        for found in pkgutil.iter_modules([str(Path(__file__).parent / subject)])
    ]
    checks = [(module.CHECK, module.judge) for module in modules]
    return tuple(sorted(checks, key=lambda pair: (SUBJECTS.index(pair[0].subject), pair[0].name)))


@cache
def check_named(name: str) -> Check | None:
    """The check of a name; None where there is none."""
    return next((check for check, _ in all_checks() if check.name == name), None)


def judge_all(
    facts: Facts, only: Container[str] | None = None, names: Names | None = None
) -> tuple[Finding, ...]:
    """What every check says of `facts`, or those named in `only`, with the `names` that are known, else those in `facts`. One that
    breaks is unproven; the others still count."""
    names = names or names_of(facts)
    found = (
        _judged(check, judge, facts, names)
        for check, judge in all_checks()
        if only is None or check.name in only
    )
    return tuple(finding for finding in found if finding is not None)


def _judged(check: Check, judge: Judge, facts: Facts, names: Names) -> Finding | None:
    try:
        return find(check, judge, facts, names)
    except Exception as error:
        return broken(check, clean(f"{type(error).__name__}: {error}", 200))
