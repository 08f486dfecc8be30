"""One page to send: the verdict, what to do, one picture. It fits one sheet of A4 or Letter, and has no
script at all.

Long texts are cut rather than let the page grow: the full report has them whole. With a rig sheet the picture
is who is there and who is not; else it is the time of what is first to mend, and where that has none, who
sends to whom.
"""

from markupsafe import Markup, escape

from preflight.checks.finding import Outcome
from preflight.checks.say import count_text
from preflight.facts import Facts
from preflight.report.daytime import Daytime
from preflight.report.html import file_text, heading, in_words, render
from preflight.report.html.streams import short
from preflight.report.html.timeline import MEASURES, duration, full, seconds, spans
from preflight.report.html.whom import whom
from preflight.text import clean
from preflight.verdict import Ranked, Result

MOST_OTHERS = 3
STEPS, STEPS_OF_OTHERS = 6, 2
LONGEST = 240  # letters of a step
MOST_BOXES = 12
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 1000, 320, 70, 40, 26, 26


def as_one_page(result: Result) -> str:
    facts = result.facts
    to_fix = [ranked for ranked in result.verdict.findings if ranked.fix_first is not None]
    return render(
        "onepage.html",
        file_text("whom.css") + file_text("onepage.css"),
        name=clean(heading(facts), 80),
        verdict=result.verdict.verdict,
        in_words=in_words(result),
        source=facts.source,
        daytime=Daytime(facts),
        first=to_fix[0] if to_fix else None,
        others=to_fix[1 : 1 + MOST_OTHERS],
        more=max(len(to_fix) - 1 - MOST_OTHERS, 0),
        unproven=sum(r.finding.outcome == Outcome.UNPROVEN for r in result.verdict.findings),
        passed=sum(r.finding.outcome == Outcome.PASS for r in result.verdict.findings),
        picture=_picture(result, to_fix),
        cut=lambda text: clean(text, LONGEST),
        steps=STEPS,
        steps_of_others=STEPS_OF_OTHERS,
    )


def _picture(result: Result, to_fix: list[Ranked]) -> tuple[str, Markup] | None:
    """Its words and itself."""
    facts = result.facts
    if facts.sheet is None and to_fix and to_fix[0].finding.spans and facts.tally and facts.source:
        return _over_time(facts, to_fix[0])
    drawn = whom(facts, result.verdict, MOST_BOXES)
    return (f"Who sends to whom. {drawn.said}", drawn.svg) if drawn else None


def _over_time(facts: Facts, ranked: Ranked) -> tuple[str, Markup]:
    """Frames a second, or how full the link is where that is the matter, and on it the stretches of the
    finding."""
    assert facts.tally is not None
    rates, spent = facts.tally.rates, duration(facts)
    load = ranked.finding.check == "link-load"
    if load:
        way = max(rates.sums["bytes"], rates.sums["sent_bytes"], key=sum)
        values = [800 * n / rates.width_s / (facts.link_mbps * 1e6) for n in way]
        said, limits, top = "How full the link was, in per cent, over time", full(facts), 105.0
    else:
        values = [sum(n) / rates.width_s for n in zip(*(rates.sums[m] for m in MEASURES), strict=True)]
        said, limits, top = "Frames a second, over time", [], 1.05 * max(values)
    top = max(top, *values, 1.0)

    def x(at: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * min(max(at / spent, 0.0), 1.0), 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * value / top, 1)

    steps = "".join(f"V{y(value)}H{x((n + 1) * rates.width_s)}" for n, value in enumerate(values))
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(said)}">',
        f'<path class="area" d="M{LEFT} {y(0)}{steps}V{y(0)}z"/>',
    ]
    for start, end, more in spans(facts, ranked):
        if more:
            parts.append(f'<path class="more" d="M{x(start)} {TOP + 4}H{x(end)}"/>')
        else:
            wide = max(x(end) - x(start), 2)
            parts.append(
                f'<rect class="span" x="{x(start)}" y="{TOP}" width="{short(wide)}" height="{y(0) - TOP}"/>'
            )
    for share in limits:
        parts.append(f'<path class="limit" d="M{LEFT} {y(share)}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{WIDTH - RIGHT + 6}" y="{y(share) + 4}">{share:g}</text>')
    first = ranked.finding.spans[0][0]
    flag = min(max(x(first), LEFT + 9), WIDTH - RIGHT - 9)
    parts += [
        f'<circle class="flag" cx="{flag}" cy="12" r="10"/><text class="on" x="{flag}" '
        f'y="16">{ranked.fix_first}</text>',
        f'<path class="axis" d="M{LEFT} {TOP}V{y(0)}H{WIDTH - RIGHT}"/>',
        f'<text class="end" x="{LEFT - 6}" y="{y(0) + 4}">0</text>',
        f'<text class="end" x="{LEFT - 6}" y="{y(max(values)) + 4}">{count_text(max(values))}</text>',
        f'<text x="{LEFT}" y="{HEIGHT - 6}">{seconds(0.0)}</text>',
        f'<text class="end" x="{WIDTH - RIGHT}" y="{HEIGHT - 6}">{seconds(spent)}</text></svg>',
    ]
    return f"{said}. Number {ranked.fix_first} is marked.", Markup("".join(parts))
