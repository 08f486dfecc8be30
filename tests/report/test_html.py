"""The page in a real browser with networking off, on bundled captures and on results whose every text is
hostile."""

import re
from array import array
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.checks.step import now
from preflight.frames.facts import Comment, Interface
from preflight.report.daytime import Daytime
from preflight.report.html import as_html
from preflight.report.html.onepage import as_one_page
from preflight.report.html.streams import MOST_LINES, lines
from preflight.report.html.timeline import MOST_ROWS, by_ms, plots, rows, seconds, spans
from preflight.report.html.whom import whom
from preflight.rig.read import parse
from preflight.rig.template import TEMPLATE
from preflight.study import study
from preflight.tally.facts import PeriodicFlow
from preflight.verdict import Result, judged
from preflight.wire.lldp import LldpNeighbour
from tests.checks.ptp import master
from tests.report import scenes
from tests.report.pages import A4, PHONE, SPILLED, Opened, violations
from tests.report.samples import HOSTILE, RESULTS, hostile
from tests.rig import shows
from tests.tally.captures import studied

CAPTURES = Path(__file__).parents[2] / "captures"
LARGEST, OPENED_S = 2_000_000, 2.0
MARKUP = "<img src=x onerror=alert(1)></script><script>alert(2)</script>\"'--><svg onload=alert(3)>{{7*7}}"


@pytest.fixture(scope="module")
def loop() -> Result:
    return judged(study(str(CAPTURES / "loop.pcap.gz")))


@pytest.fixture(scope="module")
def loop_file(loop, tmp_path_factory) -> Path:
    return written(loop, tmp_path_factory.mktemp("page"))


def written(result: Result, folder: Path) -> Path:
    file = folder / "page.html"
    file.write_text(as_html(result), encoding="utf-8")
    return file


def poisoned(result: Result, text: str) -> Result:
    """`result` with `text` for every name that the page shows of the network: devices, flows, clocks, the
    file."""
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
                fixes=(now(text),),
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
    assert page.locator(".plot canvas").count() == 3
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

    page.get_by_role("button", name="All", exact=True).click()
    slider = page.get_by_label("Read off at")
    slider.focus()
    page.keyboard.press("End")
    assert "Other multicast 34 180" in (slider.get_attribute("aria-valuetext") or "")
    assert opened.did == []


def test_the_time_of_day_stands_beside_the_seconds(browser, loop, loop_file):
    page, daytime = Opened(browser, loop_file).page, Daytime(loop.facts)
    assert daytime.span() in page.locator("dl.facts").inner_text()
    assert page.locator("#shown").inner_text().endswith(f", {daytime.at(0.0)} to {daytime.at(1.03)}")
    assert f"[frame 141, 1.000 s, {daytime.at(1.0)}]" in page.locator("#finding-loop").inner_text()
    page.get_by_label("Read off at").focus()
    page.keyboard.press("End")
    assert page.locator("#read").inner_text().endswith(f". At {daytime.at(1.0)}")


def test_devices_have_their_names_in_the_rows_and_a_beat_that_goes_on_is_no_gap():
    """The full link: all come in order, and one of them only each 10 ms."""
    result = judged(study(str(CAPTURES / "link-load.pcap.zst")))
    groups = {group.title: group.rows for group in rows(result.facts, result.verdict)}
    assert "Streams in trouble" not in groups
    assert not any(line.troubled for line in lines(result.facts))
    assert [row.label for row in groups["Clock masters (PTP)"]] == ["ICANN 53:14, port 1, domain 0"]
    lossy = judged(study(str(CAPTURES / "stream-loss.pcap.gz")))
    [stream] = next(g.rows for g in rows(lossy.facts, lossy.verdict) if g.title == "Streams in trouble")
    assert stream.label == "ICANN 53:1f to 233.252.0.30:5004" and stream.note.startswith("from 192.0.2.31: ")


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
    assert page.locator("h1 .name").inner_text() == MARKUP.rsplit("/", 1)[1]  # of a path only the file's name
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
    # The limits stay folded, and so do single checks: they are lines.
    assert page.locator("details[open]:not(.folds)").count() == 0 and not page.locator("#limits").is_visible()
    assert page.locator(".lines summary").first.is_visible()


def test_streams_in_trouble_have_rows_and_all_are_in_the_table(loop):
    tally = loop.facts.tally
    assert tally is not None and len(tally.periodic) == 1
    beats = tuple(replace(tally.periodic[0], missing=n) for n in [0, *range(1, MOST_ROWS + 3)])
    facts = replace(loop.facts, tally=replace(tally, periodic=beats))
    group = next(group for group in rows(facts, loop.verdict) if group.title == "Streams in trouble")
    assert (len(group.rows), group.more) == (MOST_ROWS, 2)
    assert [line.lost for line in lines(facts)] == [*range(MOST_ROWS + 2, 0, -1), 0]


@pytest.fixture(scope="module")
def many() -> Result:
    return scenes.many()


def test_the_table_of_streams_holds_all_and_sorts(browser, many, tmp_path):
    opened = Opened(browser, written(many, tmp_path))
    table = opened.page.locator("table.streams")
    assert table.locator("tbody tr").count() == 300

    def column(number: int) -> list[str]:
        return table.locator(f"tbody tr > :nth-child({number})").all_inner_texts()

    lost = [int(each) for each in column(6)]
    assert lost[:43] == [2] * 43 and set(lost[43:]) == {0}  # every seventh, first
    head = table.get_by_role("button", name="Goes to")
    head.focus()
    opened.page.keyboard.press("Enter")
    assert column(3) == [f"{scenes.group(number)}:5004" for number in range(300)]
    assert table.locator("th[aria-sort=ascending]").inner_text().startswith("Goes to")
    opened.page.keyboard.press("Enter")
    assert column(3)[0] == f"{scenes.group(299)}:5004"
    table.get_by_role("button", name="Packets").click()
    packets = [int(each) for each in column(5)]
    assert packets == sorted(packets, reverse=True) and set(packets) == {40, 38}
    assert opened.did == []


def test_a_capture_of_the_most_streams_has_a_page_to_send_that_opens_at_once(browser, many, tmp_path):
    tally = many.facts.tally
    assert tally is not None
    streams = tuple(replace(tally.streams[n % 300], ssrc=n) for n in range(4096))
    beats = tuple(PeriodicFlow(n % 300, 0.001, 1, 9, 0, 0, 0.1, 0.0, None, 0, 0.0, ()) for n in range(4096))
    busy = array("q", [100] * 400 + [120_000] * 200).tobytes()  # a full link, by the millisecond
    shape = replace(tally.shape, close=tuple((n / 10, busy) for n in range(600)))
    talkers = tuple(replace(tally.talkers[n % 40], hardware=f"00:00:5e:00:53:{n:02x}") for n in range(256))
    tally = replace(tally, streams=streams, periodic=beats, shape=shape, talkers=talkers)
    result = Result(replace(many.facts, tally=tally), many.verdict)
    opened = Opened(browser, written(result, tmp_path))
    assert opened.page.locator("table.streams tbody tr").count() == MOST_LINES
    assert (tmp_path / "page.html").stat().st_size < LARGEST
    # The processor's time until it is there and drawn, not the clock's: a busy machine is no fault of the
    # page.
    asked = opened.page.context.new_cdp_session(opened.page)
    asked.send("Performance.enable")
    spent = {each["name"]: each["value"] for each in asked.send("Performance.getMetrics")["metrics"]}
    assert 0 < spent["ThreadTime"] < OPENED_S, spent
    assert opened.did == []


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


@pytest.fixture(scope="module")
def missing() -> Result:
    return scenes.missing()


def test_the_picture_marks_who_is_there_who_is_not_and_who_should_not_be(browser, missing, tmp_path):
    opened = Opened(browser, written(missing, tmp_path))
    page = opened.page
    picture = page.locator("svg.whom")
    states = {
        state: picture.locator(f".node.{state} .name").all_text_contents()
        for state in ("heard", "silent", "missing", "stranger")
    }
    assert states["missing"] == ["left", "of left: 233.252.0.1"]
    assert states["silent"] == ["engine b"] and states["stranger"] == ["ICANN 53:63"]
    assert {"desk", "spare desk", "engine", "right"} <= set(states["heard"])
    assert picture.locator(".flow.absent").count() == 1
    # By keyboard alone: the box that has the focus tells its flows, and lights its lines.
    engine = page.get_by_role("button", name="engine, ✓ heard")
    engine.focus()
    assert "of engine: 233.252.0.2 9.8 Mb/s" in page.locator("#told").inner_text()
    lit = picture.locator(".flow.on title").all_text_contents()
    assert lit and all(each.startswith("engine to ") for each in lit)
    boxes = [each.bounding_box() for each in picture.locator("g.node rect").all()]
    notes = [each.bounding_box() for each in picture.locator("g.node text:last-child").all()]
    for box, note in zip(boxes, notes, strict=True):
        assert box and note and note["x"] + note["width"] <= box["x"] + box["width"]
    assert violations(page) == []
    assert opened.did == []


def test_close_up_the_loop_grows_by_the_millisecond(browser, loop, loop_file):
    page = Opened(browser, loop_file).page
    page.get_by_role("button", name="Show loop on the time line").click()
    slider = page.get_by_label("Read off at")
    tally = loop.facts.tally
    assert tally is not None
    kept = {
        round(start * 1000) + ms: count
        for start, packed in tally.shape.close
        for ms, count in enumerate(by_ms(packed, "multicast"))
    }
    read = {}
    for ms in range(995, 1005):
        slider.evaluate(f"(e) => {{ e.value = {ms}; e.dispatchEvent(new Event('input')); }}")
        told = re.match(r"([\d.]+) s: .*Other multicast ([\d ]+),", page.locator("#read").inner_text())
        assert told
        read[round(float(told[1]) * 1000)] = int(told[2].replace(" ", ""))
    assert read == {ms: 1000 * kept[ms] for ms in range(995, 1005)}
    assert read[995] < read[1003]  # it grows


def test_the_page_says_where_no_milliseconds_were_kept(browser, loop, tmp_path):
    tally = loop.facts.tally
    early = replace(tally, shape=replace(tally.shape, close=tally.shape.close[:2]))  # of the first 200 ms
    page = Opened(browser, written(Result(replace(loop.facts, tally=early), loop.verdict), tmp_path)).page
    assert "No milliseconds" not in page.locator("#shown").inner_text()
    page.get_by_role("button", name="Show loop on the time line").click()
    assert "No milliseconds were kept here" in page.locator("#shown").inner_text()


def test_the_pointer_is_told_the_row_it_stands_in(browser, loop, loop_file):
    page = Opened(browser, loop_file).page
    page.locator("#rates").scroll_into_view_if_needed()
    box = page.locator("#rates .u-over").bounding_box()
    assert box is not None
    # At nine tenths of a row its own value is told, not the next one's.
    page.mouse.move(box["x"] + box["width"] * 0.99 / loop.facts.source.duration_s, box["y"] + 20)
    assert page.locator("#rates .tip").inner_text().splitlines()[0] == "0.90 s"
    assert "Other multicast 150" in page.locator("#rates .tip").inner_text()


def test_the_loads_by_sender_add_up_to_the_load(loop):
    data = plots(loop.facts, loop.verdict)
    assert data is not None and loop.facts.tally is not None
    senders = data["senders"]
    megabits = sum(sum(line["values"]) for line in senders["series"]) * senders["width"]
    assert megabits * 1e6 / 8 == pytest.approx(loop.facts.tally.rates.peaks["bytes"].total, rel=1e-3)
    assert len(senders["series"]) == 8 and senders["series"][-1]["label"] == "1 other"


def test_devices_of_a_capture_without_a_sheet_hang_on_the_switch_that_told(loop):
    drawn = whom(loop.facts, loop.verdict)
    assert drawn is not None
    assert "foh-switch, port desk: told that this is its port" in drawn.svg
    assert not re.search(r'class="node (heard|missing|stranger)', drawn.svg)
    few = whom(loop.facts, loop.verdict, most=2)
    assert few is not None and "more senders" in few.svg and few.svg.count('data-flows="s') == 3


def test_who_speaks_spanning_tree_here_is_the_switch_at_this_port(missing):
    """A bridge passes no other's on. Without a sheet it is all that tells of the switch."""
    drawn = whom(replace(missing.facts, sheet=None), missing.verdict)
    assert drawn is not None
    assert "ICANN 53:e3: the switch here, by its spanning tree" in drawn.svg


@pytest.mark.parametrize("name", ["loop", "missing", "many", "hostile", "refused", "ready"])
def test_one_page_is_one_sheet(browser, name, loop, missing, many, tmp_path):
    scene = {
        "loop": loop,
        "missing": missing,
        "many": many,
        "hostile": poisoned(missing, "long words " * 400),
    }
    result = scene.get(name) or RESULTS[name]
    file = tmp_path / "one.html"
    file.write_text(as_one_page(result), encoding="utf-8")
    opened = Opened(browser, file, 390)
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert violations(page) == []
    for size in ("A4", "Letter"):
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=size))) == 1
    assert result.verdict.verdict.upper() in page.locator("h1").inner_text()
    to_fix = [r for r in result.verdict.findings if r.fix_first == 1]
    assert page.locator(".first li").count() == sum(min(len(r.finding.fixes), 6) for r in to_fix)
    assert "Limits" not in page.locator("body").inner_text()
    assert page.locator("script").count() == 0 and opened.did == []


def test_a_name_from_the_network_is_only_text_on_the_one_page(missing):
    text = as_one_page(poisoned(missing, MARKUP))
    assert "<img" not in text and "<script" not in text and "<svg onload" not in text
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", as_one_page(hostile()))


def test_what_is_written_in_the_capture_is_marked(browser, loop, tmp_path):
    said = (Comment("the long run"), Comment(MARKUP, 17, 0.25), Comment("it clicked", 99, 1.0))
    source = replace(
        loop.facts.source, comments=said, interfaces=(Interface("eth7", "", "Ethernet", "", None, 3, None),)
    )
    opened = Opened(browser, written(Result(replace(loop.facts, source=source), loop.verdict), tmp_path))
    row = opened.page.locator(".row", has_text="Comments 2 frames marked")
    assert [each.get_attribute("d") for each in row.locator("path.mark").all()] == ["M0.25 0V1", "M1.0 0V1"]
    told = (
        opened.page.locator("section", has_text="What the capture file says").locator("li").all_inner_texts()
    )
    assert told == [
        "Of all: the long run",
        f"Frame 17, 0.250 s: {MARKUP}",
        "Frame 99, 1.000 s: it clicked",
    ]
    assert "Captured on\neth7" in opened.page.locator("dl.facts").inner_text()
    assert violations(opened.page) == []
    assert opened.did == []


# One fault each, but for the clean one; "many" and the sheet are made for the page.
SCENES = {
    "clean": "clean-rig.pcap.gz",
    "loop": "loop.pcap.gz",
    "full link": "link-load.pcap.zst",
    "two clocks": "two-clocks.pcap.gz",
    "lossy stream": "stream-loss.pcap.gz",
    "many streams": "",
    "missing box": "",
}


@pytest.mark.parametrize("name", SCENES)
def test_each_scene_on_a_screen_a_phone_and_paper(browser, name, many, missing, tmp_path):
    made = {"many streams": many, "missing box": missing}
    result = made.get(name) or judged(study(str(CAPTURES / SCENES[name])))
    file = written(result, tmp_path)

    wide = Opened(browser, file, 1280)
    assert wide.page.evaluate(SPILLED, 1280) == []
    assert violations(wide.page) == []
    if result.verdict.findings[0].fix_first:  # the right third is used
        assert wide.page.locator(".saw").first.bounding_box()["x"] > 640
    pdf = wide.page.pdf(format="A4", path=str(tmp_path / "page.pdf"))
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 5

    phone = Opened(browser, file, PHONE)
    height, across = phone.page.evaluate(
        "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )
    assert across <= PHONE and height < 6000
    assert phone.page.evaluate(SPILLED, PHONE) == []
    assert violations(phone.page) == []

    paper = Opened(browser, file, A4)
    paper.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    paper.page.emulate_media(media="print")
    # What is wider than the sheet makes a browser shrink all of it.
    assert paper.page.evaluate("document.documentElement.scrollWidth") <= A4
    assert paper.page.evaluate(SPILLED, A4) == []
    for opened in (wide, phone, paper):
        assert opened.did == []


def test_the_keyboard_alone_reaches_everything(browser, missing, tmp_path):
    page = Opened(browser, written(missing, tmp_path)).page
    wanted = page.evaluate(
        """() => {
          const all = [...document.querySelectorAll("a[href], button, input, summary, [tabindex='0']")].filter((e) => e.checkVisibility());
          all.forEach((e, n) => { e.dataset.reach = n; });
          return all.length;
        }"""
    )
    reached = set()
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        at = page.evaluate("document.activeElement.dataset.reach")
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none" or at is None
        reached.add(at)
    assert reached >= {str(n) for n in range(wanted)}


def test_losses_are_ticks_up_to_the_last_and_what_overlaps_is_one(loop):
    facts = study(str(CAPTURES / "stream-loss.pcap.gz"))
    result = judged(facts)
    health = next(r for r in result.verdict.findings if r.finding.check == "stream-health")
    stream = max(facts.tally.streams, key=lambda stream: stream.lost)
    drawn = spans(facts, health)
    ticks = [(start, end) for start, end, more in drawn if not more]
    assert len(ticks) == len(stream.first_losses) + 1 and ticks[-1] == (stream.last_loss_s,) * 2
    assert all(end - start < 0.01 for start, end in ticks)  # no block
    assert [(start, end) for start, end, more in drawn if more] == [
        (stream.first_losses[-1].end_s, stream.last_loss_s)
    ]
    [row] = [
        row for group in rows(facts, result.verdict) for row in group.rows if row.check == "stream-health"
    ]
    assert len(row.bars) == len(drawn) and all(bar.width_s > 0 for bar in row.bars)
    ranked = loop.verdict.findings[0]
    many = replace(ranked, finding=replace(ranked.finding, spans=((2.0, 3.0), (0.0, 1.0), (0.5, 1.5))))
    assert spans(loop.facts, many) == [(0.0, 1.5, False), (2.0, 3.0, False)]


def test_what_is_to_be_typed_is_set_as_a_command_and_nothing_else_becomes_markup(loop):
    verdict = loop.verdict
    first = verdict.findings[0]
    steps = (now("Look with `preflight adapters` first."), now("The box `<b>x</b>` says <i>stop</i>."))
    changed = replace(first, finding=replace(first.finding, fixes=steps))
    told = replace(loop, verdict=replace(verdict, findings=(changed, *verdict.findings[1:])))
    for page in (as_html(told), as_one_page(told)):
        assert "Look with <code>preflight adapters</code> first." in page
        assert "The box <code>&lt;b&gt;x&lt;/b&gt;</code> says &lt;i&gt;stop&lt;/i&gt;." in page


def test_ready_without_any_audio_says_so_on_both_pages(tmp_path):
    silent = judged(studied(tmp_path, master(1, 0.0, 15.0), *(shows.hum(n, 15.0) for n in (10, 20))))
    assert silent.verdict.verdict == "ready"
    assert all("no word about the audio" in page for page in (as_html(silent), as_one_page(silent)))
