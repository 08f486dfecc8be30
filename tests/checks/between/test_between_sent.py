"""Never sent is told from lost on the way."""

from dataclasses import replace

import pytest

from tests.checks.asked import asked
from tests.checks.between.cases import PATH, facts, gone
from tests.tally.captures import mac, told

find = asked("between-sent")


@pytest.mark.parametrize(("never", "outcome"), [(0, "pass"), (1, "caution"), (9, "caution"), (10, "fail")])
def test_numbers_that_came_to_neither(never, outcome):
    finding = find(facts(replace(PATH, never=never, jump_frame=33 if never else None, jump_s=1.5)))
    assert finding.outcome == outcome
    assert never or "near place (A)" in finding.headline
    if never:
        assert "never sent, or lost before" in finding.headline and "before frame 33 of A" in told(finding)
        assert "Look before the two places" in finding.fixes[0]


def test_lost_on_the_way_was_sent():
    assert find(facts(replace(PATH, a=gone(12)))).outcome == "pass"


def test_without_numbers_it_does_not_show():
    assert find(facts(replace(PATH, rtp=False))).outcome == "unproven"


def test_the_worst_five_are_shown_and_all_are_counted():
    paths = [replace(PATH, source=mac(n), never=n, jump_frame=30 + n, jump_s=n / 10) for n in range(1, 8)]
    finding = find(facts(*paths, PATH))
    assert finding.headline.startswith(
        "28 packets of 7 streams (worst: the stream to 233.252.0.1 port 5004) came to neither place"
    )
    assert finding.measured == {"streams": 8, "never_sent": 28}
    assert [each.time_s for each in finding.evidence] == [0.7, 0.6, 0.5, 0.4, 0.3]
    assert finding.evidence[0].text.endswith(": 7 numbers; first missing before frame 37 of A")
    assert finding.culprits == tuple(mac(n) for n in range(1, 8))


def test_where_no_jump_was_seen_none_is_placed():
    [line] = find(facts(replace(PATH, never=2, jump_frame=None, jump_s=1.5))).evidence
    assert line.text.endswith(": 2 numbers") and line.time_s is None


def test_the_near_place_may_be_b():
    whole = find(facts(replace(PATH, way="B to A")))
    assert whole.headline == "1 stream came whole to the near place (B)."
