"""The ring at full rate: nothing is lost, little is taken, memory stays. `python -m tests.lab rate` tells
more figures."""

from tests.lab.flood import flood
from tests.lab.rig import Rig


def test_no_frame_is_lost_at_the_senders_top_speed_and_memory_stays(rig: Rig) -> None:
    heard = flood(rig, 3_000_000)
    assert heard.sent == 3_000_000 <= heard.heard, heard  # and what the kernel says by itself
    assert heard.dropped == 0, heard
    assert heard.rate_fps > 50_000, heard  # a busy machine sends slower; 350 thousand/s on one at rest
    assert heard.late_bytes - heard.early_bytes < 4_000_000, heard


def test_two_hundred_thousand_frames_a_second_take_less_than_a_tenth_of_a_core(rig: Rig) -> None:
    heard = flood(rig, 1_000_000, rate_fps=200_000)
    assert (heard.sent, heard.dropped) == (1_000_000, 0), heard
    assert heard.cpu < 0.1 * max(heard.rate_fps / 200_000, 0.5), heard
