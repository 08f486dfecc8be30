"""Cables of the rig sheet that are longer than Ethernet of their speed reaches over their kind of copper or
fibre.

Strategy: a table of how far each speed goes, by the least kind that it is made for; a better kind goes as
far. Where the sheet says only copper or only fibre, the least usual kind is taken, and what is then too long
is asked for: it cautions. The longer of two reaches is what some ports or lays reach, the shorter what all
do; between them it cautions, too.
"""

from dataclasses import dataclass

from preflight.checks.asks import Plan
from preflight.checks.cautions import CABLE_ROUTE, FIBRE
from preflight.checks.finding import Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Saw, Says, passed, trouble, unproven
from preflight.checks.step import When
from preflight.rig.budget import cables
from preflight.rig.sheet import Cable

SERIES = (  # each kind after those that it is better than
    ("Cat 5", "Cat 5e", "Cat 6", "Cat 6A", "Cat 7", "Cat 8"),
    ("OM1", "OM2", "OM3", "OM4", "OM5"),
    ("single-mode",),
)
# What is taken where no more is told, and what it may be. Common practice.
LEAST = {"copper": "Cat 5e", "fibre": "OM2", "multimode": "OM2"}
MAY_BE = {"copper": SERIES[0], "fibre": (*SERIES[1], *SERIES[2]), "multimode": SERIES[1]}
PATCHED = ", and patch leads count too"


@dataclass(frozen=True)
class Reach:
    """How far `mbps` go over `kind` and better ones. From `sure` on it is as `doubt` says."""

    kind: str
    mbps: tuple[int, ...]
    most: Limit
    sure: Limit | None = None
    doubt: str = ""


def _m(kind: str, mbps: int, metres: float, source: str) -> Limit:
    return Limit(f"{kind} at {mbps}", metres, "m", source)


def _sure(kind: str, mbps: int, metres: float, source: str) -> Limit:
    return Limit(f"{kind} at {mbps}, sure", metres, "m", source)


COPPER_M = Limit(
    "copper_m", 100, "m of copper from plug to plug", "ISO/IEC 11801, TIA-568, IEEE 802.3 clause 40"
)
COPPER_FIXED_M = Limit(
    "copper_fixed_m",
    90,
    "m of it that are not patch leads",
    "ISO/IEC 11801 and TIA-568: 90 + 10 m; flexible cable: CP",
)
FIBRE_M = Limit(
    "fibre_m",
    550,
    "m of multimode fibre, OM2 or better, at 1000 Mb/s",
    "IEEE 802.3 clause 38 (1000BASE-SX), from memory",
)
BZ = "IEEE 802.3bz (clause 126): 2.5GBASE-T from Cat 5e on, 5GBASE-T from Cat 6 on, from memory"
AN = "IEEE 802.3an (clause 55, 10GBASE-T), from memory"
TSB = "TIA TSB-155: 37 m, and from 37 to 55 m as alien crosstalk allows"
BQ = "IEEE 802.3bq (clause 113, 25GBASE-T and 40GBASE-T), from memory"
SX = "IEEE 802.3 clause 38 (1000BASE-SX; 1000BASE-LX for the longest), from memory"
SR = "IEEE 802.3 clause 52 (10GBASE-SR), from memory"
LRM = "IEEE 802.3 clause 68 (10GBASE-LRM), from memory"
FASTER = "IEEE 802.3 clauses 112 (25GBASE-SR), 86 (40GBASE-SR4), 95 (100GBASE-SR4), from memory"
LX = "IEEE 802.3 clauses 58, 59, 52, 114, 87, 88 (100BASE-LX10, 1000BASE-LX10, LR, LR4), from memory"
FX = "IEEE 802.3 clauses 18 and 26 (10BASE-FL, 100BASE-FX), from memory"
BESIDE = ": from {sure:g} m on it depends on what lies beside it (alien crosstalk)"
LRM_ONLY = ", and beyond {sure:g} m only with 10GBASE-LRM at both ends"
LX_ONLY = ", and beyond {sure:g} m only with 1000BASE-LX and mode-conditioning leads at both ends"

REACH = (
    Reach("Cat 5", (10, 100, 1000), COPPER_M, COPPER_FIXED_M, PATCHED),
    Reach("Cat 5e", (2500,), COPPER_M, COPPER_FIXED_M, PATCHED),
    Reach("Cat 5e", (5000,), COPPER_M, _sure("Cat 5e", 5000, 0, BZ), ", and Cat 5e carries 5 Gb/s in good "
                                                                     "conditions only"),
    Reach("Cat 6", (5000,), COPPER_M, COPPER_FIXED_M, PATCHED),
    Reach("Cat 6", (10_000,), _m("Cat 6", 10_000, 55, AN), _sure("Cat 6", 10_000, 37, TSB), BESIDE),
    Reach("Cat 6A", (10_000,), COPPER_M, COPPER_FIXED_M, PATCHED),
    Reach("Cat 8", (25_000, 40_000), Limit("Cat 8 at 25000 and 40000", 30, "m", BQ)),
    Reach("OM1", (10, 100), Limit("OM1 at 10 and 100", 2000, "m", FX)),
    Reach("OM1", (1000,), _m("OM1", 1000, 550, SX), _sure("OM1", 1000, 275, SX), LX_ONLY),
    Reach("OM2", (1000,), FIBRE_M),
    Reach("OM1", (10_000,), _m("OM1", 10_000, 220, LRM), _sure("OM1", 10_000, 33, SR), LRM_ONLY),
    Reach("OM2", (10_000,), _m("OM2", 10_000, 220, LRM), _sure("OM2", 10_000, 82, SR), LRM_ONLY),
    Reach("OM3", (10_000,), _m("OM3", 10_000, 300, SR)),
    Reach("OM4", (10_000,), _m("OM4", 10_000, 400, SR)),
    Reach("OM3", (25_000,), _m("OM3", 25_000, 70, FASTER)),
    Reach("OM4", (25_000,), _m("OM4", 25_000, 100, FASTER)),
    Reach("OM3", (40_000,), _m("OM3", 40_000, 100, FASTER)),
    Reach("OM4", (40_000,), _m("OM4", 40_000, 150, FASTER)),
    Reach("OM3", (100_000,), _m("OM3", 100_000, 70, FASTER)),
    Reach("OM4", (100_000,), _m("OM4", 100_000, 100, FASTER)),
    Reach("single-mode", (100, 1000, 10_000, 25_000, 40_000, 100_000), Limit("single-mode", 10_000, "m", LX)),
)  # fmt: skip

CHECK = Check(
    name="cable-length",
    subject="plan",
    order=400,
    asks=Plan,
    when=When.PLANNING,
    question="Is every cable short enough?",
    looks_at="The length of each cable on the rig sheet, its speed, and which copper or fibre it is "
    "(medium).",
    why="A copper run that is too long works in the shop and loses frames on a hot day, or comes up at 100 "
    "Mb/s.",
    limits=tuple(
        {
            limit.name: limit for reach in REACH for limit in (reach.most, reach.sure) if limit is not None
        }.values()
    ),
    fixes=(
        "Run fibre instead, with a converter or a fibre port at both ends.",
        "Or put a switch in the middle, with a power supply that cannot be kicked out.",
        "Longer than multimode fibre reaches? Use single-mode fibre, and check what your ports reach.",
        "Or use a better kind of cable, or a lower speed, where that is enough for the streams.",
    ),
    cautions=(CABLE_ROUTE, FIBRE),
    unproven="Write length_m for each cable on the rig sheet.",
)
COPPER_FIXES, FIBRE_FIXES = (*CHECK.fixes[:2], CHECK.fixes[3]), CHECK.fixes[2:]
PRINTED = 'Read what is printed on the cable, and write it on the sheet: medium = "{}", or what it is.'


def judge(plan: Plan, limits: Limits) -> Says:
    known = [cable for cable in cables(plan.sheet) if cable.length_m is not None]
    unknown = sum(cable.length_m is None for cable in cables(plan.sheet))
    saw = [one for cable in known if (one := said_of(cable, limits)) is not None]
    yield from saw
    counts = [one.outcome for one in saw]
    yield Measured(
        {
            "too_long": counts.count(Outcome.FAIL),
            "doubtful": counts.count(Outcome.CAUTION),
            "unknown": unknown,
        }
    )
    if known:
        left_out = f" {unknown} of unknown length are left out." if unknown else ""
        longest = max(cable.length_m or 0 for cable in known)
        yield passed(f"The longest cable has {longest:g} m, and no cable is too long.{left_out}")
    else:
        yield unproven("The rig sheet tells the length of no cable.")


def said_of(cable: Cable, limits: Limits) -> Saw | None:
    """What is wrong with a cable of known length; None where it is short enough."""
    length, medium, mbps = cable.length_m or 0, cable.medium, cable.speed_mbps
    rate = f" at {mbps / 1000:g} Gb/s" if mbps > 1000 else ""
    told = f"{cable.a} to {cable.b}: {length:g} m of {medium}{rate}"
    kind = LEAST.get(medium, medium)
    copper = kind in SERIES[0]
    fixes = COPPER_FIXES if copper else FIBRE_FIXES
    most, sure, doubt = _reach(kind, mbps, limits)
    if length <= sure:
        return None
    if most:
        told += f", {most:g} m is the most"
    if medium in LEAST and not (length <= most and doubt == PATCHED):
        better = next((each for each in MAY_BE[medium] if length <= _reach(each, mbps, limits)[1]), None)
        if better is not None:
            asks = f" {better} or better is needed: the sheet says only {medium}."
            return trouble(Outcome.CAUTION, told + "." + asks, fixes=(PRINTED.format(better), *fixes))
    if length <= most:
        return trouble(Outcome.CAUTION, f"{told}{doubt.format(sure=sure)}.", fixes=fixes)
    if not copper and (medium in ("fibre", "single-mode") or not _is_standard(mbps)):
        # Ports of other standards, or of none, reach further.
        why = "" if most else ", for which IEEE 802.3 names no length"
        return trouble(Outcome.CAUTION, f"{told}{why}.", fixes=fixes)
    return trouble(Outcome.FAIL, f"{told}{'' if most else ', which it is not made for'}.", fixes=fixes)


def _is_standard(mbps: int) -> bool:
    """Whether any fibre is made for the speed."""
    return any(mbps in reach.mbps for reach in REACH if reach.kind not in SERIES[0])


def _reach(kind: str, mbps: int, limits: Limits) -> tuple[float, float, str]:
    """How far it goes at most, and surely, and what is in doubt between them; zeros where it does not go at
    all."""
    series = next(series for series in SERIES if kind in series)
    up_to = series[: series.index(kind) + 1]
    metres = dict(limits.items())
    return max(
        (
            (metres[reach.most.name], metres[(reach.sure or reach.most).name], reach.doubt)
            for reach in REACH
            if reach.kind in up_to and mbps in reach.mbps
        ),
        default=(0.0, 0.0, ""),
    )
