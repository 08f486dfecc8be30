"""What a judge says: fixes and cautions are the check's own unless it gives others, none among them."""

import pytest

from preflight.checks.finding import Evidence, Outcome
from preflight.checks.says import Saw, caution, fail, passed, trouble, unproven

NOTE = Evidence("seen")


def test_each_word_has_its_outcome_and_its_own_steps():
    assert fail("x", [NOTE]) == Saw(Outcome.FAIL, "x", (NOTE,))
    assert caution("x", culprits=iter(["a"]), spans=[(1, 2)], at=" at 1 s") == Saw(
        Outcome.CAUTION, "x", culprits=("a",), spans=((1, 2),), at=" at 1 s"
    )
    assert passed("x", [NOTE]) == Saw(Outcome.PASS, "x", (NOTE,), fixes=(), cautions=())


@pytest.mark.parametrize("given", [[], ["do this"]])
def test_those_that_are_given_take_the_place_of_the_checks(given):
    saw = trouble(Outcome.FAIL, "x", fixes=given, cautions=given)
    assert saw.fixes == saw.cautions == tuple(given)
    assert unproven("x", fixes=given) == Saw(Outcome.UNPROVEN, "x", fixes=tuple(given), cautions=())
    assert unproven("x").fixes is None and unproven("x", cautions=given).cautions == tuple(given)
