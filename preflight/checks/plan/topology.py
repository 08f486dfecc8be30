"""How the rig hangs together: rings without spanning tree, what is lost with what, hops, free ports."""

from collections.abc import Iterable

from preflight.checks.asks import Plan
from preflight.checks.cautions import CABLE_ROUTE
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted, listed
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.checks.step import Step, When, managed
from preflight.rig.budget import Failure
from preflight.rig.sheet import Sheet

CHECK = Check(
    name="topology",
    subject="plan",
    order=450,
    asks=Plan,
    when=When.PLANNING,
    question="Does the plan hold when one thing fails, and does it have no loop?",
    looks_at=(
        "The cables of the rig sheet as a graph: rings, and whether all switches in them run a spanning "
        "tree. What is lost when a cable between switches, a switch or an engine fails. How many switches "
        "lie between sender and receiver."
    ),
    why="A ring without spanning tree is a storm. And it is better to know before the show what one kicked "
    "cable costs.",
    limits=(Limit("hops", 7, "switches in a row", "IEEE 802.1D-1998: bridge diameter of 7, from memory"),),
    sources=("IEEE 802.1D, 802.1w: spanning tree",),
    fixes=(
        "Take one cable out of a ring.",
        managed(
            Step(
                "Or turn the spanning tree on, on every switch in it, and write spanning_tree = true on "
                "the sheet.",
                When.PLANNING,
            )
        ),
        "Lay a spare cable by another way, and leave it unplugged at one end: plugged in beside the first "
        "it is a loop, and a storm. Plug it in only when the first is out.",
        'Give each engine a spare (kind = "spare" on the sheet), on another switch than the engine.',
        "A switch takes all that is plugged into it along. Plug each spare into another switch than what "
        "it stands in for, and keep a switch that is set up at hand.",
        "Plug the switches into one in the middle, in place of one behind the other.",
    ),
    cautions=(CABLE_ROUTE,),
    unproven="Write each device's port on the rig sheet.",
)
RING, SPARE_CABLE = CHECK.fixes[:2], CHECK.fixes[2]
FIXES = dict(zip(("engine", "switch", "row"), CHECK.fixes[3:], strict=True))
GUARDED = (
    "A second cable between the switches keeps the show alive when the first fails, for spanning tree runs "
    "on both. Lay it by another way."
)
FEW, MANY = 3, 40  # names in a headline and in what stands below it; more are counted


def judge(plan: Plan, limits: Limits) -> Says:
    budget = plan.budget
    loops = [names for names, guarded in budget.rings if not guarded]
    lossy = [failure for failure in budget.failures if fatal(failure)]
    longest = max((len(path.hops) - 2 for path in budget.paths), default=0)
    yield Measured(
        {
            "rings": len(budget.rings),
            "rings_without_spanning_tree": len(loops),
            "single_points_of_failure": [failure.what for failure in lossy],
            "switches_in_a_row": longest,
            "unplugged": list(budget.unplugged),
            "free_ports": dict(budget.free_ports),
        }
    )
    for ring in loops:
        yield fail(
            f"A ring without spanning tree: {', '.join(ring)}. It makes a storm the moment it is closed.",
            fixes=RING,
        )
    if lossy:
        more = f" {len(lossy) - 1} more like it." if lossy[1:] else ""
        kinds = {failure.kind for failure in lossy}
        yield caution(
            f"{cost(lossy[0])}.{more}",
            [Evidence(cost(failure, MANY)) for failure in lossy],
            fixes=[
                *([_second_cable(plan.sheet, lossy)] if "cable" in kinds else []),
                *(fix for kind, fix in FIXES.items() if kind in kinds),
            ],
        )
    if longest > limits["hops"]:
        yield caution(
            f"{longest} switches in a row are more than a spanning tree is made for: {limits['hops']:g} is "
            "the most.",
            fixes=[FIXES["row"]],
        )
    if budget.unplugged:
        yield unproven(f"The sheet does not tell where {listed(budget.unplugged)} is plugged in.")
    yield passed("No loop, and nothing whose failure alone loses a stream.")


def _second_cable(sheet: Sheet, lossy: Iterable[Failure]) -> str:
    """A second cable is a loop unless the sheet says that spanning tree runs on both switches."""
    guarded = {switch.name for switch in sheet.switch if switch.spanning_tree}
    failing = {failure.what for failure in lossy}
    ends = {
        sheet.place(end)[0] for cable in sheet.cable if cable.called in failing for end in (cable.a, cable.b)
    }
    return GUARDED if ends and ends <= guarded else SPARE_CABLE


def fatal(failure: Failure) -> bool:
    """Whether something is lost beside the thing that fails."""
    return bool(failure.lost_streams or _left(failure) or _unspared(failure))


def _unspared(failure: Failure) -> bool:
    return failure.kind == "engine" and failure.takes_over is None


def _left(failure: Failure) -> tuple[str, ...]:
    """What is lost beside the thing itself."""
    return tuple(name for name in failure.lost_devices if name != failure.what)


def cost(failure: Failure, few: int = FEW) -> str:
    """What a failure costs, in a sentence. More names than `few` are counted."""
    parts = []
    if lost := _left(failure):
        parts.append(f"the way to {_named(lost, few, 'device')}")
    if names := tuple(dict.fromkeys(f"“{name}”" for name, _ in failure.lost_streams)):
        parts.append(f"{'the streams ' if len(names) <= few else ''}{_named(names, few, 'stream')}")
    over = f" {failure.takes_over} takes over" if failure.takes_over else ""
    if not parts and _unspared(failure):
        return f"If {failure.what} fails nothing takes over: it has no spare"
    if not parts:
        return f"If {failure.what} fails you lose nothing{':' if over else ''}{over}"
    return f"If {failure.what} fails you lose: {'; '.join(parts)}{f'.{over} the rest' if over else ''}"


def _named(names: tuple[str, ...], few: int, what: str) -> str:
    return listed(names) if len(names) <= few else counted(len(names), what)
