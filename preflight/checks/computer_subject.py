"""What every check of the computer needs first: the audio adapter, or what to say without one."""

from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts
from preflight.host.facts import Adapter


def audio_adapter(facts: Facts) -> Adapter | None:
    return facts.host.adapter(facts.adapter) if facts.host is not None else None


def not_told(check: Check, what: str) -> Finding:
    return Finding(check.name, Outcome.UNPROVEN, what, fixes=(check.unproven,) if check.unproven else ())
