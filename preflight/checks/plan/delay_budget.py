"""How long the network takes from each sender to each receiver, against what the show allows it."""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.rig.budget import Path

CHECK = Check(
    name="delay-budget",
    subject="plan",
    order=440,
    asks=View,
    question="Is the network quick enough for the show?",
    looks_at=(
        "Each stream's way on the rig sheet: at each hop the whole frame is received before it is sent on, and the cable takes its "
        "time. At worst, one packet of every other stream and one largest frame go first. Against delay_ms on the sheet."
    ),
    why="What comes later than the receiver waits for is lost. What the receiver waits longer for is heard as delay.",
    limits=(
        Limit("share", 1.0, "share of the show's network delay", "the rig sheet: [network] delay_ms"),
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
)


def judge(facts: Facts) -> Finding | None:
    if facts.budget is None or facts.sheet is None:
        return None
    paths = sorted(facts.budget.paths, key=lambda path: -path.worst_us)
    if not paths:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "No stream of the rig sheet has a way to its receiver.",
            fixes=("Write streams, ports and cables on the sheet.",),
        )
    limits, allowed_us = CHECK.values(), facts.sheet.network.delay_ms * 1000
    slow = [path for path in paths if path.worst_us > limits["near"] * allowed_us]
    measured = {
        "worst_us": round(paths[0].worst_us, 1),
        "delay_us": round(paths[0].delay_us, 1),
        "allowed_us": allowed_us,
        "hops": max(len(path.hops) - 1 for path in paths),
    }
    if slow:
        return Finding(
            CHECK.name,
            Outcome.FAIL if slow[0].worst_us > limits["share"] * allowed_us else Outcome.CAUTION,
            f"{_told(slow[0])}, of {allowed_us:g} µs that the show allows.",
            evidence=tuple(Evidence(f"{_told(path)}, by {' > '.join(path.hops)}") for path in slow[:6]),
            measured=measured,
            limits=limits,
            fixes=CHECK.fixes,
        )
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"{_told(paths[0])}, of {allowed_us:g} µs that the show allows.",
        measured=measured,
        limits=limits,
    )


def _told(path: Path) -> str:
    more = "" if path.lengths_known else ", cables of unknown length left out"
    return f"“{path.stream}” takes {path.delay_us:.0f} µs to {path.receiver}, at worst {path.worst_us:.0f} µs{more}"
