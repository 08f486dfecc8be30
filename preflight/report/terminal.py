"""The result as text for a terminal: the verdict, what to fix first, what follows from it, and then the rest.

Colour only repeats what a word already says. What to take care of stands before the steps it belongs to.
"""

from rich.console import Console

from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.facts import Facts
from preflight.report.page import Page
from preflight.report.result import name_of
from preflight.verdict import Ranked, Result, word

STYLES = {
    "not ready": "bold red",
    "ready with cautions": "bold yellow",
    "ready": "bold green",
    "unproven": "bold cyan",
    Outcome.FAIL: "bold red",
    Outcome.CAUTION: "bold yellow",
    Outcome.UNPROVEN: "bold cyan",
    Outcome.PASS: "green",
}
SHOWN_EVIDENCE = 5
SHOWN_UNPROVEN = 3  # more of them with all that would show them push the verdict off the screen

# What a sheet would add, where there is none.
NO_SHEET = (
    "Without a rig sheet (--sheet FILE) it is not known who is missing, who is a stranger, and whether addresses, clock, streams "
    "and spares are as planned. `preflight sheet learn` drafts one."
)


def show(result: Result, console: Console) -> None:
    page = Page(console)
    verdict = result.verdict
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
        page.line(_seen(result.facts))
    if result.facts.wire_refused:
        page.line(result.facts.wire_refused, lead="The network was not judged: ", lead_style="bold")
    if verdict.verdict == "unproven":
        page.line("Nothing could be judged, so this is neither a yes nor a no.")
    timed = result.facts.soak is None  # after hours seconds say nothing; the words have the clock's time
    for ranked in to_fix:
        page.gap()
        _trouble(page, ranked, timed)
    if follows:
        page.gap()
        page.line("These follow from it. Look again when the cause is mended:", style="bold")
        for ranked in follows:
            _follows(page, ranked)
    if unproven:
        page.gap()
        page.line(f"Could not be shown either way ({len(unproven)}):", style="bold")
        for finding in unproven:
            _unproven(page, finding, with_fix=len(unproven) <= SHOWN_UNPROVEN)
        if len(unproven) > SHOWN_UNPROVEN:
            page.line("What would show one of them: preflight why NAME", indent=3)
    if passed:
        page.gap()
        page.line(
            ", ".join(finding.check for finding in passed),
            lead=f"PASS ({len(passed)}): ",
            lead_style=STYLES[Outcome.PASS],
        )
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


def _seen(facts: Facts) -> str:
    source = facts.source
    if source is None:
        return "From the rig sheet alone." if facts.budget is not None else "This computer only."
    frames = f"{source.frames:,} frames in {source.duration_s:.1f} s".replace(",", " ")
    how = "Heard" if source.kind == "live" else "Capture of"
    where = "" if facts.vantage == "unknown" else f", {facts.vantage}"
    return f"{how} {frames}{where}{'; stopped by hand' if source.partial else ''}."


def _trouble(page: Page, ranked: Ranked, timed: bool) -> None:
    finding = ranked.finding
    _headline(page, finding, f"{ranked.fix_first}. ")
    # What the headline has said in the same words is not said again.
    said = finding.headline.rstrip(".")
    told = [each for each in finding.evidence if each.frame is not None or each.text.rstrip(".") != said]
    seen = told[:SHOWN_EVIDENCE]
    for evidence in seen:
        page.line(_evidence(evidence) if timed else evidence.text, lead="- ", indent=3)
    if len(told) > len(seen):
        page.line(f"and {len(told) - len(seen)} more (--json has all)", lead="- ", indent=3)
    for caution in finding.cautions:
        page.line(caution, lead="Take care: ", lead_style="bold yellow", indent=3)
    for number, fix in enumerate(finding.fixes, 1):
        page.line(fix, lead=f"{number}) ", indent=5)


def _headline(page: Page, finding: Finding, number: str) -> None:
    word = f"{number}{finding.outcome.value.upper()} "
    page.line(f"{finding.check}", lead=word, lead_style=STYLES[finding.outcome], style="bold")
    page.line(finding.headline, indent=3)


def _follows(page: Page, ranked: Ranked) -> None:
    finding = ranked.finding
    page.line(
        f"{finding.check} (from {', '.join(ranked.explained_by)}): {finding.headline}",
        lead=f"{finding.outcome.value.upper()} ",
        lead_style=STYLES[finding.outcome],
        indent=3,
    )


def _unproven(page: Page, finding: Finding, with_fix: bool) -> None:
    page.line(
        f"{finding.check}: {finding.headline}",
        lead="UNPROVEN ",
        lead_style=STYLES[Outcome.UNPROVEN],
        indent=3,
    )
    for fix in finding.fixes if with_fix else ():
        page.line(fix, lead="To show it: ", indent=5)


def _evidence(evidence: Evidence) -> str:
    where = []
    if evidence.frame is not None:
        where.append(f"frame {evidence.frame}")
    if evidence.time_s is not None:
        where.append(f"{evidence.time_s:.3f} s")
    return f"{evidence.text} [{', '.join(where)}]" if where else evidence.text
