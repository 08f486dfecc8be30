"""Who should lead a PTP domain: the data set comparison of IEEE 1588-2008 9.3.4, as someone who only listens
can make it.

Figure 27: announcements of different grandmasters are compared field by field, the lower value wins. Figure
28, two ways to the same grandmaster, tells who passes a clock on, never who leads.
"""

from collections.abc import Iterable

from preflight.tally.facts import ClockPort

GRANDMASTER = {  # figure 27, in its order
    "priority1": "priority1",
    "clock_class": "clock class",
    "accuracy": "accuracy",
    "variance": "variance",
    "priority2": "priority2",
    "grandmaster": "identity",
}


def best(announcing: Iterable[ClockPort]) -> ClockPort:
    """The one that wins against all others. Raises ValueError where there is none."""
    return min(announcing, key=lambda port: [getattr(port, field) for field in GRANDMASTER])


def grandmaster(port: ClockPort) -> str:
    """The clock that it leads with; its own where the capture cut the announcement, and in version 1."""
    return port.grandmaster if port.grandmaster.strip("0") else port.clock


def hardware_of(identity: str) -> str:
    """The hardware address that a clock's identity was made of (IEEE 1588-2008 7.5.2.2.2), "" where it was
    not."""
    if len(identity) != 16 or identity[6:10] != "fffe":
        return ""
    made = identity[:6] + identity[10:]
    return ":".join(made[at : at + 2] for at in range(0, 12, 2))


def leader(masters: Iterable[ClockPort]) -> ClockPort:
    """Who announced last of the masters of a domain; among ways to one clock the nearest. Raises ValueError
    where there is none."""
    masters = tuple(masters)
    last = max(masters, key=lambda port: port.last_s)
    ways = (port for port in masters if grandmaster(port) == grandmaster(last))
    return min(ways, key=lambda port: (port.steps_removed, port.first_s))


def reason(winner: ClockPort, loser: ClockPort) -> str:
    """Why it wins, in the standard's words: "priority1 90 against 100"."""
    for field, name in GRANDMASTER.items():
        one, other = getattr(winner, field), getattr(loser, field)
        if one != other:
            return f"{name} {one} against {other}"
    return "the same in all"
