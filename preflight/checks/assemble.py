"""One finding from what a check saw: the only place where findings are made.

The gravest thing seen gives outcome and headline; what else was seen stands below it as evidence, and its
fixes after those of the gravest. What is as grave as the headline gives culprits and stretches of time. A
pass counts only where nothing else was seen, and where the listening took long enough.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from preflight.checks.asks import Missing
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import AGAIN, Check, Judge
from preflight.checks.say import heard_only
from preflight.checks.says import Limits, Measured, Saw
from preflight.checks.see.names import Names, names_of
from preflight.checks.step import Step, When, care, fitting, steps
from preflight.facts import Facts

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet

MOST_EVIDENCE = 40  # a flood of made-up senders must not fill the report


def find(check: Check, judge: Judge, facts: Facts, names: Names | None = None) -> Finding | None:
    """What `check` says of `facts`, by the limits of their rig sheet; None where it was not asked. `names`
    are those of `facts`."""
    view = check.asks.of(facts)
    if view is None:
        return None
    if isinstance(view, Missing):
        return _unproven(check, view.headline, facts.sheet, view.fixes)
    limits = check.values(facts.sheet.limits.get(check.name, {}) if facts.sheet else {})
    saw: list[Saw] = []
    measured: dict[str, object] = {}
    beside: list[Evidence] = []
    for each in judge(view, limits):
        if isinstance(each, Measured):
            measured |= each.values
            beside += each.evidence
        else:
            saw.append(each)
    if not saw:
        return None
    saw.sort(key=lambda each: each.outcome.gravity)  # stable
    if saw[0].outcome == Outcome.PASS:
        heard_s = facts.source.duration_s if facts.source is not None else 0.0
        least_s = limits[check.least_s] if check.least_s else 0.0
        if round(heard_s, 1) < least_s:
            return _unproven(check, heard_only(heard_s, least_s), facts.sheet)
    else:
        saw = [each for each in saw if each.outcome != Outcome.PASS]
    return _merged(check, saw, measured, beside, limits, facts.sheet, names or names_of(facts))


def _merged(
    check: Check,
    saw: list[Saw],
    measured: dict[str, object],
    beside: list[Evidence],
    limits: Limits,
    sheet: Sheet | None,
    names: Names,
) -> Finding:
    """With names where devices are mentioned: they are spelt in the order in which they are read."""
    first, *others = saw
    evidence = list(first.evidence)
    for other in others:
        evidence += [Evidence(other.headline.replace("{at}", other.at)), *other.evidence]
    evidence += beside
    if len(evidence) > MOST_EVIDENCE:
        evidence[MOST_EVIDENCE - 1 :] = [Evidence(f"and {len(evidence) - MOST_EVIDENCE + 1} more")]
    gravest = [each for each in saw if each.outcome == first.outcome]
    # What would show the unproven is no step to mend what is wrong.
    mending = [each for each in saw if each.outcome.troubles] or saw
    several = [fitting(_fixes(check, each), sheet) for each in mending]
    fixes = dict.fromkeys(step for of_one in several for step in of_one)
    spelt = names.spelling()
    return Finding(
        check.name,
        first.outcome,
        spelt(first.headline.replace("{at}", first.at)),
        evidence=tuple(replace(each, text=spelt(each.text)) for each in evidence),
        measured=measured,
        limits=limits,
        fixes=tuple(step.saying(spelt(step)) for step in sorted(fixes, key=AGAIN.__eq__)),
        cautions=_once(
            word
            for each, of_one in zip(mending, several, strict=True)
            for word in (*care(of_one), *_cautions(check, each))
        ),
        culprits=_once(culprit for each in gravest for culprit in each.culprits),
        spans=tuple(sorted({span for each in gravest for span in each.spans})),
        undated=names.spelling()(first.headline.replace("{at}", "")),
    )


def _fixes(check: Check, saw: Saw) -> tuple[Step, ...]:
    """What would show the unproven may be done now, unless it says otherwise."""
    if saw.outcome == Outcome.UNPROVEN:
        own = (check.unproven,) if check.unproven else ()
        return steps(own if saw.fixes is None else saw.fixes, When.NOW)
    return check.steps if saw.fixes is None else steps(saw.fixes, check.when)


def _cautions(check: Check, saw: Saw) -> tuple[str, ...]:
    return check.cautions if saw.cautions is None else saw.cautions


def _once(several: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(several))


def _unproven(check: Check, headline: str, sheet: Sheet | None, fixes: tuple[str, ...] = ()) -> Finding:
    own = (check.unproven,) if check.unproven else ()
    to_do = fitting(steps(fixes or own, When.NOW), sheet)
    return Finding(
        check.name, Outcome.UNPROVEN, headline, fixes=to_do, cautions=care(to_do), undated=headline
    )


def broken(check: Check, reason: str) -> Finding:
    """A check that raised: it is unproven, and the others still count."""
    headline = f"This check broke ({reason}). Please report it as a fault of preflight."
    return Finding(check.name, Outcome.UNPROVEN, headline, undated=headline)
