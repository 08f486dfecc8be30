"""Who is hit tells where to look."""

import pytest

from preflight.checks.say import who
from preflight.checks.see.worn import where
from tests.tally.captures import mac

ONE, TWO, THREE, FOUR = (mac(n) for n in range(1, 5))


@pytest.mark.parametrize(
    ("hit", "heard", "words"),
    [
        ([ONE], [ONE, TWO], f"Only {who(ONE)} loses: swap its cable, then its switch port."),
        ([ONE, ONE], [ONE, ONE, TWO], f"Only {who(ONE)} loses: swap its cable, then its switch port."),
        ([ONE, TWO], [ONE, TWO, THREE], "2 senders lose, and 1 does not: look at what the 2 share, a switch and its cable."),
        ([ONE, TWO], [ONE, TWO, THREE, FOUR], "2 senders lose, and 2 do not: look at what the 2 share, a switch and its cable."),
        ([ONE, TWO], [ONE, TWO], "All senders lose: look at the cable between the switches, and at this computer's."),
        ([ONE], [ONE], None),
        ([ONE], [ONE, ""], None),
    ],
)  # fmt: skip
def test_who_is_hit_tells_where_to_look(hit, heard, words):
    assert where(hit, heard, ("loses", "lose")) == words
