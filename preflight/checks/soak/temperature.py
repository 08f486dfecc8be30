"""Hardware that runs hot fails early, and hotter still inside a case in the sun.

The sensor's own limit counts where its maker set one. Few adapters have a sensor; where none is told a soak
says so, and a line check says nothing. After a soak the highest of all readings is judged.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import HOT, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.step import When

CHECK = Check(
    name="temperature",
    subject="soak",
    order=510,
    asks=View,
    when=When.PLANNING,
    soak="sums",
    question="Does the audio adapter stay cool enough?",
    looks_at=(
        "The sensors in the adapter, where it has any and the system tells of them, against the limit that "
        "their maker set. The computer's hottest sensor stands beside it as evidence, and is not judged."
    ),
    why="Heat makes links drop and frames break, at first now and then. A rack in the sun gets hotter than "
    "the shop.",
    limits=(
        Limit("caution_c", 85, "degrees Celsius, where the maker sets no limit", "common practice"),
        Limit("fail_c", 105, "degrees Celsius, where the maker sets no limit", "common practice"),
        Limit("near_c", 5, "degrees Celsius below the maker's limit, cautions", "common practice"),
    ),
    sources=("Linux, Documentation/hwmon/sysfs-interface.rst: temp*_input, temp*_max, temp*_crit",),
    fixes=(
        "Give it air: clear the vents, move it away from power supplies and out of the sun, leave a gap in "
        "the rack.",
        "See that the fans run and that their filters are clean.",
        "Soak it again. Still hot? Take it out of service.",
    ),
    cautions=(HOT, MUTE_FIRST),
    unproven="Feel the case after an hour, with the back of the hand and without pressing: it may be warm, "
    "not hot.",
)


def judge(view: View, limits: Limits) -> Says:
    soak = view.soak
    adapter = view.host.adapter(view.adapter) if view.host is not None else None
    hottest = soak.figures.adapter_c if soak else adapter.temperature_c if adapter else None
    computer = soak.figures.computer_c if soak else None
    beside = (Evidence(f"the computer's hottest sensor: {computer:.0f} degrees Celsius"),) if computer else ()
    yield Measured({"adapter_c": hottest, "computer_c": computer}, beside)
    name = soak.adapter if soak else view.adapter or ""
    if hottest is None:
        if soak:
            yield unproven(f"The system tells no temperature of {name}.")
        return
    own = adapter.hot_c if adapter else None
    most = own if own is not None else limits["fail_c"]
    near = own - limits["near_c"] if own is not None else limits["caution_c"]
    whose = f"its maker's limit is {own:g}" if own is not None else "its maker sets no limit"
    headline = f"{name} {'was' if soak else 'is'} at {hottest:.0f} degrees Celsius{' at most' if soak else ''}; {whose}."
    if hottest < near:
        yield passed(headline)
    else:
        outcome = Outcome.FAIL if hottest >= most else Outcome.CAUTION
        yield trouble(outcome, headline, culprits=filter(None, [name]))
