"""What is measured between two looks, and that it adds up whatever interrupts it."""

from functools import reduce
from itertools import pairwise
from operator import add
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.facts import Facts
from preflight.host.facts import Counters, HostFacts
from preflight.live.log import Log
from preflight.soak.course import Course, Heard, downs, rises
from preflight.soak.facts import NS, Figures
from tests.checks.asked import asked
from tests.host.trees import Tree
from tests.soak.soaks import ADAPTER, BEGUN, HOST, PLAN, entry, host, soak

small = st.integers(0, 5)
# One second of a computer's life: frames, errors, link changes (up and down), the speed, the heat.
seconds = st.lists(
    st.tuples(small, small, small, st.sampled_from([10, 100, 1000]), st.sampled_from([None, 40.0, 71.5])),
    min_size=1,
    max_size=30,
)


def lives(steps) -> list[HostFacts]:
    """The computer at the beginning and after each second."""
    frames = errors = changes = 0
    looks = [host(rx_frames=0, rx_errors=0, carrier_changes=0)]
    for more, broken, flips, speed, heat in steps:
        frames, errors, changes = frames + more, errors + broken, changes + 2 * flips
        looks.append(
            host(
                rx_frames=frames,
                rx_errors=errors,
                carrier_changes=changes,
                speed_mbps=speed,
                temperature_c=heat,
            )
        )
    return looks


def run(looks: list[HostFacts], commits: set[int], begun: int = 0) -> list[Figures]:
    """One run over these looks, a second apart; its figures by commit."""
    course = Course("eth0", looks[0], 0)
    taken = []
    for at, look in enumerate(looks[1:], 1):
        course.tick(at * NS)
        course.look(look)
        course.heard(Heard(frames=3 * at))
        if begun + at in commits:
            taken.append(course.take())
    taken.append(course.take())
    assert reduce(add, taken) == course.total == course.so_far
    return taken


@settings(max_examples=60, deadline=None)
@given(steps=seconds, stops=st.sets(st.integers(1, 29)), commits=st.sets(st.integers(1, 29)))
def test_interrupted_and_resumed_anywhere_it_adds_up_to_the_same(steps, stops, commits) -> None:
    looks = lives(steps)
    whole = reduce(add, run(looks, set()))
    cuts = [0, *sorted(stop for stop in stops if stop < len(steps)), len(steps)]
    parts = [run(looks[start : end + 1], commits, start) for start, end in pairwise(cuts)]
    with TemporaryDirectory() as folder, Log(Path(folder) / "soak.db", write=True) as log:
        number, in_log = log.begin(PLAN, "", BEGUN)
        for part in parts:
            total = Figures()
            for figures in part:
                total += figures
                log.add(number, in_log, entry(figures, total), "stopped")
            if part is not parts[-1]:
                in_log = log.resume(number, PLAN.hardware, "", BEGUN)
        facts = log.soak(number).facts
        assert facts.figures == whole
        assert reduce(add, (figures for _, figures in log.samples(number))) == whole
        assert reduce(add, (figures for _, figures in facts.by_hour)) == whole
    assert whole.watched_ns == len(steps) * NS and whole.frames == 3 * len(steps)
    assert whole.downs == sum(step[2] for step in steps)


def test_what_nobody_watched_is_not_counted() -> None:
    course = Course("eth0", HOST, 0)
    assert course.tick(1 * NS) == 0
    assert course.tick(61 * NS) == 60 * NS
    assert course.tick(62 * NS) == 0
    assert course.take().watched_ns == 2 * NS


def test_a_link_that_is_down_at_a_look_is_counted_with_the_time_that_it_was_down() -> None:
    course = Course("eth0", HOST, 0)
    course.look(host(carrier=False, carrier_changes=3))
    for at in (1, 2, 3):
        course.tick(at * NS)
    course.look(host(carrier_changes=4, speed_mbps=100))
    course.tick(4 * NS)
    figures = course.take()
    assert (figures.downs, figures.down_ns, figures.changes) == (1, 3 * NS, 1)
    assert (figures.slowest_mbps, figures.fastest_mbps) == (100, 1000)


def test_a_link_that_falls_to_another_speed_and_heats_up_is_read_from_the_systems_own_files(
    tmp_path: Path,
) -> None:
    tree = Tree(tmp_path)
    tree.add("eth0", {"carrier": 1, "speed": 1000, "duplex": "full", "carrier_changes": 2})
    course = Course("eth0", tree.read(), 0)
    tree.write("sys/class/net/eth0/speed", 100)
    tree.write("sys/class/net/eth0/carrier_changes", 4)
    tree.write("sys/devices/pci-eth0/hwmon/hwmon0/temp1_input", 91500)
    course.look(tree.read())
    figures = course.take()
    assert (figures.downs, figures.changes, figures.slowest_mbps, figures.adapter_c) == (1, 1, 100, 91.5)
    finding = asked("link-steady")(Facts(soak=soak(figures)))
    assert (
        finding is not None
        and "went down once" in finding.headline
        and "100 and at 1000 Mb/s" in finding.headline
    )


def test_an_adapter_that_is_unplugged_and_comes_back_begins_its_counts_anew() -> None:
    course = Course("eth0", host(rx_errors=7), 0)
    course.look(HostFacts("Linux"))
    course.look(host(rx_errors=2))
    course.look(host(rx_errors=3))
    figures = course.take()
    assert (figures.downs, figures.rises.rx_errors) == (1, 1)
    assert rises(Counters(rx_errors=7), Counters(rx_errors=2)).rx_errors == 2


@pytest.mark.parametrize(
    ("before", "after", "times"),
    [
        ({"carrier_changes": 2}, {"carrier_changes": 2}, 0),
        ({"carrier_changes": 2}, {"carrier_changes": 4}, 1),
        ({"carrier_changes": 2}, {"carrier_changes": 8}, 3),
        ({"carrier_changes": 2}, {"carrier_changes": 3, "carrier": False}, 1),
        ({"carrier_changes": 2}, {"carrier_changes": 5, "carrier": False}, 2),
        ({"carrier_changes": 3, "carrier": False}, {"carrier_changes": 4}, 0),
        ({"carrier_changes": 3, "carrier": False}, {"carrier_changes": 6}, 1),
        ({"carrier_changes": None}, {"carrier_changes": None, "carrier": False}, 1),
        ({"carrier_changes": 9}, {"carrier_changes": 1}, 0),
        ({}, {"enabled": False}, 1),
    ],
)
def test_how_often_the_link_went_down(before, after, times) -> None:
    assert downs(host(**before).adapter("eth0"), host(**after).adapter("eth0")) == times


def test_broken_frames_are_not_counted_under_two_names() -> None:
    assert Figures(rises=Counters(rx_errors=5, rx_crc_errors=5)).broken == 5
    assert Figures(rises=Counters(rx_crc_errors=2, late_collisions=1)).broken == 3
    assert Figures(rises=ADAPTER.counters).broken == 7
    assert Figures(rises=Counters(rx_frames=9)).broken is None
