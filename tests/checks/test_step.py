"""Steps: when each may be done, whom to tell, and none that the switches of the rig cannot do."""

import pickle
import re
import sys
from collections.abc import Iterator

import pytest

from preflight.checks import all_checks
from preflight.checks.cautions import CAN_STOP_ALL, MUTE_FIRST, TELL_FIRST
from preflight.checks.rule import AGAIN, Check
from preflight.checks.step import (
    Step,
    When,
    before_doors,
    care,
    fitting,
    in_a_break,
    managed,
    now,
    steps,
    unmanaged,
)
from preflight.rig.sheet import Sheet, Switch

PLAIN, SET = Switch("a", 8, managed=False), Switch("b", 8, managed=True)
UNMANAGED, MANAGED = Sheet("x", switch=(PLAIN,)), Sheet("x", switch=(SET,))
ONLY_MANAGED = re.compile(
    r"address table|error counters|edge port|own queue|trust DSCP|access \(untagged\)|RA guard"
    r"|(?i:turn .{0,40}(snooping|querier|spanning tree) on|querier on in|in every switch of it|of the switch port to)"
)


def told_by(check: Check, module: object) -> Iterator[tuple[Step, ...]]:
    """The steps of a check, and those that it gives in some cases."""
    yield check.steps
    for value in vars(module).values():
        texts = value if isinstance(value, tuple) and all(isinstance(each, str) for each in value) else ()
        if any(isinstance(each, Step) for each in texts):
            yield steps(texts, check.when)


EVERY = [
    pytest.param(check, several, id=f"{check.name}-{number}")
    for check, judge in all_checks()
    for number, several in enumerate(told_by(check, sys.modules[judge.__module__]))
    if several
]


@pytest.mark.parametrize("several", [pytest.param(each.values[1], id=each.id) for each in EVERY])
def test_nothing_is_asked_of_an_unmanaged_switch_that_it_cannot_do(several):
    here = fitting(several, UNMANAGED)
    assert not [step for step in here if ONLY_MANAGED.search(step) and "Are others managed?" not in step]
    assert [step for step in here if step != AGAIN], "something can be done"
    assert [step for step in fitting(several, MANAGED) if step != AGAIN]


@pytest.mark.parametrize(("check", "several"), EVERY)
def test_who_touches_a_cable_or_a_setting_is_told_to_mute(check, several):
    """What is unplugged, plugged in, swapped, set or restarted, in a show."""
    touches = re.compile(
        r"\b(unplug|re-plug|plug (it|the|this)|pull one|swap its|swap the|replace|restart|set (the|its|any|up|every)|give (the|each|one))\b",
        re.IGNORECASE,
    )
    touching = [step for step in several if step.when != When.PLANNING and touches.search(step)]
    computers_own = (
        "computer-power",
        "computer-load",
        "capture-quality",
    )  # no cable of the audio, and no setting of it
    if touching and check.name not in computers_own:
        assert MUTE_FIRST in (*check.cautions, *care(several)), touching


def test_a_clock_a_tree_and_multicast_are_left_alone_until_all_is_silent():
    everything = [step for _, several in (each.values for each in EVERY) for step in several]
    stops_all = [
        s
        for s in everything
        if re.search(r"priority1|querier (on|off)|IGMP snooping: on|spanning tree \(R", s)
    ]
    assert len(stops_all) > 5 and {step.when for step in stops_all} == {When.DOORS}


def test_no_second_cable_is_advised_without_a_tree():
    """Words that speak of one forbid it, look for one that is too much, or stand where the sheet tells of a
    tree."""
    words = {step for _, several in (each.values for each in EVERY) for step in several}
    of_two = [step for step in words if re.search(r"(second|spare|another) (plain )?cable", step)]
    harmless = re.compile(
        r"plain cable is a loop|leave it unplugged|try another cable|with another cable|No spare cable"
    )
    assert of_two and not [step for step in of_two if not harmless.search(step)]


def test_when_it_may_be_done_stands_before_it_and_what_follows_is_told_once():
    swap, lead, look = in_a_break("Swap it."), before_doors("Set it."), now("Look.")
    assert [step.marked for step in (swap, lead, look)] == [
        "in a break: Swap it.",
        "before doors: Set it.",
        "now: Look.",
    ]
    assert Step("Plan it.", When.PLANNING).marked == "Plan it."
    assert care([look]) == () and care([look, swap]) == (MUTE_FIRST, TELL_FIRST)
    assert care([swap, lead]) == (MUTE_FIRST, TELL_FIRST, CAN_STOP_ALL)
    assert swap.when.tell == lead.when.tell == ("monitors", "stage") and look.when.tell == ()


def test_a_step_is_for_the_switches_of_the_rig():
    table, cables, both = managed(now("Look it up.")), unmanaged(now("IGMP is off.")), now("Listen.")
    several = (table, cables, both)
    assert fitting(several, MANAGED) == ("Look it up.", "Listen.")
    assert fitting(several, UNMANAGED) == ("IGMP is off.", "Listen.")
    either = ("On a managed switch: look it up.", "On an unmanaged switch: IGMP is off.", "Listen.")
    unknown = Switch("c", 8)
    for sheet in (
        None,
        Sheet("x"),
        *(Sheet("x", switch=s) for s in ((unknown,), (SET, PLAIN), (SET, unknown))),
    ):
        assert fitting(several, sheet) == either
    assert {step.when for step in fitting(several, None)} == {When.NOW}


def test_a_step_goes_to_another_process_whole():
    again = pickle.loads(pickle.dumps(managed(in_a_break("Swap it."))))
    assert (again, again.when, again.on) == ("Swap it.", When.BREAK, "managed")
