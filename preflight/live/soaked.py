"""From what a soak measured to findings: the checks of the line check that fit an item, and those that a soak
alone can ask.

Each run is judged for itself, since the wire is followed anew in each; a run's alarms, of seconds in which a
check failed, weigh as its findings do. The runs' findings are then joined: the gravest counts. What adds up
over all runs (error counts, link changes, temperature, time) is judged once, on the sums. The bench
computer's own settings are not the item's, and are left out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from preflight.checks import all_checks, check_named, judge_all
from preflight.checks.asks import Wire
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.say import when
from preflight.checks.see.periodic import missing_frames
from preflight.checks.see.streams import lost_packets
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.host.facts import Counters, HostFacts
from preflight.soak.facts import NS, Figures, Noted, SoakFacts

MOST_ALARMS = 20  # named in one finding


def fitting(*kinds: str) -> frozenset[str]:
    """The checks that a soak judges: of each "run", of the "sums" over all runs, or both."""
    return frozenset(check.name for check, _ in all_checks() if check.soak in (kinds or ("run", "sums")))


@dataclass(frozen=True)
class JudgedRun:
    """`findings` of one run, whose times count from `begun_ns`."""

    begun_ns: int
    watched_ns: int
    findings: tuple[Finding, ...]


def judge_run(facts: Facts, alarms: Iterable[Noted], begun_ns: int) -> tuple[Finding, ...]:
    """What the checks say of one run, and of the worst moments in it."""
    by_check: dict[str, list[Noted]] = {}
    for alarm in alarms:
        by_check.setdefault(alarm.check, []).append(alarm)
    found = judge_all(facts, fitting("run"))
    return tuple(_raised(finding, by_check.get(finding.check, []), begun_ns) for finding in found)


def _raised(finding: Finding, alarms: list[Noted], begun_ns: int) -> Finding:
    """An hour dilutes what a second shows: where an alarm was graver than the whole, it counts."""
    graver = [alarm for alarm in alarms if Outcome(alarm.outcome).gravity < finding.outcome.gravity]
    if not graver:
        return finding
    known = check_named(finding.check)
    worst = min(graver, key=lambda alarm: Outcome(alarm.outcome).gravity)
    times = [(alarm.at_ns - begun_ns) / NS for alarm in graver]
    told = [Evidence(alarm.text, time_s=at) for alarm, at in zip(graver, times, strict=True)]
    return replace(
        finding,
        outcome=Outcome(worst.outcome),
        headline=worst.text,
        undated=worst.text,
        evidence=(*told[:MOST_ALARMS], *finding.evidence),
        fixes=known.steps if known else (),
        cautions=known.cautions if known else (),
        spans=finding.spans or tuple((at, at) for at in times),
    )


def judge_soak(soak: SoakFacts, host: HostFacts | None, runs: Sequence[JudgedRun]) -> tuple[Finding, ...]:
    """What is to be said of the whole soak. `host` is the computer at the last look."""
    found = judge_all(_on_the_sums(soak, host), fitting("sums"))
    joined = {name: _joined(name, soak, runs) for name in sorted(fitting("run"))}
    return (*found, *(finding for finding in joined.values() if finding is not None))


def _on_the_sums(soak: SoakFacts, host: HostFacts | None) -> Facts:
    """The computer as if its counts had stood at zero, and then rose by what was watched."""
    if host is None:
        return Facts(adapter=soak.adapter, soak=soak)

    def counting(counters: Counters) -> HostFacts:
        return replace(
            host,
            adapters=tuple(
                replace(each, counters=counters) if each.name == soak.adapter else each
                for each in host.adapters
            ),
        )

    rises = replace(soak.figures.rises, carrier_changes=None)  # link-steady judges those
    zero = Counters(**{name: 0 for name, count in vars(rises).items() if count is not None})
    return Facts(host=counting(zero), host_after=counting(rises), adapter=soak.adapter, soak=soak)


def run_facts(heard: Facts, adapter: str, host: HostFacts) -> Facts:
    """The facts of one run: what was heard, and the computer at the last look, whose counts are judged on the
    sums."""
    quiet = replace(
        host,
        adapters=tuple(
            replace(each, counters=replace(each.counters, carrier_changes=None)) for each in host.adapters
        ),
    )
    return replace(heard, host=quiet, host_after=quiet, adapter=adapter)


def _joined(name: str, soak: SoakFacts, runs: Sequence[JudgedRun]) -> Finding | None:
    """One check over all runs."""
    told = [
        (run, _placed(finding, run, soak))
        for run in runs
        for finding in run.findings
        if finding.check == name
    ]
    if not told:
        return None
    trouble = [finding for _, finding in told if finding.outcome.troubles]
    if not trouble:
        # Of passes and doubts, what most of the time says.
        time = {
            outcome: sum(run.watched_ns for run, finding in told if finding.outcome == outcome)
            for outcome in (Outcome.UNPROVEN, Outcome.PASS)
        }
        chosen = max(time, key=lambda outcome: time[outcome])
        return [finding for _, finding in told if finding.outcome == chosen][-1]
    worst = min(trouble, key=lambda finding: finding.outcome.gravity)
    return replace(
        worst,
        evidence=tuple(seen for finding in trouble for seen in finding.evidence),
        spans=tuple(sorted(span for finding in trouble for span in finding.spans)),
        culprits=tuple(dict.fromkeys(culprit for finding in trouble for culprit in finding.culprits)),
    )


def _placed(finding: Finding, run: JudgedRun, soak: SoakFacts) -> Finding:
    """With times that count from the beginning of the soak, as the clock showed them. Its frames are numbered
    in no file."""
    later = (run.begun_ns - soak.begun_ns) / NS

    def placed(seen: Evidence) -> Evidence:
        if seen.time_s is None:
            return replace(seen, frame=None)
        at = when(run.begun_ns + int(seen.time_s * NS))
        return Evidence(f"{at}: {seen.text}", time_s=seen.time_s + later)

    return replace(
        finding,
        evidence=tuple(placed(seen) for seen in finding.evidence),
        spans=tuple((start + later, end + later) for start, end in finding.spans),
    )


def soak_facts(soak: SoakFacts, heard: Facts) -> Facts:
    """The facts of the whole soak: what is known of it over all runs, beside what of `heard` is to be
    drawn."""
    figures = soak.figures
    source = SourceFacts(
        kind="live",
        name=soak.label,
        frames=figures.frames,
        captured_bytes=figures.bytes,
        first_ns=soak.begun_ns,
        duration_s=figures.watched_ns / NS,
        link_types=("Ethernet",),
        dropped=figures.dropped,
        partial=soak.state != "done",
    )
    return replace(heard, source=source, adapter=soak.adapter, wire_refused=soak.refused, soak=soak)


def heard_figures(facts: Facts) -> tuple[int, int]:
    """Packets of streams that were lost, and frames of beats that were missing, as the checks count them."""
    wire = Wire.of(facts)
    return (lost_packets(wire), missing_frames(wire)) if isinstance(wire, Wire) else (0, 0)


def hours(samples: Iterable[tuple[int, Figures]]) -> tuple[tuple[int, Figures], ...]:
    """The figures of each hour of the clock, by its beginning."""
    summed: dict[int, Figures] = {}
    for at_ns, figures in samples:
        hour = at_ns - at_ns % (3600 * NS)
        summed[hour] = summed.get(hour, Figures()) + figures
    return tuple(sorted(summed.items()))
