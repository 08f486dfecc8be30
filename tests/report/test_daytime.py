"""Time of day beside seconds, in the computer's zone, which is named."""

import time

import pytest

from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.report.daytime import Daytime

EVENING = 1_795_378_500 * 10**9  # 2026-11-22 20:15:00 UTC


def heard(first_ns: int | None = EVENING, seconds: float = 20.0) -> Daytime:
    return Daytime(Facts(source=SourceFacts("capture", "x", first_ns=first_ns, duration_s=seconds)))


@pytest.fixture(params=["UTC", "CET-1", "XYZ+5:30"])
def zone(request, monkeypatch):
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield request.param
    monkeypatch.undo()
    time.tzset()


def test_the_zone_is_the_computers_and_named(zone):
    told = {"UTC": "20:15:00 to 20:15:20 UTC", "CET-1": "21:15:00 to 21:15:20 CET"}
    assert heard().span() == f"2026-11-22 {told.get(zone, '14:45:00 to 14:45:20 XYZ')}"


@pytest.fixture
def utc(monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("utc")
@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("The clock was lost at 3.2 s. It came back after 2.0 s.", "The clock was lost at 3.2 s "
                                                                   "(20:15:03). It came back after 2.0 s."),
        ("heard from 0.5 s to 12.5 s", "heard from 0.5 s to 12.5 s (20:15:00 to 20:15:12)"),
        ("silent at 1:05; paused from 0:10 on", "silent at 1:05 (20:16:05); paused from 0:10 (20:15:10) on"),
        ("at 20:15:03, 10:20", "at 20:15:03, 10:20"),
        ("a frame each 20 s, at 100 Mb/s, from 3 devices", "a frame each 20 s, at 100 Mb/s, from 3 devices"),
    ],
)  # fmt: skip
def test_moments_in_words_get_the_time_of_day(text, shown):
    assert heard().beside(text) == shown


@pytest.mark.usefixtures("utc")
def test_a_whole_day_names_the_days():
    assert heard(seconds=90_000.0).at(86_400) == "11-23 20:15:00"
    assert heard(seconds=90_000.0).span() == "2026-11-22 20:15:00 to 2026-11-23 21:15:00 UTC"


@pytest.mark.parametrize("first_ns", [None, 0, 1 << 80])
def test_without_a_time_of_day_nothing_is_said(first_ns):
    daytime = heard(first_ns)
    assert (daytime.at(1.0), daytime.span(), daytime.beside("at 1.0 s")) == ("", "", "at 1.0 s")
    assert Daytime(Facts()).span() == ""
