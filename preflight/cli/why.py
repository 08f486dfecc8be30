"""`preflight why CHECK`: everything that a check says of itself."""

import difflib

import click

from preflight.checks import SUBJECTS, all_checks
from preflight.checks.rule import Check

HEADINGS = {
    "computer": "The computer",
    "wire": "The wire",
    "soak": "The soak",
    "plan": "The plan (rig sheet)",
}


@click.command()
@click.argument("check", required=False)
def command(check: str | None) -> None:
    """Tell what CHECK looks at, its limits and where they come from, and how to fix what it finds.

    Without CHECK, list them all.
    """
    checks = {known.name: known for known, _ in all_checks()}
    if check is None:
        _list(list(checks.values()))
    elif check in checks:
        _explain(checks[check])
    else:
        near = difflib.get_close_matches(check, checks, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}?" if near else "List them with: preflight why"
        raise click.UsageError(f"there is no check '{check}'. {hint}")


def _list(checks: list[Check]) -> None:
    from preflight.report.page import Page, console

    page = Page(console())
    for subject in SUBJECTS:
        named = [check for check in checks if check.subject == subject]
        if named:
            page.line(HEADINGS[subject], style="bold")
        for check in named:
            page.line(check.name, indent=2, style="bold")
            page.line(check.question, indent=4)
        page.gap()
    page.line("More about one: preflight why CHECK")


def _explain(check: Check) -> None:
    from preflight.report.page import Page, console

    page = Page(console())
    page.line(check.name, style="bold")
    page.line(check.question)
    page.gap()
    page.line(check.looks_at, lead="Looks at: ", lead_style="bold")
    page.line(check.why, lead="Why: ", lead_style="bold")
    if check.limits:
        page.gap()
        page.line("Limits", style="bold")
        for limit in check.limits:
            page.line(f"{limit.value:g} {limit.unit} [{limit.source}]", lead=f"{limit.name}: ", indent=2)
    if check.sources:
        page.gap()
        page.line("Sources", style="bold")
        for source in check.sources:
            page.line(source, lead="- ", indent=2)
    if check.fixes:
        page.gap()
        page.line("To fix", style="bold")
        for caution in check.cautions:
            page.line(caution, lead="Take care: ", lead_style="bold yellow", indent=2)
        for number, fix in enumerate(check.fixes, 1):
            page.line(fix, lead=f"{number}) ", indent=2)
    if check.unproven:
        page.gap()
        page.line(check.unproven, lead="When it is unproven: ", lead_style="bold")
