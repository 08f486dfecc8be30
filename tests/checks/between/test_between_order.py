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


def test_the_most_are_shown_first_and_five_at_most():
    at = [Seen(40 + n, 50 + n, n / 10) for n in range(8)]
    paths = [
        replace(
            PATH, source_ip=f"192.0.2.{n}", reordered=n, first_reordered=at[n], timed=900,
            b=replace(HERE, doubled=n, doubled_frame=70 + n, doubled_s=n / 5, doubled_other=60 + n, more=1, more_frame=80 + n, more_s=0.5),
        )
        for n in range(1, 8)
    ]  # fmt: skip
    finding = find(facts(*paths))
    assert finding.measured == {"reordered": 28, "doubled": 28, "more_of_repeating": 7}
    assert (
        finding.headline
        == "28 frames of 7 flows (worst: the stream to 233.252.0.1 port 5004) came after a later one."
    )
    mixed = [each for each in finding.evidence if "; first frame" in each.text and " of 900" in each.text]
    assert len(mixed) == 5 and mixed[0].time_s == 0.7
    assert mixed[0].text.endswith(": 7 of 900; first frame 47 of A, frame 57 of B")
    twice = [each for each in finding.evidence if " more; first frame" in each.text]
    assert len(twice) == 5 and twice[0].time_s == 1.4
    assert twice[0].text.endswith(": 7 more; first frame 77 of B, once more frame 67 of A")
    assert sum(each.text.endswith(" of B") and ": frame 8" in each.text for each in finding.evidence) == 5
    assert finding.spans[0] == (0.1, 10.0) and (1.4, 10.0) in finding.spans


def test_a_double_whose_first_is_not_known_names_none():
    path = replace(PATH, b=replace(HERE, doubled=1, doubled_frame=51, doubled_s=1.0, doubled_other=0))
    assert find(facts(path)).evidence[0].text.endswith(": 1 more; first frame 51 of B")


@pytest.mark.parametrize(("name", "least"), [("reordered", 3), ("doubled", 3)])
def test_how_many_are_too_many_is_the_sheets_to_say(name, least):
    from preflight.rig.sheet import Sheet

    sheet = Sheet("x", limits={"between-order": {name: least}})
    for count, outcome in ((least - 1, "pass"), (least, "caution")):
        path = replace(PATH, reordered=count, b=replace(HERE, doubled=count))
        other = "doubled" if name == "reordered" else "reordered"
        only = replace(path, reordered=0) if other == "reordered" else replace(path, b=HERE)
        assert find(replace(facts(only), sheet=sheet)).outcome == outcome
