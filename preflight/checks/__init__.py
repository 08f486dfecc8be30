"""The checks: every module of this folder that holds a `CHECK` and a `judge`. Loaded only when asked for."""

import importlib
import pkgutil
from collections.abc import Callable, Container
from functools import cache

from preflight.checks.finding import SHEET_LIMITS, Check, Finding, Outcome
from preflight.facts import Facts
from preflight.text import clean

Judge = Callable[[Facts], Finding | None]
SUBJECTS = ("computer", "wire", "soak", "plan")


@cache
def all_checks() -> tuple[tuple[Check, Judge], ...]:
    """Every check with its judge: the computer's first, then the wire's, the soak's, the plan's, each by name."""
    modules = [
        importlib.import_module(f"{__name__}.{found.name}") for found in pkgutil.iter_modules(__path__)
    ]
    checks = [(module.CHECK, module.judge) for module in modules if hasattr(module, "CHECK")]
    return tuple(sorted(checks, key=lambda pair: (SUBJECTS.index(pair[0].subject), pair[0].name)))


def judge_all(facts: Facts, only: Container[str] | None = None) -> tuple[Finding, ...]:
    """What every check says of `facts`, or those named in `only`, by the limits of its rig sheet. One that breaks is
    unproven; the others still count."""
    before = SHEET_LIMITS.set(facts.sheet.limits if facts.sheet else {})
    try:
        found = [
            _judge(check, judge, facts) for check, judge in all_checks() if only is None or check.name in only
        ]
    finally:
        SHEET_LIMITS.reset(before)
    return tuple(finding for finding in found if finding is not None)


def _judge(check: Check, judge: Judge, facts: Facts) -> Finding | None:
    try:
        return judge(facts)
    except Exception as error:
        reason = clean(f"{type(error).__name__}: {error}", 200)
        return Finding(
            check.name,
            Outcome.UNPROVEN,
            f"This check broke ({reason}). Please report it as a fault of preflight.",
        )
