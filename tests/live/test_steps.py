"""What may be done during a show."""

import re

import pytest

from preflight.checks import check_named
from preflight.live.steps import OTHERWISE, STEPS, step


def test_each_step_is_of_a_check_that_the_watch_tells_or_of_the_link():
    for topic in STEPS.keys() - {"link", "silence"}:
        check = check_named(topic)
        assert check is not None and check.watch != "never", topic
    assert step("a check without a step of its own") == OTHERWISE


@pytest.mark.parametrize("topic", STEPS)
def test_no_step_interrupts_what_plays(topic):
    """Nothing is restarted, set anew or changed; what is pushed in or put back may make a noise, so that it
    is muted first."""
    now = STEPS[topic].now
    assert not re.search(r"restart|priorit|(?<!not )change|set ", now, re.IGNORECASE)
    if re.search(r"push|put it back|pull one", now):
        assert re.search(r"mute", now, re.IGNORECASE)
