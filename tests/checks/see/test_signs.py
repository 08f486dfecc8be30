"""Signs add up: below the one sum nothing is proven, from it on it cautions, from the other on it fails."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.see.signs import Sign, of_flows, of_message, weighed
from preflight.wire.picked import Seen
from tests.checks.flows import FLOW
from tests.tally.captures import mac

LIMITS = {"caution": 2, "fail": 4, "light": 1, "heavy": 3}
LIGHT, HEAVY = Sign("light", mac(1), "a hint", 9, 1.0, 2.0), Sign("heavy", mac(2), "a proof", 8, 0.5, 0.7)


def told(*signs: Sign, most=None):
    measured, saw = weighed(list(signs), LIMITS, most or {}, ("This", "joined"), "Nothing of it.")
    return measured.values, saw


@pytest.mark.parametrize(
    ("signs", "points", "outcome"),
    [
        ([], 0, Outcome.UNPROVEN),
        ([LIGHT], 1, Outcome.UNPROVEN),
        ([LIGHT, LIGHT], 2, Outcome.CAUTION),
        ([HEAVY], 3, Outcome.CAUTION),
        ([LIGHT, HEAVY], 4, Outcome.FAIL),
    ],
)
def test_two_sums_decide(signs, points, outcome):
    values, saw = told(*signs)
    assert (values["points"], saw.outcome) == (points, outcome)
    assert values["signs"] == sorted({each.weight for each in signs})


def test_those_of_one_kind_count_up_to_their_most():
    assert told(LIGHT, LIGHT, LIGHT, most={"light": 2})[0]["points"] == 2
    assert told(LIGHT, HEAVY, LIGHT, most={"light": 1})[0]["points"] == 4


def test_the_heaviest_leads_and_says_how_sure_it_is():
    saw = told(LIGHT, HEAVY)[1]
    assert saw.headline == "This is joined: a proof."
    assert [(each.text, each.frame, each.time_s) for each in saw.evidence] == [
        ("a proof", 8, 0.5),
        ("a hint", 9, 1.0),
    ]
    assert saw.culprits == (mac(2), mac(1)) and saw.spans == ((0.5, 2.0),)
    assert told(HEAVY)[1].headline == "This may be joined: a proof."
    assert told(LIGHT)[1].headline == "Nothing of it."


def test_what_this_computer_says_of_itself_has_no_time_and_what_is_nobodys_no_culprit():
    saw = told(Sign("heavy", "", "a name"))[1]
    assert saw.culprits == () and saw.spans == ()
    assert told(Sign("heavy", "", "a name"), replace(LIGHT, first_s=3.0, last_s=3.0))[1].spans == (
        (3.0, 3.0),
    )


def test_twelve_are_shown_and_sixteen_named():
    many = [Sign("light", mac(n), f"hint {n}", n) for n in range(20)]
    saw = told(*many, *many)[1]
    assert len(saw.evidence) == 12 and saw.culprits == tuple(mac(n) for n in range(16))


def test_where_a_sign_was_seen():
    late, soon = (
        replace(FLOW, first_frame=9, first_s=2.0, last_s=2.5),
        replace(FLOW, first_frame=4, last_s=1.0),
    )
    assert of_flows("light", "two", late, soon) == Sign("light", mac(5), "two", 4, 0.0, 2.5)
    seen = Seen(7, 1.5, mac(3), mac(4), False)
    assert of_message("light", "one", seen) == Sign("light", mac(3), "one", 7, 1.5, 1.5)
    assert of_message("light", "one", seen, mac(9)).device == mac(9)
