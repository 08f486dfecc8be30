"""Of a long capture, too, the page opens by the millisecond where a finding begins and where it is worst."""

from dataclasses import replace
from pathlib import Path

import pytest

from preflight.report.html import as_html
from preflight.report.html.closeup import with_milliseconds
from preflight.report.html.timeline import by_ms, milliseconds, moments, places, plots
from preflight.study import study
from preflight.tally.shape import BIN_S
from preflight.verdict import Result, judged
from tests.tally.captures import arp, broadcast, every, rtp, write

LOST_AT, WORST_AT = 37.0, 41.0


@pytest.fixture(scope="module")
def long(tmp_path_factory) -> tuple[Path, Result]:
    """Four minutes in which a stream loses some packets early on; bursts of others, later, stand out far
    more."""
    lost = {
        *range(int(LOST_AT * 100), int(LOST_AT * 100) + 3),
        *range(int(WORST_AT * 100), int(WORST_AT * 100) + 9),
    }
    stream = [(n / 100, rtp(4, "233.252.0.4", n, bytes(144))) for n in range(24_000) if n not in lost]
    bursts = [
        frame
        for at in range(600, 2400, 2)
        for frame in every(0.002, lambda n: broadcast(3, n), at / 10, at / 10 + 0.1)
    ]
    path = write(
        tmp_path_factory.mktemp("long") / "long.pcap",
        sorted([*stream, *bursts, (0.0, arp(1, 2))], key=lambda f: f[0]),
    )
    return path, judged(study(str(path)))


def kept(result: Result) -> dict[int, bytes]:
    assert result.facts.tally is not None
    return {round(start / BIN_S): packed for start, packed in result.facts.tally.shape.close}


def test_the_beginning_and_the_worst_moment_are_there_although_nothing_stands_out(long):
    path, result = long
    assert any(
        name == "stream-health" and shown for name, shown in moments(result.facts, result.verdict).items()
    )
    looked_at = [(start, end) for start, end in places(result.facts, result.verdict) if 30 < start < 50]
    assert [start for start, _ in looked_at] == pytest.approx([LOST_AT - 0.11, WORST_AT - 0.02], abs=0.15)
    bins = {at for start, end in looked_at for at in range(round(start / BIN_S), int(end / BIN_S) + 1)}
    assert not bins <= kept(result).keys()
    mended = with_milliseconds(str(path), result)
    assert bins <= kept(mended).keys()
    assert kept(result).items() <= kept(mended).items()
    at = round(LOST_AT * 10)
    counts = by_ms(kept(mended)[at], "multicast")
    assert [ms for ms, count in enumerate(counts) if count] == [30, 40, 50, 60, 70, 80, 90]
    data = plots(mended.facts, mended.verdict)
    assert data is not None and {round(each["at"] * 10) for each in data["close"]} >= bins


def test_the_page_says_of_which_moments_it_has_the_milliseconds(long):
    path, result = long
    assert "of the busiest moments alone" in milliseconds(result.facts, result.verdict)
    assert "read twice" in milliseconds(result.facts, result.verdict)
    source = result.facts.source
    assert source is not None
    live = replace(result.facts, source=replace(source, kind="live"))
    assert "--save FILE.pcapng" in milliseconds(live, result.verdict)
    assert "--save FILE.pcapng" in as_html(replace(result, facts=live))
    mended = with_milliseconds(str(path), result)
    assert "where findings begin and are worst" in milliseconds(mended.facts, mended.verdict)
    short = replace(result.facts, source=replace(source, duration_s=12.0))
    assert milliseconds(short, result.verdict) == ""


def test_what_is_kept_already_is_not_read_again(long, tmp_path):
    path, result = long
    mended = with_milliseconds(str(path), result)
    path_gone = tmp_path / "gone.pcap"
    assert with_milliseconds(str(path_gone), mended) is mended
    path_gone.write_bytes(b"no capture at all")
    assert with_milliseconds(str(path_gone), mended) is mended
    assert with_milliseconds(str(path_gone), result) is result  # the page says that none were kept


def test_what_was_kept_while_listening_counts_from_when_listening_began(long):
    path, result = long
    source = result.facts.source
    assert source is not None and source.first_ns is not None
    later = replace(result.facts, source=replace(source, first_ns=source.first_ns - 100_000_000))
    mended = with_milliseconds(str(path), replace(result, facts=later))
    at = round(LOST_AT * 10) + 1
    assert at not in kept(result)
    assert [ms for ms, count in enumerate(by_ms(kept(mended)[at], "multicast")) if count] == [
        30,
        40,
        50,
        60,
        70,
        80,
        90,
    ]
