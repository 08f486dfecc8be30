"""Lost on the way, and what looks like it and is not."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.between.cases import END, HERE, PAIR, PATH, TOLD, Ending, dropped, facts, gone
from tests.tally.captures import told

find = asked("between-loss")


def lossy(frames: int, matched: int = 1000, **more):
    return replace(PATH, matched=matched, a=gone(frames), **more)


@pytest.mark.parametrize(
    ("lost", "matched", "outcome"),
    [
        (0, 1000, "pass"),
        (1, 1000, "caution"),
        (9, 99_000, "caution"),
        (10, 99_000, "fail"),
        (3, 2997, "fail"),
        (2, 100, "caution"),
    ],
)
def test_how_grave_it_is(lost, matched, outcome):
    path = lossy(lost, matched) if lost else PATH
    assert find(facts(path)).outcome == outcome


def test_evidence_and_fix():
    finding = find(facts(lossy(12)))
    words = told(finding)
    assert "12 frames of 1 flow lost on the way from A to B" in words
    assert "frame 201 of A and 11 after it: missing between frames 190 and 191 of B" in words
    assert "cable and the switches between" in finding.fixes[0] and finding.cautions
    assert finding.spans == ((2.0, pytest.approx(2.12)),) and finding.culprits == (PATH.source,)


def test_the_other_way():
    path = replace(PATH, way="B to A", b=gone(12))
    assert "lost on the way from B to A" in told(find(facts(path)))
    assert (
        find(facts(replace(PATH, way="B to A", a=gone(12)))).outcome == "pass"
    )  # missed by the capture at B


def test_both_ways_are_told_apart():
    back = replace(PATH, way="B to A", source_ip="192.0.2.9", b=gone(20))
    words = told(find(facts(lossy(12), back)))
    assert "12 frames of 1 flow lost on the way from A to B" in words
    assert "20 frames of 1 flow lost on the way from B to A" in words


def test_content_that_repeats_is_told():
    assert "which ones is not" in told(find(facts(replace(PATH, a=gone(12, alike=12)))))
    assert "which ones is not" not in told(find(facts(lossy(12))))


def test_what_the_capture_dropped_may_be_it():
    for count, outcome, words in (
        (12, "unproven", "which dropped 12"),
        (11, "caution", "At least 1 of 12"),
        (2, "fail", "At least 10"),
    ):
        finding = find(facts(lossy(12, 99_000), b=dropped(END, count)))
        assert finding.outcome == outcome and words in told(finding)
    assert (
        find(facts(lossy(12), a=dropped(END, 50))).outcome == "fail"
    )  # at the other end it takes nothing back


@pytest.mark.parametrize(
    ("at_s", "quiet_s", "outcome"),
    [(2.0, 0.12, "caution"), (1.98, 0.12, "caution"), (2.5, 0.12, "fail"), (2.0, 0.05, "fail")],
)
def test_a_time_without_any_frame_may_be_the_capture(at_s, quiet_s, outcome):
    finding = find(facts(lossy(12), b=replace(END, quiet_at_s=at_s, quiet_s=quiet_s)))
    assert finding.outcome == outcome and ("paused" in finding.headline) == (outcome == "caution")
    assert find(facts(lossy(12), a=replace(END, quiet_at_s=at_s, quiet_s=quiet_s))).outcome == "fail"


def test_which_end_is_nearer_is_not_known():
    words = told(find(facts(lossy(12, way=None))))
    assert "A is taken for it" in words and "A is taken" not in told(find(facts(lossy(12))))


def test_a_whole_capture_at_a_tells_the_way():
    path = replace(PATH, way=None, b=gone(12))
    assert find(facts(path)).outcome == "pass"
    finding = find(facts(path, a=dropped(END, 0)))
    assert finding.outcome == "fail" and "from B to A" in finding.headline


@pytest.mark.parametrize(("matched", "outcome"), [(100, "fail"), (99, "unproven")])
def test_unicast_that_is_flooded_now_and_then(matched, outcome):
    path = replace(lossy(100, matched), cast="unicast", rtp=False)
    assert find(facts(path)).outcome == outcome


def test_what_snooping_holds_back():
    assert find(facts(replace(lossy(12), protocol=2, rtp=False))).outcome == "unproven"


def ended(at_s: float, **more):
    return replace(PATH, a=replace(HERE, ending=Ending(900, 101, at_s), last_s=10.0), **more)


@pytest.mark.parametrize(("at_s", "outcome"), [(2.0, "caution"), (9.0, "caution"), (9.1, "pass")])
def test_a_stream_that_stops_at_one_end(at_s, outcome):
    finding = find(facts(ended(at_s), PATH))
    assert finding.outcome == outcome
    if outcome == "caution":
        assert "switched off, or left it" in finding.fixes[0] and "frame 101 of A" in told(finding)


def test_all_streams_stop_together():
    other = ended(2.1, source_ip="192.0.2.9")
    finding = find(facts(ended(2.0), other))
    assert finding.outcome == "fail" and "no stream came to B" in finding.headline
    assert find(facts(ended(2.0))).outcome == "caution", "one alone may have been switched off"


def test_a_capture_that_ends_first_stops_nothing():
    assert find(facts(ended(6.0), b=replace(END, last_s=6.5))).outcome == "pass"


def test_nothing_to_judge():
    assert find(Facts(between=replace(TOLD, paths=()))).outcome == "unproven"
    assert find(Facts(between=PAIR)) is None and find(Facts(between=replace(TOLD, clocks=None))) is None
