"""Late on the way, by the buffer that was given."""

from dataclasses import replace

import pytest

from tests.checks.asked import asked
from tests.checks.between.cases import CLOCKS, PATH, Seen, facts
from tests.tally.captures import told

find = asked("between-delay")


def late(frames: int, spread_s: float):
    return replace(
        PATH, late=frames, spread_s=spread_s, spread_at=Seen(70, 72, 3.0), first_late=Seen(60, 61, 2.0)
    )


@pytest.mark.parametrize(
    ("frames", "spread_s", "outcome"),
    [(0, 0.001, "pass"), (1, 0.0011, "caution"), (5, 0.020, "caution"), (5, 0.0201, "fail")],
)
def test_how_late(frames, spread_s, outcome):
    finding = find(facts(late(frames, spread_s)))
    assert finding.outcome == outcome
    if frames:
        assert "frame 70 of A came as frame 72 of B" in told(finding) and finding.spans == ((2.0, 3.0),)


def test_the_buffer_that_is_given_counts():
    assert "more than 30 ms late" in told(find(facts(late(2, 0.035), late_s=0.03)))
    assert find(facts(late(2, 0.025), late_s=0.03)).outcome == "caution"
    assert find(facts(late(2, 0.035), late_s=0.0)).measured["late_ms"] == 1


@pytest.mark.parametrize(("bend_s", "outcome"), [(0.0005, "caution"), (0.00051, "unproven")])
def test_clocks_that_bend_tell_nothing(bend_s, outcome):
    assert find(facts(late(5, 0.01), clocks=replace(CLOCKS, bend_s=bend_s))).outcome == outcome
    assert find(facts(late(5, 0.01), clocks=replace(CLOCKS, one=True, bend_s=bend_s))).outcome == "caution"


def test_only_one_clock_tells_the_true_time():
    assert "least time" not in told(find(facts()))
    path = replace(PATH, least_s=150e-6, most_s=170e-6)
    assert "The least time on the way is 0.150 ms" in told(
        find(facts(path, clocks=replace(CLOCKS, one=True)))
    )
    back = replace(path, least_s=-2.0004, most_s=-2.0003)
    assert "on the way is 2000.300 ms" in told(find(facts(back, clocks=replace(CLOCKS, one=True))))


def test_content_that_only_repeats_cannot_be_timed():
    assert find(facts(replace(PATH, timed=0, least_s=None, most_s=None))).outcome == "unproven"


def test_the_far_end_is_named_as_the_way_is():
    assert "frame 72 of B came as frame 70 of A" in told(find(facts(replace(late(2, 0.002), way="B to A"))))


def test_the_figures_and_the_slowest_of_several_flows():
    quick, slow = replace(late(2, 0.0123456789), source_ip="192.0.2.8"), late(3, 0.015)
    finding = find(facts(quick, slow))
    called_so = "the stream to 233.252.0.1 port 5004"
    assert finding.measured == {"late_ms": 1.0, "late": 5, "most_ms": 15.0, "least_true_ms": None}
    assert (
        finding.headline
        == f"5 frames of 2 flows (worst: {called_so}) came more than 1 ms late, up to 15.00 ms."
    )
    assert "15.000 ms after the quickest (mean 0.005 ms)" in finding.evidence[0].text
    assert finding.evidence[0].time_s == 3.0
    assert find(facts(quick)).measured["most_ms"] == 12.345679
    many = find(facts(*(replace(late(1, 0.01), source_ip=f"192.0.2.{n}") for n in range(7))))
    assert len(many.evidence) == 5


def test_a_late_frame_after_the_furthest_one_ends_the_time_itself():
    path = replace(late(2, 0.002), first_late=Seen(60, 61, 4.0))
    assert find(facts(path)).spans == ((4.0, 4.0),)
