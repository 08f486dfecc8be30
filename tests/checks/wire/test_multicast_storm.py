"""The multicast check: floods are told, streams, beats and clocks are not, and cut frames prove nothing."""

import struct
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.say import count_text
from tests.checks.asked import asked
from tests.tally.captures import broadcast, ethernet, every, group_mac, mac, mirrored, rtp, studied, told, udp

judge = asked("multicast-storm")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
SSDP = "239.255.255.250"


def asks(per_s: int, sender: int = 1, start: float = 0.0, end: float = 1.0):
    return every(1 / per_s, lambda n: udp(sender, SSDP, 1900, b"M-SEARCH %d" % n), start, end)


def streams(count: int, period: float = 0.001, end: float = 1.3, first: int = 40):
    return [
        frame
        for s in range(first, first + count)
        for frame in every(period, lambda n, s=s: rtp(s, f"233.252.0.{s}", n, bytes(48)), s * 1e-7, end)
    ]


def raw(sender: int, period: float, start: float, end: float, deep: int = 0):
    """A stream that is not RTP; its counter lies `deep` bytes in."""
    group = f"01:00:5e:90:10:{sender:02x}"
    return every(period, lambda n: ethernet(group, mac(sender), 0x88B6, bytes(deep) + struct.pack(">I", n), 300), start, end)  # fmt: skip


def beat(sender: int, per_s: float, end: float = 2.0):
    return every(1 / per_s, udp(sender, f"233.252.0.{sender}", 6000, b"alive"), sender * 1e-5, end)


def bursts(per_burst: int, sender: int = 1, group: str = "233.252.0.1", times=(0.55, 1.55, 2.55)):
    """So many frames within 40 ms, then silence: neither stream nor beat."""
    return [
        (at + n * 0.04 / per_burst, udp(sender, group, 6001, struct.pack(">I", n)))
        for at in times
        for n in range(per_burst)
    ]


QUIET = [(0.0, udp(30, SSDP, 1900, b"x")), (3.2, udp(30, SSDP, 1900, b"y"))]


# -- floods ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(("count", "outcome"), [(99, PASS), (100, CAUTION), (999, CAUTION), (1000, FAIL)])
def test_limits_of_discovery(tmp_path, count, outcome, see):
    finding = judge(studied(tmp_path, see([*asks(count), *streams(1)])))
    assert (finding.outcome, finding.measured["most_discovery_in_1s"]) == (outcome, count)


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(("count", "outcome"), [(99, PASS), (100, CAUTION), (999, CAUTION), (1000, FAIL)])
def test_limits_of_what_nobody_can_name(tmp_path, count, outcome, see):
    finding = judge(studied(tmp_path, see([*QUIET, *bursts(count), *streams(1)])))
    assert (finding.outcome, finding.measured["most_unknown_in_1s"]) == (outcome, count)


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(("unknown", "outcome"), [(799, CAUTION), (800, FAIL)])
def test_two_floods_in_one_second_count_together(tmp_path, unknown, outcome, see):
    """As in a loop, which takes all that is flooded round with it."""
    finding = judge(studied(tmp_path, see([*QUIET, *asks(199), *bursts(unknown), *streams(1)])))
    assert finding.outcome == outcome and finding.measured["most_discovery_in_1s"] == 200
    assert f"{count_text(200 + unknown)} multicast frames outside any stream" in finding.headline


def test_two_floods_in_seconds_of_their_own_do_not_count_together(tmp_path):
    late = [(2.9 + at, data) for at, data in asks(600)]
    finding = judge(studied(tmp_path, QUIET, bursts(600, times=(0.3, 0.55, 0.8)), late))
    assert finding.outcome == CAUTION


def test_the_sender_is_named(tmp_path):
    finding = judge(
        studied(tmp_path, asks(1000, sender=7, start=0.2, end=1.2), asks(10, sender=8), streams(2))
    )
    assert finding.outcome == FAIL and finding.culprits == (mac(7),)
    assert "discovery frames in one second, from ICANN 53:07 (00:00:5e:00:53:07" in finding.headline
    assert "192.0.2.7) sent 1 000 in all, mostly SSDP to 239.255.255.250" in told(finding)
    assert finding.evidence[1].time_s == pytest.approx(0.2)


def test_a_mirror_stretches_no_storm(tmp_path):
    """Sixty a second all the time are 120 at a mirror, and no storm for that."""
    frames = [*asks(60, 2, 0, 6), *asks(1000, 1, 3, 4), *streams(1)]
    ((start, end),) = judge(studied(tmp_path, mirrored(frames))).spans
    assert 2.0 <= start <= 3.0 and 4.0 <= end <= 5.0


# A second is what is counted: two floods with less than that between them are one.
@pytest.mark.parametrize(("again_s", "spans"), [(3.5, [(0.55, 5.539)]), (3.7, [(0.55, 2.589), (3.7, 5.739)])])
def test_when_a_flood_lasts(tmp_path, again_s, spans):
    again = bursts(200, 2, "233.252.0.2", (again_s, again_s + 1, again_s + 2))
    finding = judge(studied(tmp_path, [(0.0, rtp(9, "233.252.0.9", 1))], bursts(200), again, [(9.0, rtp(9, "233.252.0.9", 2))]))  # fmt: skip
    assert finding.outcome == CAUTION
    assert finding.spans == tuple(pytest.approx(span, abs=0.002) for span in spans)


def test_flows_that_peak_in_different_seconds_are_summed_where_they_meet(tmp_path):
    frames = [f for n in range(1, 21) for f in bursts(60, sender=n, times=(0.55, 1.55 + n / 50, 2.55))]
    finding = judge(studied(tmp_path, QUIET, frames))
    assert finding.outcome == FAIL
    assert finding.measured["most_unknown_in_1s"] == pytest.approx(1200, rel=0.02)
    assert "from 20 devices" in finding.headline


@pytest.mark.parametrize("end", [0.9, 2.0])
def test_a_flood_from_ever_new_ports_is_seen(tmp_path, end):
    """Every frame is a flow of its own."""
    flood = every(0.0005, lambda n: udp(3, "233.252.0.7", 1024 + n, b"x"), 0, end)
    finding = judge(studied(tmp_path, flood))
    assert finding.outcome == FAIL and finding.culprits == (mac(3),)


@pytest.mark.parametrize(("per_s", "outcome"), [(990, PASS), (1000, FAIL), (3000, FAIL)])
def test_equal_frames_by_the_clock_are_a_beat_below_a_thousand_a_second(tmp_path, per_s, outcome):
    finding = judge(studied(tmp_path, beat(1, per_s)))
    assert finding.outcome == outcome
    assert ("1 beat" in finding.headline) == (outcome == PASS)


# -- no floods ---------------------------------------------------------------------------------------------


def ptp(sender: int, kind: int, port: int, per_s: float, start: float, group: str = "224.0.1.129"):
    head = struct.pack(">BBH", kind, 2, 44)
    return every(1 / per_s, lambda n: udp(sender, group, port, head + bytes(26) + struct.pack(">H", n) + bytes(12)), start, 1.3)  # fmt: skip


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(
    ("frames", "streams_seen", "beats_seen"),
    [
        (streams(8), 8, 0),
        ([f for n in range(1, 17) for f in beat(n, 200, 1.3)], 0, 16),
        (beat(1, 900, 1.3) + streams(1), 1, 1),
        ([f for n in range(1, 25) for f in beat(n, 10, 1.3)], 0, 24),
        (raw(1, 0.001, 0.3, 1.3) + raw(2, 0.001, 0, 0.9) + raw(3, 0.001, 1.1, 1.3) + raw(4, 0.001, 0, 0.2), 2, 0),
        (ptp(1, 0, 319, 128, 0) + ptp(1, 8, 320, 128, 1e-5) + [f for n in range(2, 24) for f in ptp(n, 1, 319, 8, n / 500)], 0, 24),
        ([f for n in range(1, 25) for f in ptp(n, 1, 319, 128, n / 9e4)], 0, 24),
        ([f for n in range(1, 25) for f in ptp(n, 2, 319, 8, n / 500, "224.0.0.107")], 0, 24),
        ([(at + k * 0.001, udp(n, SSDP, 1900, b"NOTIFY")) for n in range(1, 9) for at in (0.1, 1.2) for k in range(3)], 0, 0),
    ],
    ids=["silent streams", "beats", "fast beat", "slow beats", "start and stop", "clock", "fast clock", "clock that measures cables", "announced thrice"],
)  # fmt: skip
def test_what_is_no_storm(tmp_path, frames, streams_seen, beats_seen, see):
    finding = judge(studied(tmp_path, see(frames)))
    assert finding.outcome == PASS, told(finding)
    assert (finding.measured["streams"], finding.measured["beats"]) == (streams_seen, beats_seen)


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
def test_the_share_of_the_link(tmp_path, see):
    """A packet of 102 bytes takes 126 on the cable; a thousand a second are 1.008 Mb/s."""
    finding = judge(replace(studied(tmp_path, see(streams(1))), link_mbps=10))
    assert finding.measured["multicast_share_of_link"] == pytest.approx(0.1008, abs=0.0002)


# A clock is a beat below a thousand a second; faster it is what its pace says.
@pytest.mark.parametrize(("per_s", "beats"), [(990, 1), (1000, 0), (1300, 0)])
def test_a_clock_beyond_all_measure_is_none(tmp_path, per_s, beats):
    finding = judge(studied(tmp_path, ptp(1, 0, 319, per_s, 0)))
    assert (finding.measured["beats"], finding.measured["streams"]) == (beats, 0)


def test_broadcast_is_no_multicast(tmp_path):
    flood = every(0.0005, lambda n: broadcast(1, n), 0.1, 0.3)
    finding = judge(studied(tmp_path, flood, streams(1)))
    assert finding.headline == "At most 0 multicast frames in a second beside 1 stream."


@pytest.mark.parametrize(("count", "period", "end"), [(64, 0.001, 1.1), (64, 0.000125, 1.0)])
def test_many_streams_are_no_storm(tmp_path, count, period, end):
    """AES67 packet times of 1 ms and 125 us."""
    finding = judge(studied(tmp_path, streams(count, period, end)))
    assert (finding.outcome, finding.measured["streams"]) == (PASS, count)


def test_a_stream_whose_hardware_address_is_that_of_a_discovery_group_is_a_stream(tmp_path):
    """32 groups share a hardware address (RFC 1112 section 6.4): 239.128.0.251 has that of mDNS."""
    assert group_mac("239.128.0.251") == group_mac("224.0.0.251")
    frames = every(0.001, lambda n: rtp(1, "239.128.0.251", n, bytes(48)), 0, 1.2)
    finding = judge(studied(tmp_path, frames))
    assert (finding.outcome, finding.measured["streams"]) == (PASS, 1)


# -- what cannot be told -----------------------------------------------------------------------------------


@pytest.mark.parametrize("snap", [64, 96])
def test_frames_cut_before_they_differ_are_neither_stream_nor_flood(tmp_path, snap):
    finding = judge(studied(tmp_path, raw(1, 0.0002, 0, 1.2, deep=120), streams(2), snap=snap))
    assert finding.outcome == UNPROVEN and "cut too short" in finding.headline
    assert "whole frames" in finding.fixes[0]


@pytest.mark.parametrize("snap", [64, 96])
def test_rtp_is_known_in_a_cut_capture(tmp_path, snap):
    finding = judge(studied(tmp_path, streams(3), snap=snap))
    assert (finding.outcome, finding.measured["streams"]) == (PASS, 3)


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
def test_pause_frames_are_no_discovery(tmp_path, see):
    """They are told by a check of their own, and hide no flood either."""
    pauses = every(0.0005, ethernet("01:80:c2:00:00:01", mac(1), 0x8808, b"\0\1\xff\xff"), 0, 2)
    assert judge(studied(tmp_path, see([*pauses, *streams(1)]))).outcome == PASS
    finding = judge(studied(tmp_path, see([*pauses, *asks(1000, sender=2)])))
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(2),))


def test_less_than_a_second(tmp_path):
    assert judge(studied(tmp_path, raw(1, 0.001, 0, 0.2), streams(4, end=0.2))).outcome == UNPROVEN
    assert judge(studied(tmp_path, asks(1000, end=0.2))).outcome == CAUTION


def test_no_frame(tmp_path):
    assert judge(studied(tmp_path)).outcome == UNPROVEN


def test_whose_flood_leads_and_when(tmp_path):
    """More discovery than the rest, and the other way round; each has the time and the words of its own."""
    found = judge(studied(tmp_path, QUIET, asks(300, 7, 1.0, 2.0), bursts(99)))
    assert "300 discovery frames in one second" in found.headline and found.culprits == (mac(7),)
    assert found.evidence[0].time_s == pytest.approx(1.0, abs=0.1)
    other = judge(studied(tmp_path, QUIET, asks(90, 7), bursts(300, 8)))
    assert "300 multicast frames outside any stream in one second" in other.headline
    assert other.culprits == (mac(8),) and other.evidence[0].time_s == pytest.approx(0.0, abs=1.01)


@pytest.mark.parametrize(("frames", "words"), [(streams(2), "beside 2 streams."), (beat(1, 200, 1.3), "beside 1 beat."), (streams(1) + beat(1, 200, 1.3), "beside 1 stream and 1 beat.")])  # fmt: skip
def test_what_it_passes_beside(tmp_path, frames, words):
    assert judge(studied(tmp_path, frames)).headline == f"At most 0 multicast frames in a second {words}"
