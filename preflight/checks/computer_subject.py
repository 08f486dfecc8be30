"""What every check of the audio adapter says when there is no adapter to judge, or the system did not
tell."""

from preflight.checks.finding import Finding, Outcome
from preflight.checks.rule import Check
from preflight.facts import Facts
from preflight.host.facts import Adapter, HostFacts

LINK_FIRST = ("Mend the link first (see link-up), then run the line check again.",)


def audio_adapter(check: Check, facts: Facts, host: HostFacts) -> Adapter | Finding:
    """The audio adapter, or the unproven finding where it is not known which one that is."""
    if facts.adapter is None:
        return untold(check, "It is not known which adapter is on the audio LAN.")
    adapter = host.adapter(facts.adapter)
    return adapter or untold(check, f"This computer no longer lists an adapter {facts.adapter}.")


def no_link(check: Check, adapter: Adapter) -> Finding | None:
    """The unproven finding for what only a link can show, where there is none."""
    if adapter.enabled is False:
        said = f"{adapter.name} is turned off: there is no link to judge."
    elif adapter.carrier is False:
        said = f"The link of {adapter.name} is down: there is nothing to judge."
    else:
        return None
    return Finding(check.name, Outcome.UNPROVEN, said, fixes=LINK_FIRST)


def untold(check: Check, headline: str) -> Finding:
    return Finding(check.name, Outcome.UNPROVEN, headline, fixes=(check.unproven,) if check.unproven else ())
