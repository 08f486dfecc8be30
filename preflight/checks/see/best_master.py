"""Who should lead a PTP domain: the data set comparison of IEEE 1588-2008 9.3.4, as someone who only listens can make it.

Figure 27: two announcements of different grandmasters are compared field by field, the lower value wins. Figure 28: two
ways to the same grandmaster are compared by steps removed, then by the sender's port identity. The standard also asks
which own port heard them; that only tells "better" from "better by topology", never who is first.
"""

from collections.abc import Iterable
from functools import reduce

from preflight.tally.facts import ClockPort

GRANDMASTER = (  # figure 27, in its order
    ("priority1", "priority1"),
    ("clock_class", "clock class"),
    ("accuracy", "accuracy"),
    ("variance", "variance"),
    ("priority2", "priority2"),
    ("grandmaster", "identity"),
)
PATH = (("steps_removed", "steps removed"), ("clock", "sender"), ("port", "port"))  # figure 28


def decisive(a: ClockPort, b: ClockPort) -> str | None:
    """The field that decides between two announcements, None where all are the same."""
    fields = PATH if a.grandmaster == b.grandmaster else GRANDMASTER
    return next((field for field, _ in fields if getattr(a, field) != getattr(b, field)), None)


def better(a: ClockPort, b: ClockPort) -> ClockPort:
    """The one that wins; `a` where they are the same."""
    field = decisive(a, b)
    return b if field is not None and getattr(b, field) < getattr(a, field) else a


def best(announcing: Iterable[ClockPort]) -> ClockPort:
    """The one that wins against all others. Raises TypeError where there is none."""
    return reduce(better, announcing)


def reason(winner: ClockPort, loser: ClockPort) -> str:
    """Why it wins, in the standard's words: "priority1 90 against 100"."""
    field = decisive(winner, loser)
    if field is None:
        return "the same in all"
    name = dict((*GRANDMASTER, *PATH))[field]
    return f"{name} {getattr(winner, field)} against {getattr(loser, field)}"
