"""Two captures on the page: pictured, clean, and quiet in a browser."""

from dataclasses import replace
from pathlib import Path

import pytest

from preflight.facts import Facts
from preflight.report.html import as_html
from preflight.verdict import judged
from tests.between.made import MS, Fate, both_ends, by_another_clock, held, stream
from tests.checks.between.cases import PAIR, PATH, TOLD, gone
from tests.report.pages import A4, PHONE, SPILLED, Opened, chromium, violations

MARKUP = "<img src=x onerror=alert(1)></script><script>alert(2)</script>"


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


def opened(browser, told, folder: Path) -> Opened:
    file = folder / "page.html"
    file.write_text(as_html(judged(Facts(between=told))), encoding="utf-8")
    return Opened(browser, file)


def test_what_was_lost_is_marked(browser, tmp_path):

    a, b = both_ends(stream(2000), {500: Fate(lost=True), 800: Fate(lost=True), 900: Fate(delay_s=4 * MS)})
    told = held(tmp_path, a, by_another_clock(b[300:]))
    page = opened(browser, told, tmp_path)
    assert not page.did
    text = " ".join(page.page.inner_text("section[aria-labelledby=between]").split())
    assert "2 only at A" in text and "1 late" in text
    assert "of A, 1 missing at B" in page.page.content()
    assert (
        page.page.locator("section[aria-labelledby=between] path.mark").count() == 4 + 1
    )  # and one in the key
    assert text.count("to 233.252.0.1 port 5004 from ICANN 53:05 (00:00:5e:00:53:05, 192.0.2.5)") == 2
    assert "\ufffd" not in page.page.content()
    assert violations(page.page) == []
    phone = Opened(browser, tmp_path / "page.html", PHONE)
    across = phone.page.evaluate("document.documentElement.scrollWidth")
    assert across <= PHONE and phone.page.evaluate(SPILLED, PHONE) == [] and violations(phone.page) == []
    phone.page.emulate_media(media="print")
    phone.page.set_viewport_size({"width": A4, "height": 900})
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= A4


@pytest.mark.parametrize("told", [TOLD, PAIR], ids=["places", "networks"])
def test_hostile_names_stay_text(browser, tmp_path, told):
    path = replace(PATH, source_ip=MARKUP, destination_ip=MARKUP, a=gone(20))
    told = replace(told, paths=(path,), a=replace(told.a, name=MARKUP))
    page = opened(browser, told, tmp_path)
    assert not page.did and page.page.locator("img").count() == 0


def test_without_anything_in_common_there_is_no_picture(browser, tmp_path):
    page = opened(browser, replace(TOLD, clocks=None, paths=()), tmp_path)
    assert not page.did and page.page.locator("section[aria-labelledby=between]").count() == 0
