"""The whole result as text for a terminal: the verdict, what to fix first, what follows from it, who is here,
and the rest.

`screen` has the first screen of it. Colour only repeats what a word already says. What to take care of stands
before the first steps it belongs to, and is not said again.
"""

from collections.abc import Iterator

from rich.console import Console

from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.say import counted
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.report.daytime import Daytime
from preflight.report.inventory import Device, devices_of, in_words
from preflight.report.page import STYLES, Page
from preflight.report.result import name_of
from preflight.verdict import Ranked, Result, brief, word

SHOWN_EVIDENCE = 5
SHOWN_COMMENTS = 3  # of the capture file
SHOWN_UNPROVEN = 3  # more of them with all that would show them push the verdict off the screen

# What a sheet would add, where there is none.
NO_SHEET = (
    "Without a rig sheet (--sheet FILE) it is not known who is missing, who is a stranger, and whether "
    "addresses, clock, streams and spares are as planned. `preflight sheet learn` drafts one."
)


def show(result: Result, console: Console) -> None:
    page = Page(console)
    verdict, daytime = result.verdict, Daytime(result.facts)
    to_fix = [r for r in verdict.findings if r.fix_first is not None]
    follows = [r for r in verdict.findings if r.explained_by]
    unproven = _of(result, Outcome.UNPROVEN)
    passed = _of(result, Outcome.PASS)

    style = STYLES[verdict.verdict]
    page.line(
        name_of(result.facts),
        lead=f"{word(result)}: ",
        lead_style=style,
        style="bold",
    )
    if result.facts.soak is not None:
        from preflight.report.soak import summary

        page.line(summary(result.facts.soak))
    else:
        page.line(_seen(result.facts, daytime))
        for words in _file_says(result.facts.source):
            page.line(words)
    if result.facts.wire_refused:
        page.line(result.facts.wire_refused, lead="The network was not judged: ", lead_style="bold")
    if verdict.verdict == "unproven":
        page.line("Nothing could be judged, so this is neither a yes nor a no.")
    timed = result.facts.soak is None  # after hours seconds say nothing; the words have the clock's time
    cared: set[str] = set()
    for ranked in to_fix:
        page.gap()
        _trouble(page, ranked, daytime if timed else None, cared, result.facts.source)
        cared |= set(ranked.finding.cautions)
    if follows:
        page.gap()
        page.line("These follow from it. Look again when the cause is mended:", style="bold")
        for ranked in follows:
            _follows(page, ranked, daytime)
    if unproven:
        page.gap()
        page.line(f"Could not be shown either way ({len(unproven)}):", style="bold")
        for alike in _alike(unproven):
            _unproven(page, alike, with_fix=len(unproven) <= SHOWN_UNPROVEN)
        if len(unproven) > SHOWN_UNPROVEN:
            page.line("What would show one of them: preflight why NAME", indent=3)
    if passed:
        page.gap()
        page.line(f"In order ({len(passed)}):", style="bold")
        for finding in passed:
            page.line(
                f"{finding.check}: {daytime.beside(finding.headline)}",
                lead="PASS ",
                lead_style=STYLES[Outcome.PASS],
                indent=3,
            )
    if result.apart:
        page.gap()
        page.line("Each adapter of the capture by itself:", style="bold")
        for each in result.apart:
            style = STYLES[each.result.verdict.verdict]
            page.line(brief(each.result), lead=f"{each.adapter.shown}: ", lead_style=style, indent=3)
    if devices := devices_of(result) if timed else []:
        page.gap()
        page.line(f"Devices ({sum(device.heard for device in devices)} heard):", style="bold")
        for device in devices:
            _device(page, device, daytime)
    if result.facts.soak is not None:
        from preflight.report.soak import show_measured

        show_measured(result.facts.soak, page)
    elif result.facts.sheet is None and result.facts.source is not None:
        page.gap()
        page.line(NO_SHEET)
    if to_fix:  # said once more: on a small screen the first line has gone by now
        page.gap()
        first = to_fix[0].finding.check
        page.line(
            f"First mend: {first}. More about it: preflight why {first}",
            lead=f"{word(result)}. ",
            lead_style=style,
        )


def _of(result: Result, outcome: Outcome) -> list[Finding]:
    return [r.finding for r in result.verdict.findings if r.finding.outcome == outcome]


def _seen(facts: Facts, daytime: Daytime) -> str:
    source = facts.source
    if source is None and facts.between is not None:
        from preflight.report.between import summary

        return summary(facts.between)
    if source is None:
        return "From the rig sheet alone." if facts.budget is not None else "This computer only."
    frames = f"{counted(source.frames, 'frame')} in {source.duration_s:.1f} s"
    told = [f"{'Heard' if source.kind == 'live' else 'Capture of'} {frames}", daytime.span()]
    told += ["" if facts.vantage == "unknown" else facts.vantage, source.parts]
    return f"{', '.join(filter(None, told))}{'; stopped by hand' if source.partial else ''}."


def _file_says(source: SourceFacts | None) -> list[str]:
    """What has to be known of the capture file's own words: what it leaves out, and what somebody wrote into
    it."""
    if source is None:
        return []
    filters = dict.fromkeys(each.filter for each in source.interfaces if each.filter)
    said = [
        f"Captured with a filter: {each}. Nothing else is in it." for each in list(filters)[:SHOWN_COMMENTS]
    ]
    comments = [
        said.text if said.frame is None else f"{source.frame_text(said.frame)}: {said.text}"
        for said in source.comments
    ]
    said += [f"The file says: {text}" for text in comments[:SHOWN_COMMENTS]]
    more = len(comments) - SHOWN_COMMENTS
    return [*said, f"It says more ({more}): --report and --json have it."] if more > 0 else said


def _trouble(
    page: Page, ranked: Ranked, daytime: Daytime | None, cared: set[str], source: SourceFacts | None
) -> None:
    """Without `daytime`, evidence stands without where and when. `cared` are the cautions that were said
    before."""
    finding = ranked.finding
    _headline(page, finding, f"{ranked.fix_first}. ", daytime)
    # What the headline has said in the same words is not said again.
    said = finding.headline.rstrip(".")
    told = [each for each in finding.evidence if each.frame is not None or each.text.rstrip(".") != said]
    seen = told[:SHOWN_EVIDENCE]
    for evidence in seen:
        page.line(_evidence(evidence, daytime, source) if daytime else evidence.text, lead="- ", indent=3)
    if len(told) > len(seen):
        page.line(f"and {len(told) - len(seen)} more (--json has all)", lead="- ", indent=3)
    for caution in finding.cautions:
        if caution not in cared:
            page.line(caution, lead="Take care: ", lead_style="bold yellow", indent=3)
    for number, fix in enumerate(finding.fixes, 1):
        page.line(fix.marked, lead=f"{number}) ", indent=5)


def _headline(page: Page, finding: Finding, number: str, daytime: Daytime | None) -> None:
    word = f"{number}{finding.outcome.value.upper()} "
    page.line(f"{finding.check}", lead=word, lead_style=STYLES[finding.outcome], style="bold")
    page.line(daytime.beside(finding.headline) if daytime else finding.headline, indent=3)


def _follows(page: Page, ranked: Ranked, daytime: Daytime) -> None:
    finding = ranked.finding
    page.line(
        f"{finding.check} (from {', '.join(ranked.explained_by)}): {daytime.beside(finding.headline)}",
        lead=f"{finding.outcome.value.upper()} ",
        lead_style=STYLES[finding.outcome],
        indent=3,
    )


def _alike(findings: list[Finding]) -> Iterator[list[Finding]]:
    """Those of one reason together: where nothing could be heard, twenty checks say so."""
    by_headline: dict[str, list[Finding]] = {}
    for finding in findings:
        by_headline.setdefault(finding.headline, []).append(finding)
    yield from by_headline.values()


def _unproven(page: Page, alike: list[Finding], with_fix: bool) -> None:
    page.line(
        f"{', '.join(finding.check for finding in alike)}: {alike[0].headline}",
        lead="UNPROVEN ",
        lead_style=STYLES[Outcome.UNPROVEN],
        indent=3,
    )
    for fix in dict.fromkeys(fix for finding in alike for fix in finding.fixes) if with_fix else ():
        page.line(fix.marked if fix.when.audible else fix, lead="To show it: ", indent=5)


def _device(page: Page, device: Device, daytime: Daytime) -> None:
    state = {"missing": "MISSING ", "stranger": "STRANGER ", "silent": "not heard "}.get(device.state, "")
    places = (device.hardware, device.maker, *device.addresses)
    page.line(
        f"{device.name} ({', '.join(filter(None, places))})" if any(places) else device.name,
        lead=state,
        lead_style=STYLES[Outcome.FAIL] if state.isupper() else "",
        indent=3,
    )
    names = [f"{told.name} by {told.by}" for told in device.told if told.name != device.name]
    told = [in_words(device), f"also called {', '.join(names)}" if names else ""]
    told += [f"plugged into {device.attached}" if device.attached else ""]
    told += [f"planned at {device.planned}" if device.planned else "", _when(device, daytime)]
    if words := "; ".join(filter(None, told)):
        page.line(words, indent=6)


def _when(device: Device, daytime: Daytime) -> str:
    if device.first_s is None or device.last_s is None:
        return ""
    once = device.last_s - device.first_s < 0.1
    span = f"at {device.first_s:.1f} s" if once else f"from {device.first_s:.1f} s to {device.last_s:.1f} s"
    return daytime.beside(f"heard {span}")


def _evidence(evidence: Evidence, daytime: Daytime, source: SourceFacts | None) -> str:
    return f"{daytime.beside(evidence.text)}{place(evidence, daytime, source)}"


def place(evidence: Evidence, daytime: Daytime, source: SourceFacts | None) -> str:
    """Where and when, to stand behind words: " [frame 17, 1.250 s, 20:15:01]", "" where neither is known."""
    where = []
    if evidence.frame is not None:
        where.append(source.frame_text(evidence.frame) if source else f"frame {evidence.frame}")
    if evidence.time_s is not None:
        where += filter(None, (f"{evidence.time_s:.3f} s", daytime.at(evidence.time_s)))
    return f" [{', '.join(where)}]" if where else ""
