"""The checks: every module of this folder that holds a `CHECK` and a `judge`. Loaded only when asked for."""

import importlib
import pkgutil
from collections.abc import Callable
from functools import cache

from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts
from preflight.text import clean

Judge = Callable[[Facts], Finding | None]
SUBJECTS = ("computer", "wire")


@cache
def all_checks() -> tuple[tuple[Check, Judge], ...]:
    """Every check with its judge: the computer's first, then the wire's, each by name."""
    modules = [
        importlib.import_module(f"{__name__}.{found.name}") for found in pkgutil.iter_modules(__path__)
    ]
    checks = [(module.CHECK, module.judge) for module in modules if hasattr(module, "CHECK")]
    return tuple(sorted(checks, key=lambda pair: (SUBJECTS.index(pair[0].subject), pair[0].name)))


def judge_all(facts: Facts) -> tuple[Finding, ...]:
    """What every check says of `facts`. One that breaks is unproven; the others still count."""
    findings = []
    for check, judge in all_checks():
        try:
            finding = judge(facts)
        except Exception as error:
            reason = clean(f"{type(error).__name__}: {error}", 200)
            finding = Finding(
                check.name,
                Outcome.UNPROVEN,
                f"This check broke ({reason}). Please report it as a fault of preflight.",
            )
        if finding is not None:
            findings.append(finding)
    return tuple(findings)
