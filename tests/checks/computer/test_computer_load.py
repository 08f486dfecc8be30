"""Head-room of processor, memory and disk."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Load
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("computer-load")


EASY = Load(10.0, 100.0, 1.0, 16 * 10**9, 8 * 10**9, 500 * 10**9, 100 * 10**9)


def loaded(after: dict | None = None, **changes) -> Facts:
    """20 s on two cores later: 8 s busy, 6 s of them by preflight itself; changed by `after`."""
    before = replace(EASY, **changes)
    later = None
    if after is not None:
        times = {} if before.busy_s is None else {"busy_s": 18.0, "total_s": 140.0, "own_s": 7.0}
        later = replace(desk().host, load=replace(before, **{**times, **after}))
    return Facts(host=replace(desk().host, load=before), host_after=later)


@pytest.mark.parametrize(
    ("facts", "outcome", "says"),
    [
        (loaded({}), Outcome.PASS, "processor 5 % busy, 50 % of the memory and 100 GB"),
        (loaded({"busy_s": 50.0}), Outcome.CAUTION, "85 % busy"),
        (loaded({"busy_s": 50.0, "own_s": 31.0}), Outcome.PASS, "25 % busy"),
        (loaded({"memory_free_bytes": 10**9}), Outcome.CAUTION, "6 % of the memory"),
        (loaded({"memory_free_bytes": 10**8}), Outcome.FAIL, "of the memory"),
        (loaded({"disk_free_bytes": 4 * 10**9}), Outcome.CAUTION, "4.0 GB"),
        (loaded({"disk_free_bytes": 0}), Outcome.FAIL, "0.0 GB"),
        (loaded(), Outcome.UNPROVEN, "the processor has"),
        (loaded({"total_s": 100.0}), Outcome.UNPROVEN, "processor"),
        (loaded({}, busy_s=None, memory_bytes=None), Outcome.UNPROVEN, "processor and the memory have"),
        (Facts(host=replace(desk().host, load=Load())), Outcome.UNPROVEN, "disk"),
    ],
)
def test_load(facts, outcome, says):
    finding = judge(facts)
    assert (
        finding.outcome is outcome and says in finding.headline and bool(finding.fixes) == (outcome != "pass")
    )


GB = 10**9


@pytest.mark.parametrize(
    ("after", "outcome"),
    [
        ({"memory_free_bytes": 1.6 * GB}, Outcome.PASS),
        ({"memory_free_bytes": 1.59 * GB}, Outcome.CAUTION),
        ({"memory_free_bytes": 0.48 * GB}, Outcome.CAUTION),
        ({"memory_free_bytes": 0.479 * GB}, Outcome.FAIL),
        ({"disk_free_bytes": 5 * GB}, Outcome.PASS),
        ({"disk_free_bytes": 4.99 * GB}, Outcome.CAUTION),
        ({"disk_free_bytes": 1 * GB}, Outcome.CAUTION),
        ({"disk_free_bytes": 0.99 * GB}, Outcome.FAIL),
        ({"busy_s": 47.9}, Outcome.PASS),
        ({"busy_s": 48.0}, Outcome.CAUTION),
    ],
)
def test_each_limit_from_both_sides(after, outcome):
    assert judge(loaded(after)).outcome is outcome


@pytest.mark.parametrize(
    ("after", "step"),
    [
        ({"memory_free_bytes": GB}, "Close programs"),
        ({"disk_free_bytes": GB}, "Make room"),
        ({"busy_s": 50.0}, "Close programs"),
    ],
)
def test_each_trouble_has_its_step(after, step):
    fixes = judge(loaded(after)).fixes
    assert len(fixes) == 2 and step in fixes[0]


@pytest.mark.parametrize("name", ["busy_s", "total_s"])
@pytest.mark.parametrize("when", ["before", "after"])
def test_processor_times_that_are_not_told_prove_nothing(name, when):
    facts = loaded({})
    part = "host" if when == "before" else "host_after"
    host = getattr(facts, part)
    untold = replace(facts, **{part: replace(host, load=replace(host.load, **{name: None}))})
    assert judge(untold).headline == "It is not known how much room the processor has."


@pytest.mark.parametrize(
    ("after", "percent"),
    [
        ({"own_s": 1.0}, 20.0),
        ({"own_s": 0.0}, 20.0),
        ({"own_s": 50.0}, 0.0),
        ({"busy_s": 10.0, "own_s": 1.0}, 0.0),
        ({"busy_s": 60.0, "own_s": 1.0}, 100.0),
        ({"busy_s": 10.35, "own_s": 1.0}, 0.9),
        ({"busy_s": 10.5, "total_s": 101.0, "own_s": 1.0}, 50.0),
        ({"total_s": 99.0}, None),
    ],
)
def test_the_processor_without_this_program(after, percent):
    assert judge(loaded(after)).measured["cpu_percent"] == percent
