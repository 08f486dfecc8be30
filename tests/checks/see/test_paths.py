"""Flows of two captures: which are judged, what a stream is, whose end is nearer, and the words for what is
missing."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Evidence
from preflight.checks.say import who
from preflight.checks.see.paths import (
    called,
    ends,
    gap_evidence,
    is_stream,
    judged_paths,
    pair_of,
    until_s,
    where,
)
from tests.checks.between.cases import END, HERE, LONE, PATH, TOLD, dropped, gone

PLAIN = replace(PATH, rtp=False)


def judged(*paths, **more):
    return judged_paths(replace(TOLD, paths=paths, **more))


def test_what_a_snooping_switch_holds_back_is_not_judged():
    assert judged(PATH, replace(PATH, protocol=2)) == [PATH]


@pytest.mark.parametrize(("matched", "only", "cast", "is_judged"), [(50, 50, "unicast", True), (49, 51, "unicast", False), (49, 51, "multicast", True)])  # fmt: skip
def test_one_that_is_only_flooded_this_way_now_and_then_is_not(matched, only, cast, is_judged):
    path = replace(PATH, matched=matched, cast=cast, a=replace(HERE, only=only))
    assert bool(judged(path)) is is_judged


def test_by_the_end_that_is_nearer_to_its_sender():
    """What only the other end has, was not sent by here."""
    path = replace(PATH, cast="unicast", matched=49, way="B to A", a=replace(HERE, only=51))
    assert judged(path) == [path]
    assert judged(replace(path, b=path.a, a=HERE)) == []


@pytest.mark.parametrize(
    ("way", "at_a", "at_b", "lost_by_a", "turned"),
    [
        (None, 0, 3, 0, True),
        (None, 0, 1, 0, True),
        (None, 0, 0, 0, False),
        (None, 1, 3, 0, False),
        (None, 0, 3, None, False),
        (None, 0, 3, 1, False),
        ("A to B", 0, 3, 0, False),
    ],
)
def test_where_only_a_lacks_frames_and_dropped_none_they_were_lost_on_the_way_to_it(
    way, at_a, at_b, lost_by_a, turned
):
    path = replace(PATH, way=way, a=replace(HERE, only=at_a), b=replace(HERE, only=at_b))
    [told] = judged(path, a=dropped(END, lost_by_a))
    assert told == (replace(path, way="B to A") if turned else path)


def test_streams_are_rtp_and_multicast_of_a_hundred_frames():
    assert is_stream(replace(PATH, matched=1)) and pair_of(replace(TOLD, paths=(PATH, PLAIN))) == [PATH]
    assert is_stream(replace(PLAIN, matched=100)) and not is_stream(replace(PLAIN, matched=99))
    assert not is_stream(replace(PLAIN, cast="unicast", matched=100))


def test_the_end_nearer_to_the_sender_comes_first():
    a, b = ("A", TOLD.a), ("B", TOLD.b)
    assert ends(TOLD, PATH) == ends(TOLD, replace(PATH, way=None)) == (a, b)
    assert ends(TOLD, replace(PATH, way="B to A")) == (b, a)
    assert until_s(replace(TOLD, b=replace(END, last_s=7.0))) == 7.0
    assert until_s(replace(TOLD, b=replace(END, last_s=12.0))) == 10.0


def test_a_flow_in_a_sentence():
    sender = who(PATH.source, "192.0.2.5")
    assert called(PATH) == f"the stream to 233.252.0.1 port 5004 from {sender}"
    assert called(PLAIN) == f"UDP port 5004 to 233.252.0.1 from {sender}"
    ethernet = replace(PLAIN, protocol=None, ethertype=0x88B5, source_ip="")
    assert called(ethernet) == (
        f"local experimental EtherType 0x88b5 to 01:00:5e:7c:00:01 from {who(PATH.source)}"
    )
    assert called(replace(ethernet, destination="")) == (
        f"local experimental EtherType 0x88b5 from {who(PATH.source)}"
    )
    assert called(LONE) == f"the stream to 233.252.0.2 port 5004 from {who(LONE.source, '192.0.2.6')}"


def test_a_run_of_frames_that_one_end_lacks():
    [one], [three] = gone(1).gaps, gone(3).gaps
    assert where(one, "A", "B") == "frame 201 of A: missing between frames 190 and 191 of B"
    assert where(three, "B", "A") == "frame 201 of B and 2 after it: missing between frames 190 and 191 of A"


def test_what_an_end_lacks_in_all_and_its_first_runs():
    [gap] = gone(3).gaps
    later = replace(gap, at_s=5.0)
    told = gap_evidence(PATH, replace(gone(3), gaps=(gap, gap, later)), "A", "B")
    stream = called(PATH)
    assert told[0] == Evidence(f"{stream}: 3 of 1003 frames, 3 of them in a row", None, 2.0)
    assert told[1:] == [Evidence(where(gap, "A", "B"), None, 2.0)] * 2
    assert len(gap_evidence(PATH, replace(gone(3), gaps=(gap, gap, gap)), "A", "B", few=1)) == 2


@pytest.mark.parametrize(
    ("longest", "alike", "ends_with"),
    [
        (1, 0, "2 of 1002 frames"),
        (2, 0, "2 of 1002 frames, 2 of them in a row"),
        (
            1,
            1,
            "2 of 1002 frames (1 of them have a content that repeats: how many is sure, which ones is not)",
        ),
    ],
)
def test_how_they_lie_and_whether_they_can_be_told_apart(longest, alike, ends_with):
    lacking = replace(HERE, only=2, longest=longest, alike=alike)
    [told] = gap_evidence(PATH, lacking, "A", "B")
    assert told == Evidence(f"{called(PATH)}: {ends_with}", None, None)
