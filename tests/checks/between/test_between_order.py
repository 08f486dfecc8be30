"""Out of order, and doubled."""

from dataclasses import replace

import pytest

from tests.checks.asked import asked
from tests.checks.between.cases import HERE, PATH, Seen, facts
from tests.tally.captures import told

find = asked("between-order")


@pytest.mark.parametrize(("count", "outcome"), [(0, "pass"), (1, "caution"), (3, "caution")])
def test_order_and_doubles(count, outcome):
    mixed = find(facts(replace(PATH, reordered=count, first_reordered=Seen(40, 44, 1.0))))
    twice = find(
        facts(
            replace(PATH, b=replace(HERE, doubled=count, doubled_frame=51, doubled_s=1.0, doubled_other=50))
        )
    )
    assert mixed.outcome == twice.outcome == outcome
    if count:
        assert "frame 40 of A, frame 44 of B" in told(mixed) and "came after a later one" in mixed.headline
        assert "frame 51 of B, once more frame 50 of A" in told(twice) and "second way" in twice.fixes[0]


def test_what_the_sender_itself_doubles_is_not_counted():
    assert find(facts(replace(PATH, a=replace(HERE, doubled=9)))).outcome == "pass"


def test_content_that_repeats_is_unproven():
    finding = find(facts(replace(PATH, b=replace(HERE, more=4, more_frame=9))))
    assert (
        finding.outcome == "unproven"
        and "content repeats" in finding.headline
        and "frame 9 of B" in told(finding)
    )


def test_nothing_to_judge():
    assert find(facts(replace(PATH, protocol=2))).outcome == "unproven"
