"""The first screen against files in snapshots/ (UPDATE_SNAPSHOTS=1 writes them anew), and that it is one
screen, whatever the result and the terminal."""

import io
import os
import re
import time
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Finding, Outcome
from preflight.checks.step import now
from preflight.facts import Facts
from preflight.report.screen import BESIDE, show_screen
from preflight.study import study
from preflight.verdict import Result, decide, judged
from tests.checks.computers import desk
from tests.checks.ptp import master
from tests.report.samples import RESULTS, facts, hostile
from tests.rig import shows
from tests.tally.captures import mac, studied

CAPTURES = Path(__file__).parents[2] / "captures"
SNAPSHOTS = Path(__file__).parent / "snapshots"
SIZES = [(80, 24), (40, 24), (120, 40)]
ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


def shown(result: Result, width: int, height: int, above: int = 0, **more) -> str:
    out = io.StringIO()
    how = {"markup": False, "highlight": False, "emoji": False} | more
    show_screen(result, Console(file=out, width=width, height=height, **how), above)
    return out.getvalue()


def rig_with_a_missing_box(folder: Path) -> Result:
    there = [number for number in shows.NAMES if number not in (shows.RIGHT, shows.SPARE)]
    speaks = dict.fromkeys(shows.NAMES, 1.0)
    del speaks[shows.SPARE]
    hums = [shows.hum(number, 10.0) for number in there]
    heard = studied(folder, *hums, shows.stream(shows.LEFT, 2.0), shows.hello(66), shows.bpdu())
    assert heard.source is not None
    source = replace(heard.source, name="lantern.pcap", first_ns=1_795_378_500 * 10**9)
    return judged(replace(heard, source=source, sheet=shows.sheet(speaks=speaks)))


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> dict[str, Result]:
    names = {"healthy": "clean-rig.pcap.gz", "a-loop": "loop.pcap.gz", "no-audio": "no-dhcp.pcap"}
    played = {name: judged(study(str(CAPTURES / file))) for name, file in names.items()}
    heard = played["healthy"].facts
    source = replace(heard.source, kind="live", name="audio")
    desks = desk(hardware_address=mac(10))
    at_the_desk = judged(
        replace(heard, source=source, host=desks.host, adapter=desks.adapter, vantage="access port")
    )
    played |= {"linecheck": at_the_desk}
    planned = {"missing-box": rig_with_a_missing_box(tmp_path_factory.mktemp("rig"))}
    return played | planned | {f"sample-{name}": result for name, result in RESULTS.items()}


@pytest.fixture(autouse=True)
def in_utc(monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.delenv("NO_COLOR", raising=False)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


NAMES = [
    "healthy",
    "linecheck",
    "a-loop",
    "no-audio",
    "missing-box",
    "sample-refused",
    "sample-unproven",
    "sample-cautions",
]


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", NAMES)
def test_snapshot(results, name, width, height):
    """As in a pipe and on a dumb terminal: words alone."""
    text = shown(results[name], width, height)
    file = SNAPSHOTS / f"screen-{name}-{width}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")
    dumb = shown(results[name], width, 24, force_terminal=True, color_system=None)
    assert width == 120 or dumb == text


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", NAMES)
def test_it_is_one_screen_and_nothing_sticks_out(results, name, width, height):
    text = ESCAPES.sub("", shown(results[name], width, height, force_terminal=True, color_system="standard"))
    assert text.count("\n") <= height - BESIDE
    assert all(len(line) <= width for line in text.splitlines())
    under = shown(results[name], width, height, above=3, force_terminal=True, color_system=None)
    assert under.count("\n") <= height - BESIDE - 3


@pytest.mark.parametrize(("width", "height"), [*SIZES, (40, 16), (80, 12)])
@pytest.mark.parametrize("name", NAMES)
def test_a_step_is_whole_or_not_there(results, name, width, height):
    """What a step says last may be what has to be done."""
    text = shown(results[name], width, height, force_terminal=True, color_system=None)
    said = " ".join(text.split())
    to_mend = [ranked.finding for ranked in results[name].verdict.findings if ranked.fix_first in (1, 2, 3)]
    whole = [finding.fixes[0] in said for finding in to_mend if finding.fixes]
    assert text.count("-> ") >= sum(whole) and whole[:1] in ([], [True])
    assert sum(whole) == sum(finding.fixes[0][:12] in said for finding in to_mend if finding.fixes)


@pytest.mark.parametrize("name", NAMES)
def test_colour_adds_nothing_to_the_words(results, name):
    """With NO_COLOR the verdict still stands out, and no colour is sent."""
    how = {"force_terminal": True, "color_system": "standard"}
    colour, none = (shown(results[name], 80, 24, **how, no_color=no_color) for no_color in (False, True))
    assert re.search(r"\x1b\[[0-9;]*3[1-6]", colour) and not re.search(r"\x1b\[[0-9;]*3[0-9]", none)
    words = [ESCAPES.sub("", text).split() for text in (colour, none)]
    plain = [word for word in shown(results[name], 80, 24).split() if set(word) != {"="}]
    assert words[0] == words[1] == plain


def test_what_must_be_mended_stands_with_its_first_step_and_one_caution(results):
    text = shown(results["missing-box"], 80, 24)
    first = [line for line in text.splitlines() if re.match(r"\d\. FAIL", line)]
    assert len(first) == 3 and text.count("-> ") == 3 and text.count("Take care: Mute the PA") == 1
    assert ("right is missing" in text and "Missing" not in text) or "missing: right" in text
    assert "\nHere     6 devices: left, desk" in text


def test_a_roomy_terminal_gets_each_step_whole(results):
    text = " ".join(shown(results["missing-box"], 100, 60, force_terminal=True, color_system=None).split())
    for ranked in results["missing-box"].verdict.findings[:3]:
        assert ranked.finding.fixes[0] in text
    assert "Missing right" in text and "Strange ICANN 53:42" in text and "Unheard spare desk" in text


def test_no_right_to_listen_is_one_line():
    refused = "eth0: no right to listen; run it with sudo"
    deaf = [Finding(f"deaf-{n}", Outcome.UNPROVEN, f"Not heard: {refused}") for n in range(20)]
    passed = Finding("link-up", Outcome.PASS, "eth0 has a link.")
    result = Result(Facts(adapter="eth0", wire_refused=refused), decide([passed, *deaf]))
    text = shown(result, 80, 24)
    assert text.count("no right to listen") == 1 and "20 that need to listen" in text
    assert text.startswith("READY (this computer only)")


def test_of_many_things_to_mend_three_are_shown_and_all_are_named():
    many = [
        Finding(
            f"check-{n}",
            Outcome.FAIL,
            f"Trouble {n}. " * 20,
            fixes=(now("Step. " * 40),),
            cautions=(MUTE_FIRST,),
        )
        for n in range(9)
    ]
    for width, height in SIZES:
        text = shown(Result(facts(), decide(many)), width, height)
        assert "3. FAIL" in text and "4. FAIL" not in text and "And 6 more: check-3" in text
        assert text.count("\n") <= 22 and text.count("Take care") == 1


def test_hostile_text_reaches_no_terminal():
    for width, height in SIZES:
        text = shown(hostile(), width, height)
        assert not {
            c for c in text if c != "\n" and unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}
        }


def test_ready_without_any_audio_says_that_it_is_no_word_about_it(tmp_path, results):
    silent = judged(studied(tmp_path, master(1, 0.0, 15.0), *(shows.hum(n, 15.0) for n in (10, 20))))
    for width, height in SIZES:
        words = " ".join(shown(silent, width, height).split())
        assert words.startswith("READY") and "no word about the audio: none was heard" in words
        assert "no word about" not in " ".join(shown(results["no-audio"], width, height).split())
