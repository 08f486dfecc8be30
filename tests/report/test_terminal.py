"""Terminal text at several widths against files in snapshots/ (UPDATE_SNAPSHOTS=1 writes them anew)."""

import io
import os
import re
import sys
import unicodedata
from pathlib import Path

import pytest
from rich.console import Console

from preflight.checks.finding import Finding, Outcome
from preflight.checks.step import now
from preflight.report.page import beside, console, wrap
from preflight.report.terminal import show
from preflight.verdict import Result, brief, decide
from tests.report.samples import LOOP, RESULTS, facts, hostile

SNAPSHOTS = Path(__file__).parent / "snapshots"


def text_of(result, width, **more):
    out = io.StringIO()
    show(result, Console(file=out, width=width, markup=False, highlight=False, emoji=False, **more))
    return out.getvalue()


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("name", RESULTS)
def test_snapshot(name, width):
    text = text_of(RESULTS[name], width)
    file = SNAPSHOTS / f"{name}-{width}.txt"
    if os.environ.get("UPDATE_SNAPSHOTS"):
        file.parent.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [40, 80, 120])
def test_lines_fit_and_addresses_and_numbers_stay_whole(width):
    text = text_of(RESULTS["loop"], width)
    long = "2001:db8:1111:2222:3333:4444:5555:6666"
    assert all(len(line) <= width or long in line or "salt-road" in line for line in text.splitlines())
    for whole in (long, "00:00:5e:00:53:01", "33:33:00:00:00:fb", "123 456", "12 345", "192.0.2.11"):
        assert whole in text


def test_colour_adds_nothing_to_the_words(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    coloured = text_of(RESULTS["loop"], 80, force_terminal=True, color_system="standard")
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == text_of(RESULTS["loop"], 80)


def test_hostile_text_reaches_no_terminal():
    text = text_of(hostile(), 80, force_terminal=False)
    assert not {c for c in text if c != "\n" and unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}}
    assert "[bold]x[/]" in text and "[/nope]" in text and ":smile:" in text  # shown, never obeyed
    assert not any(line.startswith("PASS") for line in text.splitlines())


@pytest.mark.parametrize(("count", "in_full"), [(3, True), (4, False)])
def test_many_unproven_checks_take_a_line_each(count, in_full):
    findings = [
        Finding(f"check-{n}", Outcome.UNPROVEN, "Not heard.", fixes=(now("Listen."),)) for n in range(count)
    ]
    text = text_of(Result(facts(), decide(findings)), 80)
    assert f"({count}):" in text
    assert ("To show it: Listen." in text) is in_full
    assert ("preflight why NAME" in text) is not in_full


def test_brief_names_the_first_thing_to_fix():
    assert brief(RESULTS["loop"]) == f"NOT READY. loop: {LOOP.headline}"
    assert brief(RESULTS["ready"]) == "READY"


def test_wrap_counts_wide_characters_as_two_cells():
    assert wrap("音音 音音", 5) == ["音音", "音音"]
    assert wrap("音音 音音", 9) == ["音音 音音"]


@pytest.mark.parametrize(
    ("name", "rows"), [("x" * 9, ["", "x" * 9]), ("x" * 8, ["x" * 8]), ("x" * 11, ["x" * 11])]
)
def test_a_name_that_only_the_other_rows_have_room_for_begins_there(name, rows):
    assert wrap(name, 10, 8) == rows


def test_what_is_said_beside_the_screen_is_wrapped_on_a_terminal_alone(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    said = "eth0 looks most like the audio LAN: cable, link up at 1000 Mb/s full duplex."
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(sys, "stderr", Terminal())
    assert " ".join(beside(said)) == said and max(map(len, beside(said))) <= 40
    assert beside("") == []
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    assert beside(said) == [said]


@pytest.mark.parametrize("term", ["dumb", "xterm"])
def test_console_is_as_wide_as_the_terminal(term, monkeypatch):
    monkeypatch.setenv("TERM", term)
    monkeypatch.setenv("COLUMNS", "40")
    assert console().width == 40
