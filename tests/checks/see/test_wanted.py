"""What was jumped over while nobody wanted a stream is no loss of it; everything else is."""

import math

import pytest

from preflight.checks.see.streams import all_streams
from preflight.checks.see.wanted import unwanted
from tests.checks.asked import asked
from tests.tally.captures import Timed, mac, rtp, studied
from tests.wire.groups import leave, report

GROUP = "233.252.0.5"


def stream(*gone: tuple[float, float]) -> list[Timed]:
    frames = [(n * 0.004, rtp(5, GROUP, n, samples=192)) for n in range(3000)]
    return [(at, data) for at, data in frames if not any(start < at < end for start, end in gone)]


@pytest.mark.parametrize(
    ("left_s", "joined_s", "lost"),
    [
        (3.0, 4.999, 0),
        (2.5, 4.999, 0),  # the switch asked first whether another is there
        (3.1, 4.999, 0),
        (3.11, 4.999, 499),  # it stopped before
        (3.0, 5.1, 0),
        (3.0, 5.11, 499),  # it came back before
        (3.0, None, 499),
        (None, 4.999, 499),
    ],
)
def test_only_what_lies_between_a_leave_and_the_next_join(tmp_path, left_s, joined_s, lost):
    said = [(left_s, leave(9, GROUP))] if left_s else []
    said += [(joined_s, report(9, GROUP))] if joined_s else []
    ((found, _),) = all_streams(studied(tmp_path, stream((3.0, 5.0)), said))
    assert found.lost == lost and found.received == 3000 - 499


def test_another_loss_stays(tmp_path):
    said = [(3.0, leave(9, GROUP)), (4.999, report(9, GROUP))]
    ((found, _),) = all_streams(studied(tmp_path, stream((3.0, 5.0), (8.0, 8.1)), said))
    assert (found.lost, found.losses, found.longest_loss, len(found.first_losses)) == (24, 1, 24, 1)
    assert found.longest_wait_s == pytest.approx(0.1) and found.longest_wait_at_s == pytest.approx(8.1)
    assert found.longest_loss_s == pytest.approx(8.1) and found.longest_loss_frame == found.longest_wait_frame
    assert asked("stream-health")(studied(tmp_path, stream((3.0, 5.0)), said)).outcome == "pass"


def test_a_group_is_wanted_while_it_has_a_member(tmp_path):
    said = [(1.0, report(9, GROUP)), (1.1, report(8, GROUP)), (2.0, leave(9, GROUP)), (3.0, leave(8, GROUP))]
    facts = studied(tmp_path, stream(), [*said, (4.0, report(9, GROUP)), (5.0, leave(9, GROUP))])
    first, last = unwanted(facts)[GROUP]
    assert first == pytest.approx((3.0, 4.0)) and last == (pytest.approx(5.0), math.inf)


def test_a_receiver_that_takes_a_sender_off_and_on_is_no_worn_cable(tmp_path):
    said = [(at, leave(9, GROUP)) for at in (3.0, 7.0)] + [(at, report(9, GROUP)) for at in (4.99, 7.99)]
    gone = stream((3.0, 5.0), (7.0, 8.0))
    assert asked("falls-silent")(studied(tmp_path, gone, said)).outcome == "pass"
    assert asked("falls-silent")(studied(tmp_path, gone)).culprits == (mac(5),)
