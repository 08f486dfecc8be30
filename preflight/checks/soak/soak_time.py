"""A soak that ended early has shown less than was asked of it. Asked after a soak only."""

from collections.abc import Iterator

from preflight.checks.asks import Soaked
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import span_text, when
from preflight.checks.says import Limits, Measured, Says, caution, passed
from preflight.checks.step import When
from preflight.soak.facts import NS, SoakFacts

CHECK = Check(
    name="soak-time",
    subject="soak",
    order=530,
    asks=Soaked,
    when=When.PLANNING,
    soak="sums",
    verdict="apart",
    question="Was the item soaked for as long as planned?",
    looks_at=(
        "The time that was really watched, added up over all runs of the soak. While the program was "
        "stopped, or the computer slept, nobody watched."
    ),
    why="A fault that comes once in three hours does not show in one.",
    limits=(Limit("share", 1.0, "of the planned time watched", "common practice"),),
    sources=("Common practice: what a soak has not reached, it has not shown",),
    fixes=("Let it finish: preflight soak resume NUMBER. The time already watched counts.",),
)
LEAST_GAP_S = 60  # less is lost to beginning and ending a run


def judge(view: Soaked, limits: Limits) -> Says:
    soak = view.soak
    watched, planned, runs = soak.figures.watched_ns, soak.planned_ns, len(soak.runs)
    yield Measured(
        {"watched_s": round(watched / NS, 1), "planned_s": round(planned / NS, 1), "runs": runs},
        tuple(_gaps(soak)),
    )
    if watched >= planned * limits["share"]:
        yield passed(
            f"Soaked for {span_text(watched / NS)}, as planned{f', in {runs} runs' if runs > 1 else ''}."
        )
    else:
        yield caution(
            f"Soaked for {span_text(watched / NS)} of {span_text(planned / NS)} only.",
            fixes=[CHECK.fixes[0].replace("NUMBER", str(soak.number))],
        )


def _gaps(soak: SoakFacts) -> Iterator[Evidence]:
    for early, late in zip(soak.runs, soak.runs[1:], strict=False):
        yield Evidence(f"not watched from {when(early.until_ns)} to {when(late.begun_ns)}")
    for run in soak.runs:
        lost_s = (run.until_ns - run.begun_ns - run.figures.watched_ns) / NS
        if lost_s >= LEAST_GAP_S:
            yield Evidence(
                f"in the run from {when(run.begun_ns)} on, not watched for {span_text(lost_s)}: the "
                "computer slept, or its clock was set"
            )
