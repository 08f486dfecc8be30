"""Senders that fall silent and come back: told from a stream that stops alone, from a pause of the capture,
and from a hand at the plug."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.verdict import decide, judge_all
from tests.checks.asked import asked
from tests.checks.ptp import announces
from tests.tally.captures import Timed, arp, every, mac, rtp, studied, told

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
TWICE = ((3.0, 5.0), (7.0, 8.0))

judge = asked("falls-silent")


def stream(sender: int, group: int = 0) -> list[Timed]:
    to = f"233.252.0.{group or sender}"
    return every(0.004, lambda n: rtp(sender, to, n, samples=192), 0.0, 12.0)


def without(frames: Iterable[Timed], gaps: Iterable[tuple[float, float]] = TWICE) -> list[Timed]:
    return [(at, data) for at, data in frames if not any(start < at < end for start, end in gaps)]


def test_a_sender_that_comes_and_goes_is_told_with_when_and_how_long(tmp_path):
    finding = judge(studied(tmp_path, without(stream(5)), stream(6)))
    assert finding.outcome == FAIL
    assert finding.headline.startswith(f"ICANN 53:05 ({mac(5)}")
    assert "fell silent 2 times, for up to 2.0 s, while its packets counted on" in finding.headline
    assert finding.culprits == (mac(5),)
    assert [(round(a, 1), round(b, 1)) for a, b in finding.spans] == list(TWICE)
    assert [round(each.time_s, 1) for each in finding.evidence] == [3.0, 7.0]


def test_all_stay(tmp_path):
    assert judge(studied(tmp_path, stream(5), stream(6))).outcome == PASS


def test_without_a_stream_nothing_is_known(tmp_path):
    assert judge(studied(tmp_path, [(n / 10, arp(5, 6)) for n in range(100)])).outcome == UNPROVEN


@pytest.mark.parametrize(("gaps", "outcome"), [(TWICE[:1], PASS), (((3.0, 3.49), (7.0, 7.49)), PASS), (((3.0, 3.5), (7.0, 7.5)), FAIL)])  # fmt: skip
def test_once_is_a_hand_at_the_plug_and_half_a_second_is_the_least(tmp_path, gaps, outcome):
    assert judge(studied(tmp_path, without(stream(5), gaps), stream(6))).outcome == outcome


@pytest.mark.parametrize("word", [arp(5, 9), None])
def test_a_sender_that_said_something_meanwhile_was_there(tmp_path, word):
    spoken = [(at, word) for at in (4.0, 7.5)] if word else []
    finding = judge(studied(tmp_path, without(stream(5)), stream(6), spoken))
    assert finding.outcome == (PASS if word else FAIL)


def test_a_sender_whose_clock_went_on_was_there(tmp_path):
    clock = announces(5, 0.1, 12.0)
    assert (
        judge(studied(tmp_path, without(stream(5), ((2.0, 5.0), (7.0, 10.0))), stream(6), clock)).outcome
        == PASS
    )
    gone = without(clock, ((2.0, 5.0), (7.0, 10.0)))
    assert (
        judge(studied(tmp_path, without(stream(5), ((2.0, 5.0), (7.0, 10.0))), stream(6), gone)).outcome
        == FAIL
    )


def test_one_of_several_streams_is_not_its_sender(tmp_path):
    assert judge(studied(tmp_path, without(stream(5)), stream(5, 7), stream(6))).outcome == PASS
    assert judge(studied(tmp_path, without(stream(5)), without(stream(5, 7)), stream(6))).outcome == FAIL


def test_those_that_are_away_together_share_what_is_worn(tmp_path):
    finding = judge(studied(tmp_path, without(stream(5)), without(stream(7)), stream(6)))
    assert finding.outcome == FAIL and finding.culprits == (mac(5), mac(7))
    assert " fell silent together 2 times" in finding.headline and "they share" in finding.fixes[0]


def test_two_that_are_away_at_other_times_are_two(tmp_path):
    other = ((4.0, 5.5), (9.0, 10.0), (10.5, 11.5))
    finding = judge(studied(tmp_path, without(stream(5)), without(stream(7), other), stream(6)))
    assert set(finding.culprits) == {mac(5), mac(7)}
    assert "2 times" in told(finding) and "3 times" in told(finding)


@pytest.mark.parametrize(("dropped", "outcome"), [(None, CAUTION), (0, FAIL), (7, UNPROVEN)])
def test_where_nothing_at_all_came_it_is_this_port_or_the_capture(tmp_path, dropped, outcome):
    facts = studied(tmp_path, without(stream(5)), without(stream(6)))
    finding = judge(replace(facts, source=replace(facts.source, dropped=dropped)))
    assert finding.outcome == outcome
    assert finding.headline.startswith("Everything fell silent 2 times, for up to 2.0 s")
    assert outcome == UNPROVEN or "this computer" in finding.fixes[0]


def test_lost_clocks_and_packets_follow_from_it(tmp_path):
    clock = without(announces(5, 0.1, 30.0), ((9.0, 14.0), (20.0, 21.0)))
    gaps = ((9.0, 14.0), (20.0, 21.0))
    frames = [without(every(0.004, lambda n: rtp(5, "233.252.0.5", n, samples=192), 0.0, 30.0), gaps)]
    frames += [every(0.004, lambda n: rtp(6, "233.252.0.6", n, samples=192), 0.0, 30.0)]
    verdict = decide(judge_all(studied(tmp_path, clock, *frames)))
    explained = {each.finding.check: each.explained_by for each in verdict.findings}
    assert verdict.findings[0].finding.check == "falls-silent"
    assert explained["clock"] == explained["stream-health"] == ("falls-silent",)
