"""One page of a whole archive: faults over time, by check and by maker, and the cases behind them.

As the result's page it is one file that asks nothing of any network: every text is escaped and cleaned, and
the page forbids its browser all but its own style. It has no script. Bars are SVG made here. What would make
it too large for a mail is counted instead of listed.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from jinja2 import FileSystemLoader
from markupsafe import Markup

from preflight.archive.find import Wanted, find
from preflight.archive.library import Library, short
from preflight.checks import check_named
from preflight.report import html
from preflight.report.html import environment, render

FOLDER = Path(__file__).parent
MOST_CASES = 2000  # with their headlines, about 600 bytes each
MOST_ROWS = 60  # checks, makers
MOST_BARS = 60
LINKS = 5
LONGEST = 160


@dataclass(frozen=True)
class Bar:
    """The cases of one stretch of time, by verdict. `left` and `width` are in the picture's own units."""

    label: str
    left: float
    width: float
    not_ready: int
    cautions: int
    others: int


def as_html(library: Library, name: str) -> str:
    style = Markup((FOLDER / "page.css").read_text(encoding="utf-8"))
    cases = [row for row in find(library, Wanted()) if row["outcome"] or row["note"]]
    shown = {row["capture"] for row in cases[:MOST_CASES]}
    verdicts = {
        row["verdict"]: row["n"] for row in library.ask("select verdict, count(*) n from captures group by 1")
    }
    jinja = environment().overlay(loader=FileSystemLoader([FOLDER, html.FOLDER]))
    jinja.filters["short"] = short
    unit, bars = _bars(library)
    return render(
        "page.html",
        style,
        jinja=jinja,
        name=name,
        verdicts=verdicts,
        total=sum(verdicts.values()),
        unit=unit,
        bars=bars,
        highest=max((bar.not_ready + bar.cautions + bar.others for bar in bars), default=0),
        checks=_checks(library, shown),
        makers=_makers(library, shown),
        cases=[
            {**row, "headline": _cut(row["headline"]), "note": _cut(row["note"] or "")}
            for row in cases[:MOST_CASES]
        ],
        more=max(len(cases) - MOST_CASES, 0),
    )


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"


def _bars(library: Library) -> tuple[str, list[Bar]]:
    """Cases over time, in the finest of day, week, month and year that needs no more than MOST_BARS."""
    for unit in ("day", "week", "month", "year"):
        rows = library.ask(
            f"""
            select date_trunc('{unit}', first_frame_at) as at, count(*) filter (verdict = 'not ready') as not_ready,
                count(*) filter (verdict = 'ready with cautions') as cautions, count(*) as everything
            from captures where first_frame_at is not null group by 1 order by 1
            """
        )
        if len(rows) <= MOST_BARS:
            break
    # Years in which nobody had a capture are left out, as a clock that was never set would stretch the
    # picture.
    rows = rows[-MOST_BARS:]
    width = 1000 / max(len(rows), 1)
    return unit, [
        Bar(
            _label(row["at"], unit), number * width, width, row["not_ready"], row["cautions"],
            row["everything"] - row["not_ready"] - row["cautions"],
        )
        for number, row in enumerate(rows)
    ]  # fmt: skip


def _label(at: datetime, unit: str) -> str:
    return {"year": f"{at:%Y}", "month": f"{at:%Y-%m}"}.get(unit, f"{at:%Y-%m-%d}")


def _checks(library: Library, shown: set[str]) -> list[dict[str, Any]]:
    rows = library.ask(
        f"""
        select "check", count(*) filter (outcome = 'fail') as failed, count(*) filter (outcome = 'caution') as cautioned,
            count(*) filter (fix_first is not null) as causes, max(first_frame_at) as last,
            list(capture order by fix_first is null, first_frame_at desc nulls last, capture)[:200] as cases
        from findings join captures using (capture) where outcome in ('fail', 'caution')
        group by 1 order by failed + cautioned desc, 1 limit {MOST_ROWS}
        """
    )
    return [{**row, "question": _question(row["check"]), "cases": _links(row, shown)} for row in rows]


def _question(name: str) -> str:
    check = check_named(name)
    return check.question if check else ""


def _makers(library: Library, shown: set[str]) -> list[dict[str, Any]]:
    rows = library.ask(
        f"""
        with blamed as (
            select capture, unnest(makers) as maker, "check" from findings where outcome in ('fail', 'caution')
        ), heard as (select maker, count(distinct capture) as heard from devices where maker <> '' group by 1)
        select maker, heard, count(distinct blamed.capture) as cases_n,
            list(distinct "check" order by "check") as checks, list(distinct blamed.capture)[:200] as cases
        from blamed join heard using (maker) group by all order by cases_n desc, maker limit {MOST_ROWS}
        """
    )
    return [{**row, "cases": _links(row, shown)} for row in rows]


def _links(row: dict[str, Any], shown: set[str]) -> list[str]:
    return [capture for capture in row["cases"] if capture in shown][:LINKS]
