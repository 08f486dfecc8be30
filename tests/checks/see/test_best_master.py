"""The data set comparison, worked from the order of IEEE 1588-2008 figure 27."""

from dataclasses import replace
from itertools import permutations

import pytest

from preflight.checks.see.best_master import best, grandmaster, hardware_of, leader, reason
from preflight.tally.facts import ClockPort

A = ClockPort(
    "Ethernet", 2, 0, 0, "Announce", "0a", 1, "", 4, 1, 0.0, 3.0, 1.0, 0.0, 0, False,
    grandmaster="0a", priority1=128, clock_class=248, accuracy=0x25, variance=0x4E5D, priority2=128,
)  # fmt: skip
B = replace(A, clock="0b", grandmaster="0b")


@pytest.mark.parametrize(
    ("a", "b"),
    [  # a wins, though b is better in all that comes later
        ({"priority1": 1}, {"clock_class": 6, "accuracy": 0x20, "variance": 1, "priority2": 0}),
        ({"clock_class": 6}, {"accuracy": 0x20, "variance": 1, "priority2": 0}),
        ({"accuracy": 0x21}, {"variance": 1, "priority2": 0}),
        ({"variance": 0x4E5C}, {"priority2": 0}),
        ({"priority2": 127}, {"steps_removed": 0}),
        ({}, {}),  # the lower identity
    ],
)
def test_figure_27_in_its_order(a, b):
    winner, loser = replace(A, steps_removed=9, **a), replace(B, **b)
    if a:  # the identity comes last: it does not help the loser
        winner, loser = (
            replace(winner, grandmaster="0c", clock="0c"),
            replace(loser, grandmaster="01", clock="01"),
        )
    assert best((winner, loser)) is winner and best((loser, winner)) is winner


def test_the_best_of_several_in_any_order():
    third = replace(B, grandmaster="03", clock="03", priority1=100)
    assert all(best(some) is third for some in permutations((A, B, third)))


def test_the_reason_names_the_field_that_decides():
    assert reason(replace(A, priority1=90), B) == "priority1 90 against 128"
    assert reason(A, B) == "identity 0a against 0b"
    assert reason(A, A) == "the same in all"


@pytest.mark.parametrize(
    ("identity", "hardware"),
    [
        ("00005efffe005301", "00:00:5e:00:53:01"),
        ("00005efffe00530", ""),
        ("00005efffe0053011", ""),
        ("00005effff005301", ""),
        ("", ""),
    ],
)
def test_the_hardware_address_that_an_identity_was_made_of(identity, hardware):
    assert hardware_of(identity) == hardware


def test_a_clock_whose_grandmaster_was_cut_off_or_not_told_is_taken_for_its_own():
    assert grandmaster(A) == "0a" and grandmaster(replace(A, grandmaster="0c")) == "0c"
    assert grandmaster(replace(A, grandmaster="0000")) == grandmaster(replace(A, grandmaster="")) == "0a"


def test_who_announced_last_leads_by_the_nearest_way_and_the_first_of_these():
    later = replace(B, last_s=4.0)
    assert leader((A, later)) is leader((later, A)) is later
    passed_on = replace(A, clock="0d", grandmaster="0b", last_s=5.0, steps_removed=1)
    assert leader((A, later, passed_on)) is later
    twin = replace(passed_on, clock="0e", last_s=3.0, first_s=-1.0)
    assert leader((A, passed_on, twin)) is twin
