"""How many boxes, engines and spares the rig sheet has, against what it says that the system takes."""

from collections import Counter

from preflight.checks.asks import Plan
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.step import When

BY_SHEET = "the maker of the system; there is no default"
KINDS = {
    "box": "input/output boxes",
    "engine": "engines",
    "spare engine": "spare engines",
    "desk": "desks",
    "spare desk": "spare desks",
}
CHECK = Check(
    name="device-count",
    subject="plan",
    order=430,
    asks=Plan,
    when=When.PLANNING,
    question="Is the rig no larger than its system can be?",
    looks_at="How many boxes, engines, spare engines and desks the rig sheet has, and how many of each it "
    "says that the system takes.",
    why="One device more than the system takes is found out on the day, when it does not join.",
    limits=tuple(Limit(kind, None, unit, BY_SHEET) for kind, unit in KINDS.items()),
    fixes=(
        "Ask the maker how many your system takes. More? Write it under [limits.device-count] on the rig "
        "sheet.",
        "Else take devices off the rig, or split it in two systems with a network each.",
    ),
    unproven="Ask the maker of the system, and write it on the sheet: [limits.device-count], then box = 16 "
    "and the like.",
)


def judge(plan: Plan, limits: Limits) -> Says:
    kinds = {device.name: device.kind for device in plan.sheet.device}
    counts = Counter(
        f"spare {kinds.get(device.spare_for or '', '')}" if device.kind == "spare" else device.kind
        for device in plan.sheet.device
    )
    measured = {kind: counts[kind] for kind in KINDS}
    yield Measured(measured)
    for kind, most in limits.items():
        if counts[kind] > most:
            yield fail(f"{counts[kind]} {kind}{'es' if kind == 'box' else 's'}, {most:g} is the most.")
    listed = ", ".join(f"{kind}: {count}" for kind, count in measured.items())
    if limits:
        yield passed(f"The rig is no larger than the sheet says that the system takes ({listed}).")
    else:
        yield unproven(f"The sheet does not say how many devices the system takes ({listed}).")
