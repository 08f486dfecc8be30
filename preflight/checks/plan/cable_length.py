"""Cables of the rig sheet that are longer than Ethernet over them reaches."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, FIBRE
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.rig.budget import cables

CHECK = Check(
    name="cable-length",
    subject="plan",
    order=400,
    asks=View,
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
        "Longer than 550 m? Use single-mode fibre, and check what your ports reach.",
    ),
    cautions=(CABLE_ROUTE, FIBRE),
    unproven="Write length_m for each cable on the rig sheet.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.budget is None or facts.sheet is None:
        return None
    limits = CHECK.values()
    longs, near, unknown = [], [], 0
    for cable in cables(facts.sheet):
        reach = limits["copper_m"] if cable.medium == "copper" else limits["fibre_m"]
        text = f"{cable.a} to {cable.b}: {cable.length_m or 0:g} m of {cable.medium}, {reach:g} m is the most"
        if cable.length_m is None:
            unknown += 1
        elif cable.length_m > reach:
            longs.append((cable, text))
        elif cable.medium == "copper" and cable.length_m > limits["copper_fixed_m"]:
            near.append((cable, f"{text}, and patch leads count too"))
    # Multimode is what most fibre on stage is; single-mode reaches further, so that fibre is never more than a caution.
    too_long = [each for each in longs if each[0].medium == "copper"]
    doubtful = [each for each in longs if each[0].medium != "copper"] + near
    measured = {"too_long": len(too_long), "doubtful": len(doubtful), "unknown": unknown}
    shown = too_long + doubtful
    if shown:
        return Finding(
            CHECK.name,
            Outcome.FAIL if too_long else Outcome.CAUTION,
            f"{shown[0][1]}." + (f" And {len(shown) - 1} more." if shown[1:] else ""),
            evidence=tuple(Evidence(text) for _, text in shown),
            measured=measured,
            limits=limits,
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
        )
    lengths = [cable.length_m for cable in cables(facts.sheet) if cable.length_m is not None]
    if not lengths:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "The rig sheet tells the length of no cable.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    open_ones = f" {unknown} of unknown length are left out." if unknown else ""
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"The longest cable has {max(lengths):g} m, and no cable is too long.{open_ones}",
        measured=measured,
        limits=limits,
    )
