"""A soak that ended early has shown less than was asked of it. Asked after a soak only."""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import span_text, when
from preflight.facts import Facts
from preflight.soak.facts import NS, Run

CHECK = Check(
    name="soak-time",
    subject="soak",
    order=530,
    asks=View,
    soak="sums",
    verdict="apart",
    question="Was the item soaked for as long as planned?",
    looks_at=(
        "The time that was really watched, added up over all runs of the soak. While the program was stopped, or the computer "
        "slept, nobody watched."
    ),
    why="A fault that comes once in three hours does not show in one.",
    limits=(Limit("share", 1.0, "of the planned time watched", "common practice"),),
    sources=("Common practice: what a soak has not reached, it has not shown",),
    fixes=("Let it finish: preflight soak resume NUMBER. The time already watched counts.",),
)
SHOWN = 8


def judge(facts: Facts) -> Finding | None:
    soak = facts.soak
    if soak is None:
        return None
    watched, planned, limits = soak.figures.watched_ns, soak.planned_ns, CHECK.values()
    gaps = [
        Evidence(f"not watched from {when(early.until_ns)} to {when(late.begun_ns)}")
        for early, late in zip(soak.runs, soak.runs[1:], strict=False)
    ]
    slept = [gap for run in soak.runs if (gap := _slept(run))]
    evidence = (*gaps, *slept)
    if len(evidence) > SHOWN:
        evidence = (*evidence[:SHOWN], Evidence(f"and {len(evidence) - SHOWN} more times"))
    measured = {
        "watched_s": round(watched / NS, 1),
        "planned_s": round(planned / NS, 1),
        "runs": len(soak.runs),
    }
    if watched >= planned * limits["share"]:
        runs = f", in {len(soak.runs)} runs" if len(soak.runs) > 1 else ""
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"Soaked for {span_text(watched / NS)}, as planned{runs}.",
            evidence=evidence,
            measured=measured,
            limits=limits,
        )
    return Finding(
        CHECK.name,
        Outcome.CAUTION,
        f"Soaked for {span_text(watched / NS)} of {span_text(planned / NS)} only.",
        evidence=evidence,
        measured=measured,
        limits=limits,
        fixes=(CHECK.fixes[0].replace("NUMBER", str(soak.number)),),
    )


def _slept(run: Run) -> Evidence | None:
    lost = (run.until_ns - run.begun_ns - run.figures.watched_ns) / NS
    if lost < 60:
        return None
    return Evidence(
        f"in the run from {when(run.begun_ns)} on, not watched for {span_text(lost)}: the computer slept, or its clock was set"
    )
