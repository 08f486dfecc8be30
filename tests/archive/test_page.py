"""The page of an archive in a real browser with networking off."""

import random
import re
from pathlib import Path

import pytest

from preflight.archive.library import Library
from preflight.archive.page import as_html
from preflight.archive.store import Store
from preflight.text import clean
from tests.archive.made import bundled, fill, varied
from tests.report.pages import A4, SPILLED, Opened, chromium, violations

MARKUP = "<img src=x onerror=alert(1)></script><script>alert(2)</script>\"'--><svg onload=alert(3)>{{7*7}}"


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


def written(store: Store, folder: Path) -> Path:
    file = folder / "page.html"
    with Library(store) as library:
        file.write_text(as_html(library, store.place), encoding="utf-8")
    return file


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_it_opens_asks_nothing_and_is_accessible(browser, models, tmp_path, scheme, width):
    store = Store(str(tmp_path / "a"))
    fill(store, models, 300)
    opened = Opened(browser, written(store, tmp_path), width, color_scheme=scheme)
    assert opened.did == []
    assert violations(opened.page) == []
    assert opened.page.evaluate(SPILLED, width) == []
    assert opened.page.get_by_text("Swipe sideways").last.is_visible() == (width == 390)
    opened.page.emulate_media(media="print")
    opened.page.set_viewport_size({"width": A4, "height": 900})
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= A4
    assert not opened.page.get_by_text("The same in numbers").is_visible()
    opened.page.emulate_media(media="screen")
    assert opened.page.locator("svg.bars g").count() > 10
    # Every link leads to something on the page.
    links = opened.page.eval_on_selector_all("a", "links => links.map(link => link.getAttribute('href'))")
    assert len(links) > 20 and all(link.startswith("#") for link in links)
    for link in set(links):
        assert opened.page.locator(link).count() == 1, link


def test_it_counts_what_the_archive_has(browser, small, tmp_path):
    text = Opened(browser, written(small, tmp_path)).page.inner_text("body")
    assert f"{len(bundled())} captures" in text
    with Library(small) as library:
        fails = library.ask("select count(*) n from findings where \"check\" = 'loop' and outcome = 'fail'")[
            0
        ]["n"]
    assert re.search(rf"loop\n.*\t{fails}\t", text)


def test_hostile_text_stays_text(browser, models, tmp_path):
    rows = varied(models[0], random.Random(1), 1)
    capture = rows["captures"][0]["capture"]
    rows["captures"][0]["name"] = MARKUP
    rows["findings"][0] |= {
        "outcome": "fail",
        "fix_first": 1,
        "check": MARKUP,
        "headline": MARKUP,
        "makers": [MARKUP],
    }
    rows["devices"][0]["maker"] = MARKUP
    store = Store(str(tmp_path / "a"))
    store.add({**rows, "notes": [{"capture": capture, "at_ns": 1, "who": MARKUP, "text": MARKUP}]})
    opened = Opened(browser, written(store, tmp_path))
    assert opened.did == []
    assert opened.page.locator("script, img").count() == 0
    assert clean(MARKUP, 200)[:40] in opened.page.inner_text("body")


def test_an_empty_archive_has_a_page(browser, tmp_path):
    opened = Opened(browser, written(Store(str(tmp_path / "none")), tmp_path))
    assert "0 captures" in opened.page.inner_text("body") and opened.did == []
