"""Cables of the rig sheet that are longer than Ethernet over them reaches."""

from preflight.checks.asks import Plan
from preflight.checks.cautions import CABLE_ROUTE, FIBRE
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.rig.budget import cables

CHECK = Check(
    name="cable-length",
    subject="plan",
    order=400,
    asks=Plan,
    question="Is every cable short enough?",
    looks_at="The length and medium of each cable on the rig sheet.",
    why="A copper run that is too long works in the shop and loses frames on a hot day, or comes up at 100 Mb/s.",
    limits=(
        Limit(
            "copper_m", 100, "m of copper from plug to plug", "ISO/IEC 11801, TIA-568, IEEE 802.3 clause 40"
        ),
        Limit(
            "copper_fixed_m",
            90,
            "m of it that are not patch leads",
            "ISO/IEC 11801 and TIA-568: 90 + 10 m; flexible cable: CP",
        ),
        Limit("fibre_m", 550, "m of multimode fibre", "IEEE 802.3 clause 38 (1000BASE-SX), from memory"),
    ),
    fixes=(
        "Run fibre instead, with a converter or a fibre port at both ends.",
        "Or put a switch in the middle, with a power supply that cannot be kicked out.",
        "Longer than multimode fibre reaches? Use single-mode fibre, and check what your ports reach.",
    ),
    cautions=(CABLE_ROUTE, FIBRE),
    unproven="Write length_m for each cable on the rig sheet.",
)


def judge(plan: Plan, limits: Limits) -> Says:
    lengths = [cable.length_m for cable in cables(plan.sheet) if cable.length_m is not None]
    unknown = sum(cable.length_m is None for cable in cables(plan.sheet))
    too_long = doubtful = 0
    for cable in cables(plan.sheet):
        length, copper = cable.length_m or 0, cable.medium == "copper"
        reach = limits["copper_m" if copper else "fibre_m"]
        told = f"{cable.a} to {cable.b}: {length:g} m of {cable.medium}, {reach:g} m is the most"
        if copper and length > reach:
            too_long += 1
            yield fail(f"{told}.")
        elif length > reach:  # single-mode reaches further, so that fibre is never more than a caution
            doubtful += 1
            yield caution(f"{told}.")
        elif copper and length > limits["copper_fixed_m"]:
            doubtful += 1
            yield caution(f"{told}, and patch leads count too.")
    yield Measured({"too_long": too_long, "doubtful": doubtful, "unknown": unknown})
    if lengths:
        left_out = f" {unknown} of unknown length are left out." if unknown else ""
        yield passed(f"The longest cable has {max(lengths):g} m, and no cable is too long.{left_out}")
    else:
        yield unproven("The rig sheet tells the length of no cable.")
