"""How many boxes, engines and spares the rig sheet has."""

from collections import Counter

from preflight.checks.asks import Plan
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, fail, passed

CHECK = Check(
    name="device-count",
    subject="plan",
    order=430,
    asks=Plan,
    question="Is the rig no larger than such rigs can be?",
    looks_at="How many boxes, engines, spare engines and desks the rig sheet has.",
    why="One device more than the system takes is found out on the day, when it does not join.",
    limits=(
        Limit("box", 16, "input/output boxes", "common practice of modular rigs"),
        Limit("engine", 4, "engines", "common practice of modular rigs"),
        Limit("spare engine", 4, "spare engines", "common practice of modular rigs"),
    ),
    fixes=(
        "Ask the maker how many your system takes. More? Write it under [limits.device-count] on the rig sheet.",
        "Else take devices off the rig, or split it in two systems with a network each.",
    ),
)


def judge(plan: Plan, limits: Limits) -> Says:
    kinds = {device.name: device.kind for device in plan.sheet.device}
    counts = Counter(
        f"spare {kinds.get(device.spare_for or '', '')}" if device.kind == "spare" else device.kind
        for device in plan.sheet.device
    )
    measured = {kind: counts[kind] for kind in ("desk", "spare desk", *limits)}
    yield Measured(measured)
    for kind, most in limits.items():
        if counts[kind] > most:
            yield fail(f"{counts[kind]} {kind}{'es' if kind == 'box' else 's'}, {most:g} is the most.")
    listed = ", ".join(f"{kind}: {count}" for kind, count in measured.items())
    yield passed(f"The rig is of a usual size ({listed}).")
