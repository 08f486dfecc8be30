"""The sign-off sheet of soaks: a page to print on A4 or Letter, one soak to a sheet, with room for a signature.

As the result's page it escapes and cleans every text and asks nothing of any network; it has no script at all.
"""

from collections.abc import Sequence

from markupsafe import Markup

from preflight import __version__
from preflight.checks.finding import Outcome
from preflight.checks.say import when
from preflight.report.html import FOLDER, SOAK_WORDS, environment, hash_of
from preflight.report.soak import figures, hour_rows, in_words, summary
from preflight.verdict import Result

MOST_NOTES = 20
MOST_HOURS = 26  # what goes on the sheet


def as_signoff(soaks: Sequence[Result]) -> str:
    style = Markup((FOLDER / "signoff.css").read_text(encoding="utf-8"))
    return (
        environment()
        .get_template("signoff.html")
        .render(
            version=__version__,
            policy=f"default-src 'none'; base-uri 'none'; form-action 'none'; style-src {hash_of(style)}",
            style=style,
            soaks=[_sheet(result) for result in soaks],
        )
    )


def _sheet(result: Result) -> dict[str, object]:
    soak = result.facts.soak
    assert soak is not None
    found = [ranked.finding for ranked in result.verdict.findings]
    cautions: set[str] = set()
    happened = [(when(note.at_ns), in_words(note)) for note in soak.happened]
    hours = hour_rows(soak)
    return {
        "soak": soak,
        "summary": summary(soak),
        "begun": when(soak.begun_ns),
        "until": when(soak.until_ns),
        "verdict": result.verdict.verdict,
        "in_words": SOAK_WORDS[result.verdict.verdict],
        "refused": soak.refused,
        "figures": figures(soak.figures),
        "hours": hours[: MOST_HOURS + 1] if len(hours) > 2 else [],
        "more_hours": max(len(hours) - 1 - MOST_HOURS, 0),
        "to_fix": [
            (ranked.fix_first, ranked.finding, _new(ranked.finding.cautions, cautions))
            for ranked in result.verdict.findings
            if ranked.fix_first is not None
        ],
        "follows": [ranked for ranked in result.verdict.findings if ranked.explained_by],
        "unproven": [f for f in found if f.outcome == Outcome.UNPROVEN],
        "passed": [f.check for f in found if f.outcome == Outcome.PASS],
        "happened": happened[:MOST_NOTES],
        "more": max(len(happened) - MOST_NOTES, 0),
    }


def _new(texts: Sequence[str], said: set[str]) -> list[str]:
    """Those of `texts` that the sheet has not said yet."""
    new = [text for text in texts if text not in said]
    said.update(new)
    return new
