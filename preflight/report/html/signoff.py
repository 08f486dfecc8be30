"""The sign-off sheet of soaks: one sheet of A4 or Letter for each, with its time as a picture and room for a
signature.

What is too much for a sheet is cut and counted: the log has it whole. As the result's page it escapes and
cleans every text and asks nothing of any network; it has no script at all.
"""

from collections.abc import Sequence

from preflight.checks.finding import Outcome
from preflight.checks.say import when
from preflight.report.html import SOAK_WORDS, file_text, render
from preflight.report.html.soakplot import soak_plot
from preflight.report.soak import figures, in_words, summary
from preflight.text import clean
from preflight.verdict import Result

# What goes on the sheet.
MOST_NOTES, MOST_FOUND, MOST_STEPS, MOST_SEEN = 6, 3, 3, 2
LONGEST = 160  # letters of a sentence


def as_signoff(soaks: Sequence[Result]) -> str:
    return render(
        "signoff.html",
        file_text("signoff.css"),
        soaks=[_sheet(result) for result in soaks],
        cut=lambda text: clean(text, LONGEST),
        most_seen=MOST_SEEN,
        most_steps=MOST_STEPS,
    )


def _sheet(result: Result) -> dict[str, object]:
    soak = result.facts.soak
    assert soak is not None
    found = [ranked.finding for ranked in result.verdict.findings]
    to_fix = [ranked for ranked in result.verdict.findings if ranked.fix_first is not None]
    cautions: set[str] = set()
    happened = [(when(note.at_ns), in_words(note)) for note in soak.happened]
    return {
        "soak": soak,
        "summary": summary(soak),
        "begun": when(soak.begun_ns),
        "until": when(soak.until_ns),
        "verdict": result.verdict.verdict,
        "in_words": SOAK_WORDS[result.verdict.verdict],
        "refused": soak.refused,
        "figures": figures(soak.figures),
        "plot": soak_plot(soak),
        "to_fix": [
            (ranked.fix_first, ranked.finding, _new(ranked.finding.cautions, cautions))
            for ranked in to_fix[:MOST_FOUND]
        ],
        "more_found": max(len(to_fix) - MOST_FOUND, 0),
        "follows": [ranked.finding.check for ranked in result.verdict.findings if ranked.explained_by],
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
