"""Never sent is told from lost on the way."""

from dataclasses import replace

import pytest

from tests.checks.asked import asked
from tests.checks.between.cases import PATH, facts, gone
from tests.tally.captures import told

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
