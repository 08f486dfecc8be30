"""How long the network takes from each sender to each receiver, against what the show allows it."""

from preflight.checks.asks import Plan
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, passed, trouble, unproven
from preflight.checks.see.snooping import ask, if_not, taken
from preflight.checks.step import When
from preflight.rig.budget import Path

CHECK = Check(
    name="delay-budget",
    subject="plan",
    order=440,
    asks=Plan,
    when=When.PLANNING,
    question="Is the network quick enough for the show?",
    looks_at=(
        "Each stream's way on the rig sheet: at each hop the whole frame is received before it is sent on, "
        "and the cable takes its time. At worst, one packet of every other stream and one largest frame go "
        "first. Against delay_ms on the sheet."
    ),
    why="What comes later than the receiver waits for is lost. What the receiver waits longer for is heard "
    "as delay.",
    limits=(
        Limit(
            "share",
            1.0,
            "share of the show's network delay, that may be used up",
            "the rig sheet: [network] delay_ms",
        ),
        Limit("near", 0.8, "share from which on little is left", "common practice"),
    ),
    sources=(
        "IEEE 802.3: frame bits / rate at each hop (store and forward)",
        "5 ns a metre of cable: from memory",
    ),
    fixes=(
        "Take out a switch: each hop costs a frame's time.",
        "Use a faster link where many streams meet.",
        "Is delay_ms on the sheet what the receivers are set to? A longer setting gives room.",
    ),
    unproven="Write streams, ports and cables on the sheet.",
)


def judge(plan: Plan, limits: Limits) -> Says:
    paths = sorted(plan.budget.paths, key=lambda path: -path.worst_us)
    if not paths:
        yield unproven("No stream of the rig sheet has a way to its receiver.")
        return
    slowest, allowed_us = paths[0], plan.sheet.network.delay_ms * 1000
    surest = max(paths, key=lambda path: path.sure_worst_us)
    yield Measured(
        {
            "worst_us": round(slowest.worst_us, 1),
            "delay_us": round(slowest.delay_us, 1),
            "allowed_us": allowed_us,
            "hops": max(len(path.hops) - 1 for path in paths),
        }
    )

    def graded(us: float) -> Outcome | None:
        if us > limits["share"] * allowed_us:
            return Outcome.FAIL
        return Outcome.CAUTION if us >= limits["near"] * allowed_us else None

    allowed = f", of {allowed_us:g} µs that the show allows"
    surely, worst = graded(surest.sure_worst_us), graded(slowest.worst_us)
    evidence = [
        Evidence(f"{_time_taken(path, path.worst_us)}, by {' > '.join(path.hops)}")
        for path in paths
        if graded(path.worst_us)
    ]
    if surely:
        yield trouble(surely, f"{_time_taken(surest, surest.sure_worst_us)}{allowed}.", evidence)
    if worst and worst != surely:
        headline = if_not(slowest.assumed, f"{_time_taken(slowest, slowest.worst_us)}{allowed}.")
        yield caution(headline, () if surely else evidence, fixes=(ask(slowest.assumed), *CHECK.fixes))
    if not worst:
        headline = f"{_time_taken(slowest, slowest.worst_us)}{allowed}."
        yield passed(headline + taken(slowest.assumed))


def _time_taken(path: Path, worst_us: float) -> str:
    more = "" if path.lengths_known else ", cables of unknown length left out"
    return (
        f"“{path.stream}” takes {path.delay_us:.0f} µs to {path.receiver}, at worst {worst_us:.0f} µs{more}"
    )
