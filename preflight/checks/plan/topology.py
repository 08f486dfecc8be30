"""How the rig hangs together: rings without spanning tree, what is lost with what, hops, free ports."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import listed
from preflight.facts import Facts
from preflight.rig.budget import Failure

CHECK = Check(
    name="topology",
    subject="plan",
    order=450,
    asks=View,
    question="Does the plan hold when one thing fails, and does it have no loop?",
    looks_at=(
        "The cables of the rig sheet as a graph: rings, and whether all switches in them run a spanning tree. What is lost when a "
        "cable between switches, a switch or an engine fails. How many switches lie between sender and receiver."
    ),
    why="A ring without spanning tree is a storm. And it is better to know before the show what one kicked cable costs.",
    limits=(Limit("hops", 7, "switches in a row", "IEEE 802.1D-1998: bridge diameter of 7, from memory"),),
    sources=("IEEE 802.1D, 802.1w: spanning tree",),
    fixes=(
        "Take one cable out of a ring, or turn the spanning tree on, on every switch in it (spanning_tree = true on the sheet).",
        "A second cable between the switches, with spanning tree on, keeps the show alive when the first fails. Lay it by another "
        "way.",
        'Give each engine a spare (kind = "spare" on the sheet), on another switch than the engine.',
        "A switch takes all that is plugged into it along. Plug each spare into another switch than what it stands in for, and keep a "
        "switch that is set up at hand.",
    ),
    cautions=(CABLE_ROUTE,),
)
SHOWN = 8
FEW, MANY = 3, 40  # names in a headline and in what stands below it; more are counted


def judge(facts: Facts) -> Finding | None:
    if facts.budget is None or facts.sheet is None:
        return None
    budget, limits = facts.budget, CHECK.values()
    loops = [names for names, guarded in budget.rings if not guarded]
    lossy = [failure for failure in budget.failures if fatal(failure)]
    longest = max((len(path.hops) - 2 for path in budget.paths), default=0)
    unplugged = budget.unplugged
    measured = {
        "rings": len(budget.rings),
        "rings_without_spanning_tree": len(loops),
        "single_points_of_failure": [failure.what for failure in lossy],
        "switches_in_a_row": longest,
        "unplugged": list(unplugged),
        "free_ports": dict(budget.free_ports),
    }
    evidence = [Evidence(f"A ring without spanning tree: {', '.join(ring)}") for ring in loops[:SHOWN]]
    if longest > limits["hops"]:
        evidence.append(Evidence(f"{longest} switches in a row, {limits['hops']:g} is the most"))
    evidence += [Evidence(told(failure, MANY)) for failure in lossy[:SHOWN]]
    if unplugged:
        evidence.append(Evidence(f"Not plugged in on the sheet: {', '.join(unplugged[:SHOWN])}"))
    if loops:
        headline = (
            f"A ring without spanning tree: {', '.join(loops[0])}. It makes a storm the moment it is closed."
        )
        outcome = Outcome.FAIL
    elif lossy:
        headline = f"{told(lossy[0])}." + (f" {len(lossy) - 1} more like it." if lossy[1:] else "")
        outcome = Outcome.CAUTION
    elif longest > limits["hops"]:
        headline, outcome = (
            f"{longest} switches in a row are more than a spanning tree is made for.",
            Outcome.CAUTION,
        )
    elif unplugged:
        headline, outcome = (
            f"The sheet does not tell where {', '.join(unplugged[:4])} is plugged in.",
            Outcome.UNPROVEN,
        )
    else:
        headline, outcome = "No loop, and nothing whose failure alone loses a stream.", Outcome.PASS
    return Finding(
        CHECK.name,
        outcome,
        headline,
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=_fixes(outcome, bool(loops), {failure.kind for failure in lossy}),
        cautions=CHECK.cautions if outcome in (Outcome.FAIL, Outcome.CAUTION) else (),
    )


def _fixes(outcome: Outcome, loops: bool, lossy: set[str]) -> tuple[str, ...]:
    if outcome == Outcome.UNPROVEN:
        return ("Write each device's port on the rig sheet.",)
    asked = (loops, "cable" in lossy, "engine" in lossy, "switch" in lossy)
    return tuple(fix for fix, wanted in zip(CHECK.fixes, asked, strict=True) if wanted)


def fatal(failure: Failure) -> bool:
    """Whether something is lost beside the thing that fails."""
    return bool(failure.lost_streams or _left(failure) or _unspared(failure))


def _unspared(failure: Failure) -> bool:
    return failure.kind == "engine" and failure.takes_over is None


def _left(failure: Failure) -> tuple[str, ...]:
    """What is lost beside the thing itself."""
    return tuple(name for name in failure.lost_devices if name != failure.what)


def told(failure: Failure, few: int = FEW) -> str:
    """What a failure costs, in a sentence. More names than `few` are counted."""
    parts = []
    if lost := _left(failure):
        parts.append(f"the way to {_named(lost, few, 'devices')}")
    if names := tuple(dict.fromkeys(f"“{name}”" for name, _ in failure.lost_streams)):
        parts.append(f"{'the streams ' if len(names) <= few else ''}{_named(names, few, 'streams')}")
    over = f" {failure.takes_over} takes over" if failure.takes_over else ""
    if not parts and _unspared(failure):
        return f"If {failure.what} fails nothing takes over: it has no spare"
    if not parts:
        return f"If {failure.what} fails you lose nothing{':' if over else ''}{over}"
    return f"If {failure.what} fails you lose: {'; '.join(parts)}{f'.{over} the rest' if over else ''}"


def _named(names: tuple[str, ...], few: int, what: str) -> str:
    return listed(names) if len(names) <= few else f"{len(names)} {what}"
