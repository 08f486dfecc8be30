"""Lost on the way, and what looks like it and is not."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.between.cases import END, HERE, LONE, PAIR, PATH, TOLD, Ending, dropped, facts, gone
from tests.tally.captures import mac, told

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
    assert "12 frames of the stream to 233.252.0.1 port 5004 lost on the way from A to B" in words
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
    assert "12 frames of the stream to 233.252.0.1 port 5004 lost on the way from A to B" in words
    assert "20 frames of the stream to 233.252.0.1 port 5004 lost on the way from B to A" in words


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


def test_the_figures_of_all_flows():
    told = replace(TOLD, a=replace(END, lone=(LONE, LONE)), b=replace(END, lone=(replace(LONE, frames=7),)))
    finding = find(facts(lossy(12), replace(PATH, rtp=False, a=gone(3)), told=told))
    assert finding.measured == {
        "flows": 2, "lost": 15, "lost_of_streams": 12, "longest_loss": 12, "only_at_a": 200, "only_at_b": 7,
    }  # fmt: skip


def test_the_greatest_share_comes_first_five_are_shown_and_the_rest_is_counted():
    paths = [replace(lossy(20 + n, 1000), source=mac(n), source_ip=f"192.0.2.{n}") for n in range(1, 8)]
    finding = find(facts(*paths))
    totals = [each.text for each in finding.evidence if " frames, " in each.text]
    assert len(totals) == 5 and ": 27 of 1027 frames" in totals[0] and ": 23 of 1023 frames" in totals[4]
    assert finding.evidence[-1].text == "and 2 more flows" and len(finding.culprits) == 7
    five = find(facts(*paths[:5]))
    assert not any("more flow" in each.text for each in five.evidence)


def test_nothing_lost_is_told_with_what_came():
    finding = find(facts(PATH, replace(PATH, source_ip="192.0.2.9", matched=5)))
    assert finding.headline == "Nothing was lost on the way: 1 005 frames of 2 flows came through."


@pytest.mark.parametrize(("frames", "outcome"), [(2, "pass"), (3, "caution")])
def test_three_frames_are_an_ending(frames, outcome):
    path = replace(PATH, a=replace(HERE, ending=Ending(frames, 101, 2.0), last_s=10.0))
    assert find(facts(path, PATH)).outcome == outcome


def test_stopped_streams_five_are_shown_and_from_when():
    paths = [ended(2.0 + n / 10, source_ip=f"192.0.2.{n}") for n in range(7)]
    finding = find(facts(*paths))
    assert finding.headline == "From 2.0 s on no stream came to B any more." and finding.outcome == "fail"
    assert [each.time_s for each in finding.evidence] == pytest.approx([2.0, 2.1, 2.2, 2.3, 2.4])
    assert finding.evidence[0].text.endswith("from frame 101 of A on, nothing after frame 1000 of B")
    assert finding.spans[0] == (2.0, 10.0)
    some = find(facts(*paths, PATH))
    assert (
        some.headline
        == "7 streams (first: the stream to 233.252.0.1 port 5004) stopped at B and went on at the other end."
        and len(some.evidence) == 5
    )


def test_what_ran_out_earlier_does_not_keep_the_others_from_having_stopped_together():
    over = replace(PATH, source_ip="192.0.2.8", a=replace(HERE, last_s=5.0))
    assert find(facts(ended(2.0), ended(2.1, source_ip="192.0.2.9"), over)).outcome == "fail"


def test_toward_both_ends_they_did_not_stop_together():
    back = replace(
        PATH, way="B to A", source_ip="192.0.2.9", b=replace(HERE, ending=Ending(900, 101, 2.0), last_s=10.0)
    )
    assert find(facts(ended(2.0), back)).outcome == "caution"
