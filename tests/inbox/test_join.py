"""Which files are pieces of one capture: by times and names."""

import pytest

from preflight.inbox.join import GAP_NS, OVERLAP_NS, SURE_GAP_NS, Span, chains

S = 1_000_000_000
AT = 1_795_600_000 * S


def span(name: str, first_s: float | None, last_s: float | None = None) -> Span:
    if first_s is None:
        return Span(name)
    last_s = first_s + 10 if last_s is None else last_s
    return Span(name, AT + int(first_s * S), AT + int(last_s * S))


def test_a_ring_is_one_chain_in_the_order_of_time_whatever_the_order_of_names():
    ring = [span("r_2.pcap", 10.001), span("r_10.pcap", 20.002), span("r_1.pcap", 0)]
    assert chains(ring, sure=True) == [[2, 0, 1]]


def test_two_rings_at_once_stay_apart_by_their_names():
    both = [span("foh_1", 0), span("mon_1", 0.5), span("foh_2", 10.1), span("mon_2", 10.6)]
    assert chains(both, sure=True) == [[0, 2], [1, 3]]
    assert chains(both) == [[0, 2], [1, 3]]


@pytest.mark.parametrize(("sure", "gap_ns"), [(True, SURE_GAP_NS), (False, GAP_NS)])
@pytest.mark.parametrize(("beyond_ns", "one"), [(0, True), (1, False)])
def test_how_long_nothing_may_lie_between(sure, gap_ns, beyond_ns, one):
    first = span("r_1", 0)
    second = Span("r_2", first.last_ns + gap_ns + beyond_ns, first.last_ns + 100 * S)
    assert (len(chains([first, second], sure)) == 1) is one


@pytest.mark.parametrize(("beyond_ns", "one"), [(0, True), (1, False)])
def test_how_far_they_may_overlap(beyond_ns, one):
    first = span("r_1", 0)
    second = Span("r_2", first.last_ns - OVERLAP_NS - beyond_ns, first.last_ns + 100 * S)
    assert (len(chains([first, second])) == 1) is one


def test_other_names_are_joined_only_where_the_user_says_so():
    two = [span("before.pcap", 0), span("after.pcap", 10)]
    assert chains(two, sure=True) == [[0], [1]]
    assert chains(two) == [[0, 1]]


def test_the_same_file_twice_and_files_without_frames_are_joined_with_nothing():
    assert chains([span("r_1", 0, 0), span("r_1", 0, 0)], sure=True) == [[0], [1]]
    assert chains([span("r_1", None), span("r_2", 0), span("r_3", None)]) == [[0], [1], [2]]
