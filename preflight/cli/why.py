"""`preflight why CHECK`: everything that a check says of itself; `preflight why WORD`: which checks speak of
it."""

import difflib
import re
from collections.abc import Iterator

import click

from preflight.checks import SUBJECTS, all_checks
from preflight.checks.rule import Check
from preflight.checks.say import counted
from preflight.checks.step import fitting
from preflight.cli.options import named

SENTENCE = re.compile(r"(?<=[.?!]) ")
HEADINGS = {
    "computer": "The computer",
    "wire": "The wire",
    "soak": "The soak",
    "plan": "The plan (rig sheet)",
    "between": "Two captures held against each other",
}


def _checks(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list:
    return named(((known.name, known.question) for known, _ in all_checks()), incomplete)


@click.command()
@click.argument("words", nargs=-1, metavar="[CHECK | WORD...]", shell_complete=_checks)
def command(words: tuple[str, ...]) -> None:
    """Tell what CHECK looks at, its limits and where they come from, and how to fix what it finds.

    With any other WORD, list the checks that speak of it. With none, list them all.
    """
    checks = {known.name: known for known, _ in all_checks()}
    asked = " ".join(words).strip()
    if not asked:
        _list(list(checks.values()))
    elif asked in checks:
        _explain(checks[asked])
    elif found := [
        (check, text) for check in checks.values() if (text := _speaks_of(check, asked)) is not None
    ]:
        _found(found, asked)
    else:
        near = difflib.get_close_matches(asked, checks, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}?" if near else "List them with: preflight why"
        raise click.UsageError(f"there is no check '{asked}', and none speaks of it. {hint}")


def _speaks_of(check: Check, asked: str) -> str | None:
    """The first sentence of `check` with all the words that are asked for, or with words that begin so; None
    where there is none."""
    beginnings = [re.compile(rf"\b{re.escape(word)}", re.IGNORECASE) for word in asked.split()]
    sentences = (sentence for text in _texts(check) for sentence in SENTENCE.split(text))
    return next((each for each in sentences if all(begins.search(each) for begins in beginnings)), None)


def _texts(check: Check) -> Iterator[str]:
    yield from (check.name, check.question, check.looks_at, check.why, *check.fixes)
    for limit in check.limits:
        yield f"{limit.name.replace('_', ' ')}: {limit.shown} [{limit.source}]"
    yield from (check.unproven, *check.sources)


def _found(found: list[tuple[Check, str]], asked: str) -> None:
    from preflight.report.page import Page, console

    page = Page(console())
    page.line(f"{counted(len(found), 'check')} with “{asked}”:")
    for check, text in found:
        page.line(check.name, indent=2, style="bold")
        page.line(check.question, indent=4)
        if text not in (check.name, check.question):
            page.line(text, lead="... ", indent=4)
    page.gap()
    page.line("More about one: preflight why CHECK")


def _list(checks: list[Check]) -> None:
    from preflight.report.page import Page, console

    page = Page(console())
    for subject in SUBJECTS:
        of_it = [check for check in checks if check.subject == subject]
        if of_it:
            page.line(HEADINGS[subject], style="bold")
        for check in of_it:
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
            page.line(f"{limit.shown} [{limit.source}]", lead=f"{limit.name}: ", indent=2)
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
        for number, fix in enumerate(fitting(check.steps, None), 1):
            page.line(fix.marked, lead=f"{number}) ", indent=2)
    if check.unproven:
        page.gap()
        page.line(check.unproven, lead="When it is unproven: ", lead_style="bold")
