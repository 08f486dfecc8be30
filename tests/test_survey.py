"""Where the frames were taken: told by what they show, and unknown where they do not tell."""

from preflight.study import study
from preflight.wire.arp import ArpMessage
from tests.tally.captures import arp, every, mac, mirrored, rtp, studied, udp, write_with_direction


def talk(one: int, other: int, frames: int = 5):
    """So many unicast frames each way."""
    return [
        (at + way / 100, udp(a, f"192.0.2.{b}", 7000, b"%d" % at, mac(b)))
        for at in range(frames)
        for way, (a, b) in enumerate([(one, other), (other, one)])
    ]


def announcements(count: int):
    return every(0.1, lambda n: arp(3, n), 0.05, count / 10)


def test_unicast_of_one_station_with_several_is_an_access_port(tmp_path):
    assert studied(tmp_path, talk(1, 2), talk(1, 3), announcements(30)).vantage == "access port"


def test_who_never_answers_or_is_never_answered_tells_no_port(tmp_path):
    """What goes to a silent device is flooded to every port; what a device sends to silent ones is, too."""

    def sends(one: int, other: int):
        return [
            (at + one / 100, udp(one, f"192.0.2.{other}", 7000, b"%d" % at, mac(other))) for at in range(9)
        ]

    assert studied(tmp_path, sends(1, 9), sends(2, 9)).vantage == "unknown"
    assert studied(tmp_path, sends(9, 1), sends(9, 2)).vantage == "unknown"
    assert studied(tmp_path, sends(9, 1), sends(2, 9)).vantage == "access port"


def test_unicast_between_many_pairs_is_a_mirror(tmp_path):
    assert studied(tmp_path, talk(1, 2), talk(3, 4), talk(5, 6)).vantage == "mirror"


def test_every_frame_twice_is_a_mirror(tmp_path):
    facts = studied(tmp_path, mirrored(every(0.02, lambda n: rtp(1, "233.252.0.1", n), 0, 0.4)))
    assert facts.vantage == "mirror"


def test_too_little_tells_nothing(tmp_path):
    assert studied(tmp_path).vantage == "unknown"
    assert studied(tmp_path, announcements(30)).vantage == "unknown"
    assert (
        studied(tmp_path, talk(1, 2)).vantage == "unknown"
    )  # one pair: of one station's port, or of a mirror
    assert studied(tmp_path, talk(1, 2), talk(3, 4)).vantage == "unknown"  # two: may be flooded
    assert studied(tmp_path, mirrored(announcements(19))).vantage == "unknown"
    assert studied(tmp_path, talk(1, 2, 1), talk(3, 4, 1), talk(5, 6, 1)).vantage == "unknown"


def test_own_frames_that_come_back_make_no_mirror(tmp_path):
    frames = [(n * 0.1 + later, arp(1, n), not later) for n in range(30) for later in (0, 0.001)]
    assert study(str(write_with_direction(tmp_path / "own.pcapng", frames))).vantage == "unknown"


def test_a_flood_of_control_frames_is_dissected_only_so_far(tmp_path):
    """64 of a kind from one sender, however many there are; another sender's are still read."""
    facts = studied(tmp_path, every(0.001, lambda n: arp(1, n % 200), 0, 0.5), [(0.6, arp(2, 1))])
    heard = facts.heard(ArpMessage)
    assert len(heard) == 64 + 1
    assert heard[-1].seen.src == mac(2) and heard[-1].seen.frame == 501
