"""Two captures over time: what each of them holds, and each flow that passes both, with what went wrong on
its way."""

from collections.abc import Callable
from dataclasses import replace

from preflight.between.facts import BetweenFacts, End, Here, Path
from preflight.checks.say import count_text
from preflight.checks.see.paths import called
from preflight.report.html.timeline import MOST_ROWS, Bar, Group, Row, seconds


def length_s(between: BetweenFacts) -> float:
    return max(between.a.last_s, between.b.last_s, 0.001)


def groups(between: BetweenFacts, spelt: Callable[[str], str]) -> list[Group]:
    """The captures and the flows in rows; `spelt` puts names where devices are mentioned."""
    if between.clocks is None:
        return []
    flows = sorted((_flow(path) for path in between.paths), key=lambda row: not row.troubled)
    return [
        Group("The two captures", (_capture("A", between.a, between), _capture("B", between.b, between))),
        Group(
            "Streams in both networks" if between.pair else "Flows that pass both",
            tuple(replace(row, label=spelt(row.label)) for row in flows[:MOST_ROWS]),
            max(len(flows) - MOST_ROWS, 0),
        ),
    ]


def _capture(name: str, end: End, between: BetweenFacts) -> Row:
    first, last = max(between.a.first_s, between.b.first_s), min(between.a.last_s, between.b.last_s)
    bars = [Bar(max(first, 0.0), last, "span", "in both")] if last > max(first, 0.0) else []
    bars.append(_life(end.first_s, end.last_s))
    return Row(f"{name}: {end.name}", f"{count_text(end.frames)} frames", tuple(bars))


def _flow(path: Path) -> Row:
    here = path.sent
    marks = [*_gaps(path.a, "A", "B"), *_gaps(path.b, "B", "A")]
    if path.late:
        marks.append(
            (
                path.spread_at.at_s,
                f"{seconds(path.spread_at.at_s)}: the slowest, {1000 * path.spread_s:.3f} ms late",
            )
        )
    if path.reordered:
        marks.append(
            (path.first_reordered.at_s, f"{seconds(path.first_reordered.at_s)}: the first out of order")
        )
    only = path.a.only + path.b.only
    return Row(
        called(path),
        f"{count_text(path.matched)} in both, {count_text(path.a.only)} only at A, "
        f"{count_text(path.b.only)} only at B, {count_text(path.late)} late",
        (_life(here.first_s, here.last_s),),
        tuple(marks),
        troubled=only + path.late + path.reordered > 0,
    )


def _life(first_s: float, last_s: float) -> Bar:
    return Bar(max(first_s, 0.0), last_s, "life", f"heard from {seconds(first_s)} to {seconds(last_s)}")


def _gaps(here: Here, name: str, other: str) -> list[tuple[float, str]]:
    return [
        (
            gap.at_s,
            f"{seconds(gap.at_s)}: frame {gap.frame} of {name}, {count_text(gap.frames)} missing at {other}",
        )
        for gap in here.gaps
    ]
