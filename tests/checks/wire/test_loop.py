"""The loop check: loops of every speed and place, what looks like one, and what cannot be told."""

import struct
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from preflight.verdict import judged
from tests.checks.asked import asked
from tests.tally.captures import (
    arp,
    broadcast,
    ethernet,
    every,
    mac,
    mirrored,
    rtp,
    studied,
    told,
    udp,
    write_with_direction,
)

judge = asked("loop")

PASS, FAIL, UNPROVEN = Outcome.PASS, Outcome.FAIL, Outcome.UNPROVEN


def rig(end: float = 2.0):
    """A rig in order: a silent stream, a beat of 4 ms and one of 10 ms, and some announcements."""
    return [
        *every(0.001, lambda n: rtp(20, "233.252.0.20", n), 0, end),
        *every(0.004, broadcast(21, 5), 0.0001, end),
        *every(0.01, udp(22, "233.252.0.22", 6000, b"alive"), 0.0002, end),
        *[(at + n * 0.001, arp(n, n)) for at in (0.1, 0.101, 0.102) for n in (20, 21, 22)],
    ]


# -- loops -------------------------------------------------------------------------------------------------


def test_one_frame_that_circles_is_told_with_its_true_pace(tmp_path):
    finding = judge(studied(tmp_path, rig(), every(50e-6, arp(1, 2), 1.0, 1.2)))
    assert finding.outcome == FAIL
    assert finding.headline == "There is a loop: one frame goes round, 4 000 times."
    assert finding.measured["copies_per_s_of_that"] == 20_000
    assert "4 000 times, 20 000 a second: ARP from ICANN 53:01 (00:00:5e:00:53:01" in told(finding)
    assert finding.evidence[0].time_s == 1.0
    assert finding.spans == ((1.0, pytest.approx(1.2, abs=1e-3)),)
    assert finding.fixes and finding.cautions


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
def test_a_touch_of_a_second_cable_is_found_beside_longer_keep_alives(tmp_path, see):
    """15 ms of three ARP requests; the keep-alives have more copies, and must not be taken for the loop."""
    touch = [frame for n in (1, 2, 3) for frame in every(50e-6, arp(n, 9), 1.0 + n * 1e-6, 1.015)]
    finding = judge(studied(tmp_path, see([*rig(), *touch])))
    assert finding.outcome == FAIL
    assert finding.measured["frames_that_repeat"] == 3
    assert "88b5" not in told(finding) and ", 0 a second" not in told(finding)
    assert all(mac(n) in told(finding) for n in (1, 2, 3))
    ((start, end),) = finding.spans
    assert 1.0 <= start < end < 1.016
    assert all(e.frame and 1.0 <= e.time_s < 1.016 for e in finding.evidence)


@pytest.mark.parametrize(
    "circling",
    [[arp(n, 9) for n in (1, 2, 3)], [arp(1, n) for n in (2, 3, 4)]],
    ids=["three senders", "one sender"],
)
def test_a_slow_loop_by_wifi_is_no_keep_alive_however_steady(tmp_path, circling):
    slow = [frame for n, data in enumerate(circling) for frame in every(0.003, data, 1.0 + n * 1e-4, 2.5)]
    finding = judge(studied(tmp_path, rig(2.5), slow))
    assert finding.outcome == FAIL and finding.measured["frames_that_repeat"] == 3
    assert "ARP" in told(finding) and "one frame came 500 times, 333 a second" in told(finding)


def test_a_looped_stream_is_found(tmp_path):
    """Every packet of a stretch of the stream comes twenty times, while the next ones join it."""
    looped = [
        f
        for n in range(40)
        for f in every(2e-4, rtp(1, "233.252.0.1", 600 + n), 0.6001 + n / 1e3, 0.6041 + n / 1e3)
    ]
    finding = judge(studied(tmp_path, rig(), every(0.001, lambda n: rtp(1, "233.252.0.1", n), 0, 2), looped))
    assert finding.outcome == FAIL and finding.measured["frames_that_repeat"] == 40
    assert "UDP port 5004 to 233.252.0.1 from ICANN 53:01 (00:00:5e:00:53:01" in told(finding)


def test_a_stream_that_circles_all_the_time_is_no_keep_alive(tmp_path):
    """Each packet comes 24 times while the next ones join it, at a steady 3 000 frames a second."""
    looped = [f for n in range(150) for f in every(0.0008, rtp(1, "233.252.0.1", n), n * 0.0081, n * 0.0081 + 0.0192)]  # fmt: skip
    assert judge(studied(tmp_path, looped)).outcome == FAIL


def test_a_beat_that_starts_to_circle_is_found(tmp_path):
    circling = every(20e-6, broadcast(21, 5), 1.5, 1.55)
    finding = judge(studied(tmp_path, rig(), circling))
    assert finding.outcome == FAIL and "88b5" in told(finding)


def back(count: int, later_s: float = 0.0003):
    """This computer's own frames, each coming back to it."""
    for n in range(count):
        yield n * 0.05, arp(1, 10 + n), True
        yield n * 0.05 + later_s, arp(1, 10 + n), False


@pytest.mark.parametrize(("count", "outcome"), [(7, PASS), (8, FAIL), (30, FAIL)])
def test_own_frames_that_come_back(tmp_path, count, outcome):
    """Thirty pairs look like a mirror's, and are none: what this computer sends, a mirror does not send
    back."""
    facts = study(str(write_with_direction(tmp_path / "own.pcapng", back(count))))
    finding = judge(facts)
    assert (finding.outcome, facts.vantage) == (outcome, "unknown")
    if outcome == FAIL:
        assert f"{count} frames that this computer sent came back" in told(finding)
        assert (finding.evidence[0].frame, finding.evidence[0].time_s) == (2, pytest.approx(0.0003))


def test_own_frames_seen_at_a_mirror_are_no_loop(tmp_path):
    facts = study(str(write_with_direction(tmp_path / "own.pcapng", back(30))))
    assert judge(replace(facts, vantage="mirror")).outcome == PASS


# -- limits ------------------------------------------------------------------------------------------------


def burst(sender: int, count: int):
    return [(1.0 + sender * 1e-4 + n * 0.001, arp(sender, sender)) for n in range(count)]


@pytest.mark.parametrize(("count", "outcome"), [(24, PASS), (25, FAIL)])
def test_so_many_copies_on_average(tmp_path, count, outcome):
    assert judge(studied(tmp_path, rig(), burst(1, count), burst(2, count))).outcome == outcome


@pytest.mark.parametrize(("period", "outcome"), [(0.00051, PASS), (0.00049, FAIL)])
def test_one_content_is_told_by_its_pace(tmp_path, period, outcome):
    assert judge(studied(tmp_path, rig(), every(period, arp(1, 2), 0.5, 1.5))).outcome == outcome


@pytest.mark.parametrize(("period", "outcome"), [(0.000254, PASS), (0.00024, FAIL)])
def test_no_keep_alive_is_faster_than_four_thousand_a_second(tmp_path, period, outcome):
    assert judge(studied(tmp_path, every(period, broadcast(1, 5), 0, 1.0))).outcome == outcome


@pytest.mark.parametrize(("gap", "outcome"), [(0.0051, PASS), (0.0049, FAIL)])
def test_copies_further_apart_than_five_ms_are_sent_again_not_circling(tmp_path, gap, outcome):
    """By turns, so that no pace of their own excuses them."""
    slow = [f for n in (1, 2) for f in every(gap, broadcast(n, 5), 0.5 + n * 1e-4, 1.5)]
    uneven = [(time + 0.3 * gap * (n % 2), data) for n, (time, data) in enumerate(sorted(slow))]
    burst = [(1.5 + n * 1e-4, broadcast(n, 5)) for n in (1, 2) for _ in range(2)]
    assert judge(studied(tmp_path, rig(), uneven, burst)).outcome in (outcome, PASS)


@pytest.mark.parametrize(
    ("gap", "senders", "outcome"),
    [(0.055, (1, 2), FAIL), (0.065, (1, 2), PASS), (0.055, (1,), PASS), (0.004, (1,), PASS)],
)
def test_a_slow_loop_brings_back_what_several_devices_ask(tmp_path, gap, senders, outcome):
    """Through slow bridges or Wi-Fi. One device may ask in vain, again and again."""
    slow = [f for n in senders for f in every(gap, arp(n, 9), 0.5 + n * 1e-4, 3.5)]
    assert judge(studied(tmp_path, rig(), slow)).outcome == outcome


# -- no loops ----------------------------------------------------------------------------------------------

SEARCH = b'M-SEARCH * HTTP/1.1\r\nMAN: "ssdp:discover"\r\n\r\n'


@pytest.mark.parametrize("see", [list, mirrored], ids=["access port", "mirror"])
@pytest.mark.parametrize(
    "frames",
    [
        [],
        [f for n in (1, 2, 3) for f in burst(n, 10)],
        [f for n in (1, 2, 3) for at in (0.3, 0.9) for f in every(0.0005, udp(n, "239.255.255.250", 1900, SEARCH), at, at + 0.0015)],
        [f for n in range(1, 9) for f in every(1 / 128, lambda i: udp(9, "224.0.1.129", 319, struct.pack(">HHI", 0x0002, 44, i)), n / 1e4, 1.5)],
        [f for at in (30, 80, 130, 180, 190) for f in every(1e-4, udp(1, "192.0.2.2", 7000, b"again %d" % at, mac(2)), at / 100, at / 100 + 0.01)],
        [f for n in range(1, 9) for f in every(0.001, lambda i, n=n: rtp(n, f"233.252.0.{n}", i, bytes(60)), n * 1e-5, 1.0)],
    ],
    ids=["rig", "bursts of ten", "asked three times", "clock", "unicast sent again", "silent streams"],
)  # fmt: skip
def test_what_is_no_loop(tmp_path, frames, see):
    facts = studied(tmp_path, see([*rig(), *frames]))
    finding = judge(facts)
    assert finding.outcome == PASS, told(finding)
    if see is mirrored:
        assert facts.vantage == "mirror" and "mirror port" in finding.headline


def test_pause_frames_in_bunches_are_no_loop(tmp_path):
    """Each is the same, and no switch passes one on (IEEE 802.3 annex 31B)."""
    pause = ethernet("01:80:c2:00:00:01", mac(1), 0x8808, b"\0\1\xff\xff")
    bunches = [f for at in range(5, 15) for f in every(1e-4, pause, at / 10, at / 10 + 0.006)]
    assert judge(studied(tmp_path, rig(), bunches)).outcome == PASS


@pytest.mark.parametrize("end", [0.2, 2.0])
@pytest.mark.parametrize("period", [0.001, 0.004, 0.01, 0.1])
def test_keep_alives_are_no_loop_in_a_short_capture_either(tmp_path, period, end):
    beats = [
        f
        for n in range(1, 5)
        for f in (*every(period, broadcast(n, 5), n * 1e-4, end), *every(period, udp(n, "233.252.0.1", 6000, b"x"), n * 1e-4, end))
    ]  # fmt: skip
    assert judge(studied(tmp_path, beats)).outcome == PASS


def test_a_capture_of_all_adapters_sees_what_it_passes_on_twice(tmp_path):
    """Linux cooked v1 (link type 113): packet type 4 went out by one adapter, type 1 came in by another."""
    path = tmp_path / "any.pcap"
    records = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 113)]
    for n in range(30):
        for way, later in ((4, 0), (1, 100_000)):
            head = struct.pack(">HHH6sHH", way, 1, 6, bytes.fromhex(mac(1).replace(":", "")), 0, 0x0806)
            data = head + arp(1, n)[14:]
            records.append(struct.pack("<IIII", 1 + n, later, len(data), len(data)) + data)
    path.write_bytes(b"".join(records))
    finding = judge(study(str(path)))
    assert finding.outcome == PASS and finding.measured["own_frames_returned"] == 0


# -- what cannot be told -----------------------------------------------------------------------------------


def deep(period: float):
    """A stream of another kind, whose counter lies where a short snap length cuts it off."""
    return every(period, lambda n: ethernet("01:00:5e:90:10:01", mac(1), 0x88B6, bytes(120) + struct.pack(">I", n), 300), 0, 1)  # fmt: skip


@pytest.mark.parametrize("snap", [64, 96])
@pytest.mark.parametrize("period", [0.001, 0.000125])
def test_frames_cut_before_they_differ_prove_nothing(tmp_path, snap, period):
    finding = judge(studied(tmp_path, deep(period), snap=snap))
    assert finding.outcome == UNPROVEN and "cut too short" in finding.headline
    assert "whole frames" in finding.fixes[0]


@pytest.mark.parametrize(("snap", "outcome"), [(64, UNPROVEN), (96, PASS)])
def test_rtp_is_told_apart_by_its_number_where_enough_was_kept(tmp_path, snap, outcome):
    frames = every(0.001, lambda n: rtp(1, "233.252.0.1", n), 0, 1)
    assert judge(studied(tmp_path, frames, snap=snap)).outcome == outcome


@pytest.mark.parametrize("snap", [64, 96])
def test_a_loop_of_short_frames_is_found_in_a_cut_capture(tmp_path, snap):
    circling = [f for n in (1, 2) for f in every(5e-5, arp(n, 9), 0.5 + n * 1e-6, 0.55)]
    assert judge(studied(tmp_path, deep(0.001), circling, snap=snap)).outcome == FAIL


def test_without_broadcast_or_multicast_nothing_is_proven(tmp_path):
    finding = judge(studied(tmp_path, every(0.01, udp(1, "192.0.2.2", 7000, b"x", mac(2)), 0, 2)))
    assert finding.outcome == UNPROVEN and "No broadcast or multicast" in finding.headline


def test_no_frame_at_all(tmp_path):
    finding = judge(studied(tmp_path))
    assert finding.outcome == UNPROVEN and finding.fixes


@pytest.mark.parametrize(("senders", "outcome"), [(1, PASS), (2, FAIL)])
def test_one_content_that_is_slow_is_no_loop(tmp_path, senders, outcome):
    assert judge(studied(tmp_path, rig(), *(burst(n, 30) for n in range(1, senders + 1)))).outcome == outcome


@pytest.mark.parametrize(("contents", "outcome"), [(7, PASS), (8, FAIL)])
def test_eight_that_repeat_by_turns_need_fewer_copies(tmp_path, contents, outcome):
    turns = every(0.0005, lambda n: arp(1, 10 + n % contents), 1.0, 1.0 + 0.0005 * 12 * contents)
    assert judge(studied(tmp_path, rig(), turns)).outcome == outcome


def test_questions_that_a_loop_repeats_are_not_asked_in_vain(tmp_path):
    circling = [frame for n in (1, 2, 3) for frame in every(0.05, arp(n, 9), 1.0 + n * 1e-3, 8.0)]
    result = judged(studied(tmp_path, rig(9.0), circling))
    explained = {each.finding.check: each.explained_by for each in result.verdict.findings}
    assert explained["asked-in-vain"] == ("loop",)


@pytest.mark.parametrize(("port", "outcome"), [(67, FAIL), (68, FAIL), (546, FAIL), (547, FAIL), (545, PASS)])
def test_what_asks_for_an_address_has_no_pace_that_excuses_it(tmp_path, port, outcome):
    """Two contents of a steady 333 a second: a keep-alive, were it of another port."""
    slow = [f for n in (1, 2) for f in every(0.003, udp(n, "233.252.0.1", port, b"ask"), n * 1e-4, 2.0)]
    assert judge(studied(tmp_path, slow)).outcome == outcome


def test_four_are_shown_the_most_copied_first(tmp_path):
    circling = [f for n in range(1, 7) for f in every(50e-6, arp(n, 9), 1.0 + n * 1e-6, 1.0 + n * 0.01)]
    finding = judge(studied(tmp_path, rig(), circling))
    assert sum("one frame came" in each.text for each in finding.evidence) == 4
    assert finding.evidence[0].text.startswith(
        "one frame came 1 200 times, 20 000 a second: ARP from ICANN 53:06"
    )
    assert finding.evidence[4].text == "the first frame to come for the eighth time"


@pytest.mark.parametrize(("count", "outcome"), [(199, PASS), (200, FAIL)])
def test_the_pace_of_one_content_is_known_from_two_hundred_copies(tmp_path, count, outcome):
    circling = [(1.0 + n * 5e-5, arp(1, 2)) for n in range(count)]
    assert judge(studied(tmp_path, rig(), circling)).outcome == outcome


def test_the_figures_of_what_goes_round(tmp_path):
    finding = judge(
        studied(tmp_path, rig(), every(50e-6, arp(1, 2), 1.0, 1.2), every(50e-6, arp(2, 3), 1.00001, 1.1))
    )
    assert finding.measured["frames_that_repeat"] == 2 and finding.measured["most_copies_of_one"] == 4000
    assert finding.measured["own_frames_returned"] == 0 and finding.measured["share_seen_exactly_twice"] == 0
    assert finding.headline == "There is a loop: 2 frames go round, one of them 4 000 times."
    quiet = judge(studied(tmp_path, mirrored(rig())))
    assert quiet.measured["share_seen_exactly_twice"] == pytest.approx(1.0, abs=0.35)
    assert quiet.measured["copies_per_s_of_that"] == 0 and quiet.measured["most_copies_of_one"] == 0


def test_how_many_more_of_a_flow_repeat(tmp_path):
    """Three questions of one sender are three contents of one flow."""
    circling = [f for n in (2, 3, 4) for f in every(0.003, arp(1, n), 1.0 + n * 1e-4, 2.5)]
    assert "; 2 frames more of it repeat" in told(judge(studied(tmp_path, rig(2.5), circling)))
    alone = [f for n in (1, 2, 3) for f in every(0.003, arp(n, 9), 1.0 + n * 1e-4, 2.5)]
    assert "more of it repeat" not in told(judge(studied(tmp_path, rig(2.5), alone)))


def test_own_frames_that_come_back_have_their_time(tmp_path):
    finding = judge(study(str(write_with_direction(tmp_path / "own.pcapng", back(30)))))
    assert finding.headline == "There is a loop: this computer's own frames come back to it."
    assert finding.spans == ((pytest.approx(0.0003), pytest.approx(1.4503, abs=0.001)),)
    assert finding.measured["own_frames_returned"] == 30
