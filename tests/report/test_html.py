"""The page in a real browser with networking off, on bundled captures and on results whose every text is hostile."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.report.html import as_html
from preflight.report.html.timeline import MOST_ROWS, plots, rows, seconds
from preflight.rig.read import parse
from preflight.rig.template import TEMPLATE
from preflight.study import study
from preflight.verdict import Result, judged
from preflight.wire.lldp import LldpNeighbour
from tests.report.pages import Opened
from tests.report.samples import HOSTILE, RESULTS, hostile

CAPTURES = Path(__file__).parents[2] / "captures"
LARGEST = 2_000_000
MARKUP = "<img src=x onerror=alert(1)></script><script>alert(2)</script>\"'--><svg onload=alert(3)>{{7*7}}"


@pytest.fixture(scope="module")
def loop() -> Result:
    return judged(study(str(CAPTURES / "loop.pcap.gz")))


@pytest.fixture(scope="module")
def loop_file(loop, tmp_path_factory) -> Path:
    return written(loop, tmp_path_factory.mktemp("page"))


def violations(page) -> list:
    from axe_playwright_python.sync_playwright import Axe

    return Axe().run(page).response["violations"]


def written(result: Result, folder: Path) -> Path:
    file = folder / "page.html"
    file.write_text(as_html(result), encoding="utf-8")
    return file


def poisoned(result: Result, text: str) -> Result:
    """`result` with `text` for every name that the page shows of the network: devices, flows, clocks, the file."""
    tally = result.facts.tally
    assert tally is not None and result.facts.source is not None
    wire = dict(result.facts.wire)
    wire[LldpNeighbour] = tuple(
        replace(n, system_name=text, system_description=text, port_description=text)
        for n in result.facts.heard(LldpNeighbour)
    )
    tally = replace(
        tally,
        flows=tuple(replace(flow, source_ip=text, destination_ip=text) for flow in tally.flows),
        clocks=tuple(replace(clock, clock=text, grandmaster=text) for clock in tally.clocks),
    )
    source = replace(result.facts.source, name=text, ended_early=text)
    facts = replace(result.facts, tally=tally, wire=wire, source=source, wire_refused=text)
    ranked = tuple(
        replace(
            r,
            finding=replace(
                r.finding,
                headline=text,
                evidence=tuple(replace(seen, text=text) for seen in r.finding.evidence),
                fixes=(text,),
                cautions=(text,),
            ),
        )
        for r in result.verdict.findings
    )
    return Result(facts, replace(result.verdict, findings=ranked))


def test_the_page_marks_the_finding_and_zooms(browser, loop, loop_file):
    opened = Opened(browser, loop_file)
    page = opened.page
    assert page.title().startswith("Not ready")
    (span,) = next(r.finding for r in loop.verdict.findings if r.finding.check == "loop").spans
    row = page.locator('[data-check="loop"]')
    assert float(row.locator("rect.span").get_attribute("x") or "") == pytest.approx(span[0])
    assert row.locator("path.mark").count() == 5  # one a piece of evidence
    assert page.locator(".plot canvas").count() == 2
    whole = row.locator("svg").get_attribute("viewBox")

    page.get_by_role("button", name="Show loop on the time line").click()
    start, _, width, _ = map(float, (row.locator("svg").get_attribute("viewBox") or "").split())
    assert start <= span[0] and start + width >= span[1] and width < 0.1
    assert "Shown: 0.9" in page.locator("#shown").inner_text()
    page.get_by_role("button", name="All", exact=True).click()
    assert row.locator("svg").get_attribute("viewBox") == whole

    box = page.locator("#rates .u-over").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 50, steps=4)
    page.mouse.up()
    start, _, width, _ = map(float, (row.locator("svg").get_attribute("viewBox") or "").split())
    assert (start, width) == (pytest.approx(0.5 * 1.035, abs=0.02), pytest.approx(0.25 * 1.035, abs=0.02))
    # A bar lies below the same place of the plot.
    track = row.locator("svg").bounding_box()
    assert track is not None
    assert (track["x"], track["width"]) == (
        pytest.approx(box["x"], abs=2),
        pytest.approx(box["width"], abs=2),
    )

    slider = page.get_by_label("Read off at")
    slider.focus()
    page.keyboard.press("End")
    assert "Other multicast 34 180" in (slider.get_attribute("aria-valuetext") or "")
    assert opened.did == []


def test_the_plot_shows_what_was_counted(loop):
    data = plots(loop.facts, loop.verdict)
    assert data is not None and loop.facts.tally is not None
    by_label = {line["label"]: line["values"] for line in data["rates"]}
    rates = loop.facts.tally.rates
    assert sum(by_label["Other multicast"]) * rates.width_s == pytest.approx(rates.peaks["multicast"].total)


@pytest.mark.parametrize("capture", ["loop.pcap.gz", "clean-rig.pcap.gz", "stray-dhcp.pcapng"])
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_axe_finds_nothing_and_all_fits(browser, capture, width, scheme, tmp_path):
    file = written(judged(study(str(CAPTURES / capture))), tmp_path)
    assert file.stat().st_size < LARGEST / 10
    opened = Opened(browser, file, width, color_scheme=scheme)
    opened.page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    found = violations(opened.page)
    assert [(v["id"], v["impact"], v["nodes"][0]["target"]) for v in found] == []
    assert opened.did == []


@pytest.mark.parametrize("name", RESULTS)
def test_results_without_frames_have_a_page(browser, name, tmp_path):
    opened = Opened(browser, written(RESULTS[name], tmp_path))
    assert RESULTS[name].verdict.verdict.upper() in opened.page.locator("h1").inner_text()
    assert violations(opened.page) == []
    assert opened.did == []


def test_the_rig_of_a_sheet_is_drawn_and_its_limits_named(browser, loop, tmp_path):
    name = "<img src=x onerror=alert(1)>"
    limits = '\n[limits.loop]\n"copies" = 9\n'
    planned = parse(TEMPLATE.replace("box left", name) + limits)
    opened = Opened(browser, written(judged(replace(loop.facts, sheet=planned)), tmp_path))
    page = opened.page
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    drawn = page.locator(".rig svg")
    assert drawn.bounding_box() is not None and name in (drawn.text_content() or "")
    assert name in page.locator("#rig ~ details").inner_text()
    row = page.get_by_role("region", name="Limits of loop").get_by_role("row", name="the rig sheet")
    assert row.inner_text().startswith("copies") and "9" in row.inner_text()
    assert violations(page) == []
    assert opened.did == []


def test_hostile_text_is_shown_and_never_obeyed(browser, loop, loop_file, tmp_path):
    tame = Opened(browser, loop_file).page.locator("script, img, svg, iframe, object").count()
    opened = Opened(browser, written(poisoned(loop, MARKUP), tmp_path))
    page = opened.page
    page.wait_for_timeout(200)
    assert opened.did == []
    assert page.locator(".name").inner_text() == MARKUP
    assert page.locator("script, img, svg, iframe, object").count() == tame
    assert page.locator(f"text={MARKUP}").count() > 20
    for text in (as_html(poisoned(loop, HOSTILE)), as_html(hostile())):
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2028\u2029\ud800-\udfff]", text)


def test_a_script_that_got_in_would_not_run(browser, loop_file, tmp_path):
    file = tmp_path / "page.html"
    broken = loop_file.read_text(encoding="utf-8").replace(
        "<main", "<script>document.title = 'bad'</script><img src=x><main", 1
    )
    file.write_text(broken, encoding="utf-8")
    opened = Opened(browser, file)
    assert opened.page.title().startswith("Not ready")
    refused = [line for line in opened.did if "Content Security Policy" in line]
    assert len(refused) == 2, opened.did  # the script and the picture


def test_without_scripts_the_words_and_the_rows_are_there(browser, loop_file):
    page = Opened(browser, loop_file, java_script_enabled=False).page
    assert page.locator('[data-check="loop"] rect.span').bounding_box() is not None
    assert page.get_by_text("The plots need scripts").is_visible()


def test_on_paper_the_plots_fit_and_are_light(browser, loop_file):
    page = Opened(browser, loop_file, color_scheme="dark").page
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("document.querySelector('.plot .uplot').clientWidth") <= 680
    assert page.locator("details:not([open])").count() == 0


def test_many_rows_are_cut_the_troubled_first(loop):
    tally = loop.facts.tally
    assert tally is not None and len(tally.beats) == 1
    beats = tuple(replace(tally.beats[0], missing=n) for n in [0] * MOST_ROWS + [3])
    facts = replace(loop.facts, tally=replace(tally, beats=beats))
    group = next(group for group in rows(facts, loop.verdict) if group.title == "Other steady senders")
    assert (len(group.rows), group.more) == (MOST_ROWS, 1) and group.rows[0].troubled


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (1.25, "1.250 s"),
        (61.5, "1:01.500"),
        (3725.0, "1:02:05.000"),
        (599.9999, "10:00.000"),
        (0.0, "0.000 s"),
    ],
)
def test_times_as_people_read_them(time_s, text):
    assert seconds(time_s) == text
