"""Where on the rig a failing check points: for the picture, by the names of devices and switches, and of
cables as they are called.

The checks of a plan say in words what fails; here the same limits find the places again.
"""

from collections.abc import Iterator, Mapping

from preflight.checks.finding import Finding, Outcome
from preflight.checks.plan.cable_length import said_of
from preflight.rig.budget import Budget, cables
from preflight.rig.sheet import Sheet
from preflight.verdict import Verdict


def faults(sheet: Sheet, budget: Budget, verdict: Verdict) -> dict[str, str]:
    """The name of the first check that fails for each."""
    found: dict[str, str] = {}
    for ranked in verdict.findings:
        if ranked.finding.outcome == Outcome.FAIL and (places := PLACES.get(ranked.finding.check)):
            for name in places(sheet, budget, ranked.finding):
                found.setdefault(name, ranked.finding.check)
    return found


def _load(sheet: Sheet, budget: Budget, finding: Finding) -> Iterator[str]:
    full = _names(finding.measured, "too_full")
    switches = {switch.name for switch in sheet.switch}
    for way in budget.ways:
        if way.name in full:
            yield from (cable.called for cable in way.members)
            yield from {way.sender, way.receiver} - switches
    senders = {stream.name: stream.sender for stream in sheet.stream}
    for name, receiver in budget.cut_off:
        yield from (receiver, senders[name])


def _length(sheet: Sheet, _budget: Budget, finding: Finding) -> Iterator[str]:
    for cable in cables(sheet):
        saw = said_of(cable, finding.limits) if cable.length_m is not None else None
        if saw is not None and saw.outcome == Outcome.FAIL:
            yield cable.called
            yield from (end for end in (cable.a, cable.b) if sheet.named(end))


def _power(_sheet: Sheet, budget: Budget, finding: Finding) -> Iterator[str]:
    watts = finding.measured.get("watts")
    for power in budget.power:
        yield from power.too_high
        needed = watts.get(power.switch, 0) if isinstance(watts, Mapping) else 0
        if power.budget_w is not None and needed > power.budget_w:
            yield power.switch
    yield from (switch for switch, free in budget.free_ports.items() if free < 0)


def _rings(_sheet: Sheet, budget: Budget, _finding: Finding) -> Iterator[str]:
    yield from (name for names, guarded in budget.rings if not guarded for name in names)


def _delay(sheet: Sheet, budget: Budget, finding: Finding) -> Iterator[str]:
    most = finding.limits.get("share", 1.0) * sheet.network.delay_ms * 1000
    yield from (path.receiver for path in budget.paths if path.sure_worst_us > most)


def _missing(_sheet: Sheet, _budget: Budget, finding: Finding) -> Iterator[str]:
    yield from _names(finding.measured, "missing")


PLACES = {
    "trunk-budget": _load,
    "cable-length": _length,
    "power-budget": _power,
    "topology": _rings,
    "delay-budget": _delay,
    "missing": _missing,
}


def _names(measured: Mapping[str, object], key: str) -> list[str]:
    told = measured.get(key)
    return [str(each) for each in told] if isinstance(told, list | tuple) else []
