"""What a check is judged by: its limits with their units, and what the rig sheet sets instead."""

import pytest

from preflight.checks import all_checks
from preflight.checks.rule import Limit, values

MOST, BY_SHEET = Limit("most", 8500, "frames", "common practice"), Limit("box", None, "boxes", "the maker")


@pytest.mark.parametrize(
    ("own", "told"),
    [({}, {"most": 8500}), ({"most": 0}, {"most": 0}), ({"box": 16, "other": 1}, {"most": 8500, "box": 16})],
)
def test_the_sheet_goes_before_and_what_neither_tells_is_left_out(own, told):
    assert values((MOST, BY_SHEET), own) == told


def test_a_limit_is_shown_with_its_unit():
    assert (MOST.shown, BY_SHEET.shown) == ("8500 frames", "boxes, by the rig sheet")


def test_no_caution_of_a_check_is_told_twice():
    for check, _ in all_checks():
        assert len(set(check.cautions)) == len(check.cautions), check.name
