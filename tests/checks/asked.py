"""One check, asked as every command asks it."""

from collections.abc import Callable

from preflight.checks import all_checks
from preflight.checks.assemble import find
from preflight.checks.finding import Finding
from preflight.facts import Facts


def asked(name: str) -> Callable[[Facts], Finding | None]:
    """What the check called `name` says of facts. It raises what the check raises."""
    check, judge = next(pair for pair in all_checks() if pair[0].name == name)
    return lambda facts: find(check, judge, facts)
