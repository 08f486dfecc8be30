"""What checks ask of flows: what was cut off, when they send, in which second they send most together."""

from dataclasses import replace

import pytest

from preflight.checks.see.flows import active, busiest_second, hidden, joined, lived, shown
from preflight.tally.facts import Repeats
from tests.checks.flows import FLOW
from tests.tally.captures import broadcast, every, rtp, studied


@pytest.mark.parametrize(("long", "is_hidden"), [(5, False), (6, True)])
def test_more_than_half_of_the_frames_cut_hide_what_tells_them_apart(tmp_path, long, is_hidden):
    frames = [(n / 10, broadcast(5, n, 100 if n < long else 60)) for n in range(10)]
    [flow] = studied(tmp_path, frames, snap=80).tally.flows
    assert hidden(flow) is is_hidden


def test_a_number_that_goes_on_in_what_was_kept_hides_nothing(tmp_path):
    [flow] = studied(tmp_path, every(0.001, lambda n: rtp(5, "233.252.0.9", n), 0, 0.1), snap=80).tally.flows
    assert flow.cut == flow.frames and not hidden(flow)
    assert not hidden(replace(flow, sequence_steps=1)) and hidden(replace(flow, sequence_steps=0))


def at(first_s: float, last_s: float, frames: int, most: int, most_s: float):
    return replace(
        FLOW, first_s=first_s, last_s=last_s, frames=frames, most_in_1s=most, most_in_1s_at_s=most_s
    )


def test_from_the_first_frame_of_any_to_the_last():
    one, other = at(1, 4, 9, 3, 1), at(2, 3, 9, 3, 2)
    assert lived([one, other]) == lived([other, one]) == (1, 4)
    with pytest.raises(ValueError, match="empty"):
        lived([])
    told = shown("it spoke", replace(one, first_frame=7))
    assert (told.text, told.frame, told.time_s) == ("it spoke", 7, 1)


def test_what_goes_round_sends_only_while_it_does():
    round_s = Repeats(1, 9, 9, 1, 2.0, 3.0, 8, 2.5, 2.0, 3.0)
    flow = replace(at(0, 10, 9, 9, 2), bins=2, repeats=round_s)
    assert active(flow) == (2.0, 3.0)
    assert active(replace(flow, repeats=None)) == (0, 10)
    steady = replace(flow, bins=100)
    assert steady.steady and active(steady) == (0, 10)


@pytest.mark.parametrize(
    ("flows", "best"),
    [
        ([], (0.0, 0.0)),
        ([at(2.3, 2.7, 5, 5, 2.0)], (2.0, 5)),
        ([at(0.2, 10.9, 110, 30, 4.0)], (4.0, 30)),
        # Beside what sends ten in each of four seconds: in one of them, and in the one after.
        ([at(0.0, 3.9, 40, 10, 0.0), at(1.5, 1.6, 7, 7, 1.0)], (1.0, 17)),
        ([at(0.0, 3.9, 40, 10, 0.0), at(3.5, 3.6, 7, 7, 3.0)], (3.0, 17)),
        ([at(0.0, 3.9, 40, 10, 0.0), at(4.5, 4.6, 7, 7, 4.0)], (0.0, 10)),
        # A minute's hundred frames, forty of them in the busiest second, are one in each other second.
        ([at(0.0, 60.0, 100, 40, 9.0), at(20.2, 20.8, 40, 40, 20.0)], (20.0, 41)),
        # The first of two that are alike.
        ([at(6.0, 6.5, 9, 9, 6.0), at(2.0, 2.5, 9, 9, 2.0)], (2.0, 9)),
    ],
)
def test_the_second_in_which_most_is_sent_together(flows, best):
    assert busiest_second(flows) == pytest.approx(best)


@pytest.mark.parametrize(
    ("spans", "told"),
    [
        ([], ()),
        ([(2, 3), (0, 1)], ((0, 3),)),
        ([(0, 1), (2.1, 3)], ((0, 1), (2.1, 3))),
        ([(0, 5), (1, 2), (5.5, 6)], ((0, 6),)),
        ([(0, 1), (5, 6), (6.5, 7)], ((0, 1), (5, 7))),
    ],
)
def test_stretches_less_than_a_second_apart_are_one(spans, told):
    assert joined(spans) == told
