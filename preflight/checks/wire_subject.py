"""What every check of the wire says when there was no wire to judge, or too little of it."""

from preflight.checks.finding import Finding, Outcome
from preflight.checks.rule import Check
from preflight.facts import Facts


def unheard(check: Check, facts: Facts) -> Finding | None:
    """The unproven finding where the wire was asked for and nothing was heard; None otherwise."""
    if facts.wire_refused:
        return _unproven(check, f"Not heard: {facts.wire_refused}")
    if facts.source is not None and facts.source.frames == 0:
        return _unproven(check, "Not heard: no frame came by.")
    return None


def enough(check: Check, facts: Facts, seconds: float) -> Finding | None:
    """The unproven finding where the capture is shorter than `seconds`, None when it is long enough."""
    if facts.source is not None and round(facts.source.duration_s, 1) >= seconds:
        return None
    heard = facts.source.duration_s if facts.source is not None else 0.0
    return _unproven(check, f"Heard for {heard:.1f} s only; this needs at least {seconds:g} s.")


def _unproven(check: Check, headline: str) -> Finding:
    return Finding(check.name, Outcome.UNPROVEN, headline, fixes=(check.unproven,) if check.unproven else ())
