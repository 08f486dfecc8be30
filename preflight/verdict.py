"""From findings to a verdict: what is cause, what is symptom, and what to fix first.

A finding that another one explains is kept, but it gets no place in the order of fixing: mend the cause.
Which finding explains which, and which is mended first, stands in the checks.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from preflight.checks import check_named, judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.checks.rule import Explains
from preflight.facts import Facts
from preflight.frames.facts import Interface

Word = Literal["ready", "ready with cautions", "not ready", "unproven"]


@dataclass(frozen=True)
class Ranked:
    """A finding with its place in the order of fixing (1 is first; None: nothing to fix by itself), and the
    checks that explain it."""

    finding: Finding
    fix_first: int | None
    explained_by: tuple[str, ...]


@dataclass(frozen=True)
class Verdict:
    """`findings` are in the order in which to read them: to fix, explained by those, unproven, passed."""

    verdict: Word
    findings: tuple[Ranked, ...]

    def exit_status(self, strict: bool = False) -> int:
        """0 ready, 1 not ready, 3 unproven; `strict` makes cautions and unproven 1."""
        if strict and self.verdict != "ready":
            return 1
        return {"ready": 0, "ready with cautions": 0, "not ready": 1, "unproven": 3}[self.verdict]


@dataclass(frozen=True)
class Result:
    """The verdict on one capture, one spell of listening or one computer, and the facts it rests on. `apart`
    are those on each adapter of a capture by itself, where it has several."""

    facts: Facts
    verdict: Verdict
    apart: "tuple[Apart, ...]" = ()

    def finding_of(self, check: str) -> Finding | None:
        """What one check says; None where it was not asked."""
        return next((r.finding for r in self.verdict.findings if r.finding.check == check), None)


@dataclass(frozen=True)
class Apart:
    """The result of one adapter's frames alone."""

    adapter: Interface
    result: Result


# A symptom counts frames in a second, so its stretch begins and ends up to a second beside its cause. What
# the cause then leaves uncovered has another cause: a device that chatters for a minute is not mended with a
# loop of one second in it. Common practice.
BESIDE_S = 1.0
MOST = 0.75


def decide(findings: Iterable[Finding]) -> Verdict:
    """The verdict on all findings of one command. Unproven where none of them could be judged, or too little
    was heard."""
    findings = tuple(findings)
    causes = _causes([finding for finding in findings if finding.outcome.troubles])
    ranked = []
    place = 0
    for finding in sorted(findings, key=_order):
        explained_by = causes.get(finding.check, ())
        fix_first = None
        if finding.check in causes and not explained_by:
            place += 1
            fix_first = place
        ranked.append(Ranked(finding, fix_first, explained_by))
    ranked.sort(key=lambda r: (r.fix_first is None, not r.explained_by))  # stable: the rest keeps its order
    return Verdict(_word(findings), tuple(ranked))


def judged(facts: Facts) -> Result:
    """The result of all checks over `facts`."""
    return Result(facts, decide(judge_all(facts)))


def brief(result: Result) -> str:
    """What has to be known of a result in one line."""
    trouble = [r.finding for r in result.verdict.findings if r.fix_first is not None]
    if not trouble:
        return word(result)
    more = f" (and {len(trouble) - 1} more)" if len(trouble) > 1 else ""
    return f"{word(result)}. {trouble[0].check}: {trouble[0].headline}{more}"


def word(result: Result) -> str:
    """The verdict's word. One that leaves the network out must not read as a yes for the network."""
    word = result.verdict.verdict.upper()
    part = result.facts.wire_refused and result.verdict.verdict != "unproven"
    return f"{word} (this computer only)" if part else word


def _word(findings: tuple[Finding, ...]) -> Word:
    outcomes = {finding.outcome for finding in findings}
    if Outcome.FAIL in outcomes:
        return "not ready"
    unproven = [finding for finding in findings if finding.outcome == Outcome.UNPROVEN]
    if any(_part(finding) == "needed" for finding in unproven):
        return "unproven"
    if all(finding in unproven for finding in findings if _part(finding) == "counts"):
        return "unproven"
    return "ready with cautions" if Outcome.CAUTION in outcomes else "ready"


def _part(finding: Finding) -> str:
    """What part it has in the verdict."""
    check = check_named(finding.check)
    return check.verdict if check else "counts"


def _order(finding: Finding) -> tuple[int, float, str]:
    check = check_named(finding.check)
    return finding.outcome.gravity, check.order if check else math.inf, finding.check


def _causes(trouble: list[Finding]) -> dict[str, tuple[str, ...]]:
    """For each finding what explains it, at the root: a storm that a loop explains is not named beside the
    loop."""
    direct = {finding.check: _explained_by(finding, trouble) for finding in trouble}
    return {
        check: tuple(cause for cause in causes if not set(direct[cause]) & set(causes))
        for check, causes in direct.items()
    }


def _explained_by(finding: Finding, trouble: list[Finding]) -> tuple[str, ...]:
    """The causes of `finding`. A cause weighs at least as much: a caution does not explain a failure away."""
    return tuple(
        cause.check
        for cause in trouble
        if cause.outcome.gravity <= finding.outcome.gravity and _explains(cause, finding)
    )


def _explains(cause: Finding, symptom: Finding) -> bool:
    check = check_named(cause.check)
    known = check.explains if check else ()
    return any(symptom.check in each.symptoms and _shared(each, cause, symptom) for each in known)


def _shared(known: Explains, cause: Finding, symptom: Finding) -> bool:
    if known.shared == "time":
        return _cover_in_time(cause, symptom)
    theirs, mine = set(symptom.culprits), set(cause.culprits)
    return bool(theirs) and theirs <= mine if known.shared == "all culprits" else not theirs.isdisjoint(mine)


def _cover_in_time(cause: Finding, symptom: Finding) -> bool:
    """Whether the cause covers most of every stretch of the symptom."""
    widened = [(start - BESIDE_S, end + BESIDE_S) for start, end in cause.spans]
    return bool(symptom.spans) and all(
        _covered(stretch, widened) >= MOST * (stretch[1] - stretch[0]) for stretch in symptom.spans
    )


def _covered(stretch: tuple[float, float], spans: list[tuple[float, float]]) -> float:
    """Seconds of `stretch` that lie in any of `spans`; -1 where it touches none."""
    covered, until = -1.0, stretch[0]
    for start, end in sorted(spans):
        start, end = max(start, until), min(end, stretch[1])
        if start <= end:
            covered = max(covered, 0.0) + end - start
            until = end
    return covered
