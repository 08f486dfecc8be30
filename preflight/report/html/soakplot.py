"""A soak over its time: when it was watched, what went wrong in each hour, how hot it was, and the moments
that were noted.

A lane each, black on white: it is for paper. A lane in which nothing was is left out but for a word.
"""

from collections.abc import Iterator

from markupsafe import Markup, escape

from preflight.checks.say import count_text, when
from preflight.soak.facts import NS, Figures, SoakFacts
from preflight.text import clean

HOUR = 3600 * NS
WIDTH, LEFT, RIGHT, LANE, BAR = 700, 110, 90, 25, 18
COUNTS = {
    "broken frames": lambda of: of.broken,
    "link losses": lambda of: of.downs,
    "packets lost": lambda of: of.lost,
    "beats missing": lambda of: of.missing,
}


def soak_plot(soak: SoakFacts) -> Markup:
    begun, spent = soak.begun_ns, max(soak.until_ns - soak.begun_ns, 1)
    lanes = [_watched(soak), *_counts(soak), *_heat(soak), *_noted(soak)]
    height = LANE * len(lanes) + 24

    def x(at_ns: int) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * min(max((at_ns - begun) / spent, 0.0), 1.0), 1)

    said = "The soak over its time; the figures say it in numbers"
    parts = [f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{said}">']
    for number, (name, most, shapes) in enumerate(lanes):
        y = LANE * number + 6
        parts.append(f'<text class="end" x="{LEFT - 8}" y="{y + 14}">{escape(name)}</text>')
        parts.append(f'<text x="{WIDTH - RIGHT + 8}" y="{y + 14}">{escape(clean(most, 12))}</text>')
        parts.append(f'<path class="base" d="M{LEFT} {y + BAR}H{WIDTH - RIGHT}"/>')
        for start, end, share in shapes:
            wide, high = max(x(end) - x(start), 1.5), max(round(BAR * share, 1), 1.0)
            parts.append(
                f'<rect x="{x(start)}" y="{y + BAR - high:.1f}" width="{wide:.1f}" height="{high}"/>'
            )
    bottom = height - 6
    parts.append(f'<text x="{LEFT}" y="{bottom}">{escape(when(begun))}</text>')
    parts.append(
        f'<text class="end" x="{WIDTH - RIGHT}" y="{bottom}">{escape(when(soak.until_ns))}</text></svg>'
    )
    return Markup("".join(parts))


Shape = tuple[int, int, float]  # from, to, and how high of the lane
Lane = tuple[str, str, list[Shape]]  # its name, what its height stands for, and what is in it


def _watched(soak: SoakFacts) -> Lane:
    return "watched", "", [(run.begun_ns, run.until_ns, 0.4) for run in soak.runs]


def _counts(soak: SoakFacts) -> Iterator[Lane]:
    for name, count in COUNTS.items():
        yield _by_hour(soak, name, count)


def _by_hour(soak: SoakFacts, name: str, count) -> Lane:
    told = [(at, value) for at, of in soak.by_hour if (value := count(of)) is not None]
    most = max((value for _, value in told), default=None)
    if most is None:
        return name, "not told", []
    bars = [(at, at + HOUR, value / most) for at, value in told if value]
    return name, f"{count_text(most)} an hour" if most else "none", bars


def _heat(soak: SoakFacts) -> Iterator[Lane]:
    def degrees(of: Figures) -> float | None:
        return of.adapter_c if of.adapter_c is not None else of.computer_c

    told = [(at, value) for at, of in soak.by_hour if (value := degrees(of)) is not None]
    if told:
        most = max(value for _, value in told)
        yield (
            "hottest",
            f"{most:.0f} °C",
            [(at, at + HOUR, max(value, 0) / max(most, 1)) for at, value in told],
        )


def _noted(soak: SoakFacts) -> Iterator[Lane]:
    if soak.happened:
        yield "happened", "", [(note.at_ns, note.at_ns, 1.0) for note in soak.happened]
