"""Soaks in words: spreadsheets that run nothing, a sheet to sign that is no page for strangers' scripts, the
trend."""

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.checks.step import now
from preflight.facts import Facts
from preflight.live.log import Logged
from preflight.live.soaked import soak_facts
from preflight.report.html.signoff import as_signoff
from preflight.report.soak import figures, safe_cell, samples_csv, soaks_csv, summary, trend
from preflight.soak.facts import NS, Figures, Noted, Run
from preflight.verdict import Result, decide
from tests.report.pages import Opened, violations
from tests.report.samples import HOSTILE
from tests.soak.soaks import BEGUN, GOOD, HOUR, soak

MARKUP = '<script>alert(1)</script><img src=x onerror="alert(2)">'


@pytest.mark.parametrize(
    "name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", '=HYPERLINK("x")', "\u200b=1"]
)
def test_no_cell_begins_a_formula(name: str) -> None:
    logged = Logged(soak(item=name, who=name), "ready", name)
    row = next(csv.DictReader(io.StringIO(soaks_csv([logged]))))
    for cell in (row["item"], row["who"], row["headline"]):
        assert cell.strip()[0] not in "=+-@" and not re.search(r"[\x00-\x1f]", cell)


def test_numbers_stay_numbers_and_each_soak_is_a_row() -> None:
    rows = list(
        csv.DictReader(io.StringIO(soaks_csv([Logged(soak(), "ready", ""), Logged(soak(), "ready", "")])))
    )
    assert len(rows) == 2 and rows[0]["watched_s"] == "14400.0" and rows[0]["begun"] == "2025-11-24T16:00:00Z"
    assert safe_cell(-1) == -1 and safe_cell("box 7") == "box 7"
    [row] = csv.DictReader(io.StringIO(samples_csv([(BEGUN, GOOD)])))
    assert (row["at"], row["rx_frames"], row["adapter_c"]) == ("2025-11-24T16:00:00Z", "14000000", "")


def result(**more) -> Result:
    facts = soak(**more)
    found = [
        Finding(
            "link-steady",
            Outcome.FAIL,
            f"It went down. {HOSTILE}",
            fixes=(now(HOSTILE),),
            cautions=(HOSTILE,),
        ),
        Finding("clock", Outcome.UNPROVEN, MARKUP),
    ]
    return Result(soak_facts(facts, Facts()), decide(found))


def hostile() -> Result:
    return result(
        item=MARKUP, serial=HOSTILE, who=MARKUP, adapter=MARKUP, computer=MARKUP,
        happened=(Noted(BEGUN, "alarm", MARKUP, "loop", "fail"), Noted(1 << 90, "link-down", HOSTILE)),
        by_hour=tuple((BEGUN + n * HOUR, GOOD) for n in range(40)),
    )  # fmt: skip


def test_a_hostile_name_is_only_text_on_the_sheet() -> None:
    page = as_signoff([hostile(), result()])
    assert "<script" not in page and "<img" not in page and "\x1b" not in page and "\u202e" not in page
    assert "default-src &#39;none&#39;" in page and "script-src" not in page
    assert page.count("<article>") == 2 and "Signature" in page


def test_the_sheet_prints_on_a4_and_letter_and_asks_for_nothing(browser, tmp_path: Path) -> None:
    file = tmp_path / "sheet.html"
    file.write_text(as_signoff([result(), hostile()]), encoding="utf-8")
    opened = Opened(browser, file, 390)
    assert opened.did == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 390
    for size in ("A4", "Letter"):
        pdf = opened.page.pdf(format=size)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2  # a sheet each
        opened.page.emulate_media(media="print")
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= 720


def bad_night(**more) -> Result:
    """A day in two runs, with an hour of broken frames and a link that went down in it."""
    day = tuple(
        (
            BEGUN + n * HOUR,
            replace(GOOD, watched_ns=HOUR, adapter_c=50.0 + n, downs=int(n == 7), rises=replace(GOOD.rises, rx_errors=90 * (n == 7))),
        )
        for n in range(24)
        if n not in (3, 4)
    )  # fmt: skip
    runs = (Run(BEGUN, BEGUN + 3 * HOUR, GOOD), Run(BEGUN + 5 * HOUR, BEGUN + 24 * HOUR, GOOD))
    happened = (Noted(BEGUN + 7 * HOUR + HOUR // 2, "link-down", "the link went down"),)
    return result(by_hour=day, runs=runs, happened=happened, **more)


def test_the_sheet_draws_the_time_of_the_soak(browser, tmp_path: Path) -> None:
    file = tmp_path / "sheet.html"
    file.write_text(as_signoff([bad_night()]), encoding="utf-8")
    opened = Opened(browser, file)
    page = opened.page
    lanes = page.locator("figure text.end").all_text_contents()
    assert lanes[:-1] == [
        "watched",
        "broken frames",
        "link losses",
        "packets lost",
        "beats missing",
        "hottest",
        "happened",
    ]
    assert (
        "90 an hour" in page.locator("figure").inner_text() and "73 °C" in page.locator("figure").inner_text()
    )
    bars = [each.bounding_box() for each in page.locator("figure rect").all()]
    assert len(bars) == 2 + 1 + 1 + 22 + 1
    first, second, broken = bars[0], bars[1], bars[2]
    # The gap of two hours, and the hour of the broken frames: seven of 24 from the left.
    left, wide = first["x"], second["x"] + second["width"] - first["x"]
    assert (second["x"] - first["x"] - first["width"]) / wide == pytest.approx(2 / 24, abs=0.01)
    assert (broken["x"] - left) / wide == pytest.approx(7 / 24, abs=0.01)
    assert violations(page) == []
    # On paper the signature stands on the sheet, below all else.
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 950})  # A4 within its margins
    assert page.evaluate(
        "(m => m.scrollHeight <= m.clientHeight)(document.querySelector('.middle'))"
    )  # nothing is cut off
    foot, sheet = page.locator(".sign").bounding_box(), page.locator("article").bounding_box()
    assert foot and sheet and foot["y"] + foot["height"] <= sheet["y"] + sheet["height"]
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="Letter"))) == 1


def test_a_trend_tells_what_got_worse() -> None:
    def runs(*broken: int):
        return [soak(replace(GOOD, rises=replace(GOOD.rises, rx_errors=n, rx_crc_errors=n))) for n in broken]

    assert trend(runs(0)) == ["One soak so far. A trend needs two."]
    assert trend(runs(0, 0, 0)) == ["No trend: the last soak is as the ones before."]
    assert trend(runs(0, 0, 8)) == ["Worse than ever before: broken frames, 2 an hour; before, 0 at most."]
    assert trend(runs(8, 0)) == ["Better: no broken frames this time; before, up to 2 an hour."]
    warm = [soak(replace(GOOD, adapter_c=degrees)) for degrees in (50.0, 52.0, 61.0)]
    assert trend(warm) == ["Hotter than ever before: 61 degrees Celsius; before, 52 at most."]


def test_words_for_what_is_not_told() -> None:
    told = figures(Figures(watched_ns=NS))
    assert told["broken frames"] == told["speed"] == told["temperature"] == "not told by this system"
    assert "went down 2 times, 3 s in all" in figures(replace(GOOD, downs=2, down_ns=3 * NS))["link"]
    gaps = soak(state="interrupted", runs=(Run(BEGUN, BEGUN, GOOD), Run(BEGUN, BEGUN, GOOD)))
    assert "in 2 runs" in summary(gaps) and "can be resumed" in summary(gaps)
