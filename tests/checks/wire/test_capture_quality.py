"""The capture's own faults: each is told, and none that is not there."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.lab.frames import igmp_query
from tests.tally.captures import arp, every, mac, rtp, studied, told, udp

judge = asked("capture-quality")

PASS, CAUTION, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.UNPROVEN


def stream(start: float, end: float, per_s: int = 200):
    return every(1 / per_s, lambda n: rtp(1, "233.252.0.1", n, bytes(48)), start, end)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"dropped": 50}, "dropped 50 frames (16.7%): gaps prove nothing"),
        ({"cut": 20}, "20 of 250 frames are cut"),
        ({"steps_back": 1, "longest_step_back_s": 0.7}, "steps back once, by up to 0.700 s"),
        ({"steps_back": 3, "longest_step_back_s": 0.7}, "steps back 3 times"),
        ({"malformed": 2}, "2 frames or records could not be read"),
        ({"ended_early": "offset 99: the last record is cut short"}, "ended early at offset 99"),
    ],
)
def test_each_fault_is_a_caution(tmp_path, change, words):
    facts = studied(tmp_path, stream(0, 1.25))
    finding = judge(replace(facts, source=replace(facts.source, **change)))
    assert finding.outcome == CAUTION and words in told(finding)
    assert "only in part" in finding.headline and finding.fixes and finding.cautions


def test_no_fault(tmp_path):
    facts = studied(tmp_path, stream(0, 1.25))
    facts = replace(facts, source=replace(facts.source, dropped=0, partial=True))
    finding = judge(facts)
    assert (finding.outcome, finding.headline) == (PASS, "250 whole frames in 1.2 s, in order.")
    assert "stopped by hand" in told(finding)


@pytest.mark.parametrize(("hole", "outcome"), [(0.49, PASS), (0.51, CAUTION)])
def test_a_hole_in_a_busy_capture(tmp_path, hole, outcome):
    """The last frame before it is 5 ms before 1.0 s."""
    finding = judge(studied(tmp_path, stream(0, 1.0), stream(0.995 + hole, 3.0)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert "no frame at all for 0.51 s" in told(finding)
        assert finding.evidence[0].time_s == pytest.approx(0.995)


@pytest.mark.parametrize(("listened", "outcome"), [(1.7, PASS), (1.8, CAUTION)])
def test_nothing_more_came_while_listening_went_on(tmp_path, listened, outcome):
    facts = studied(tmp_path, stream(0, 1.25))
    finding = judge(replace(facts, source=replace(facts.source, kind="live", duration_s=listened)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.evidence[0].time_s == pytest.approx(1.245)


def test_silence_after_a_burst_is_no_hole(tmp_path):
    burst = every(0.0005, lambda n: udp(1, "233.252.0.1", 6000, b"%d" % n), 1.0, 1.3)
    facts = studied(tmp_path, [(0.0, udp(2, "224.0.0.1", 6000, b"x"))], burst)
    assert judge(replace(facts, source=replace(facts.source, kind="live", duration_s=4.0))).outcome == PASS


def test_silence_between_bursts_is_no_hole(tmp_path):
    """A quiet LAN with one burst, busy on average."""
    burst = every(0.0005, lambda n: udp(1, "233.252.0.1", 6000, b"%d" % n), 1.0, 1.3)
    finding = judge(
        studied(
            tmp_path, burst, [(0.0, udp(2, "224.0.0.1", 6000, b"x")), (3.0, udp(2, "224.0.0.1", 6000, b"y"))]
        )
    )
    assert finding.outcome == PASS


def test_a_quiet_lan_has_no_holes(tmp_path):
    assert judge(studied(tmp_path, stream(0, 8.0, per_s=1))).outcome == PASS


def test_more_senders_than_the_lists_hold(tmp_path):
    facts = studied(tmp_path, stream(0, 1.25))
    finding = judge(replace(facts, tally=replace(facts.tally, flow_overflow=12, talker_overflow=3)))
    assert finding.outcome == CAUTION and "12 frames belong to flows, 3 to senders" in told(finding)


@pytest.mark.parametrize(
    ("vantage", "words"), [("mirror", "a mirror port: it sees"), ("access port", "an access port: it sees")]
)
def test_what_it_can_see_is_said(tmp_path, vantage, words):
    assert words in told(judge(replace(studied(tmp_path, stream(0, 1.25)), vantage=vantage)))


def test_no_frame(tmp_path):
    assert judge(studied(tmp_path)).outcome == UNPROVEN


@pytest.mark.parametrize(("step_s", "outcome"), [(0.009, PASS), (0.010, CAUTION)])
def test_a_step_back_of_ten_ms(tmp_path, step_s, outcome):
    facts = studied(tmp_path, stream(0, 1.25))
    facts = replace(facts, source=replace(facts.source, steps_back=1, longest_step_back_s=step_s))
    assert judge(facts).outcome == outcome


@pytest.mark.parametrize(("per_s", "outcome"), [(122, PASS), (128, CAUTION)])
def test_a_hole_counts_from_a_hundred_frames_a_second_on(tmp_path, per_s, outcome):
    assert judge(studied(tmp_path, stream(0, 1.0, per_s), stream(1.6, 3.0, per_s))).outcome == outcome


def test_flipped_bits_are_told(tmp_path):
    """Headers of two senders whose checksum is wrong, or ARP messages of no kind; one computer may leave its
    checksums to its adapter."""

    def wrong(sender: int) -> bytes:
        frame = bytearray(udp(sender, "233.252.0.1", 6000, b"x"))
        frame[24:26] = b"\x12\x34"
        return bytes(frame)

    one, two = (0.5, wrong(1)), (0.6, wrong(2))
    assert judge(studied(tmp_path, stream(0, 1.25), [one])).outcome == PASS
    finding = judge(studied(tmp_path, stream(0, 1.25), [one, two]))
    assert finding.outcome == CAUTION and "2 IP headers with a wrong checksum" in told(finding)
    odd = [
        (0.7, arp(3, 4)[:20] + b"\x75\x01" + arp(3, 4)[22:]),
        (0.8, arp(5, 4)[:20] + b"\x31\x01" + arp(5, 4)[22:]),
    ]
    assert "2 ARP messages of no known kind" in told(judge(studied(tmp_path, stream(0, 1.25), odd)))


def test_the_figures_of_the_capture(tmp_path):
    facts = studied(tmp_path, stream(0, 1.0), stream(1.5054, 3.0))
    source = replace(facts.source, dropped=3, cut=4, malformed=5, steps_back=6)
    finding = judge(replace(facts, source=source, vantage="mirror"))
    assert finding.measured == {
        "vantage": "mirror", "dropped": 3, "cut": 4, "malformed": 5, "steps_back": 6, "longest_gap_s": 0.51,
    }  # fmt: skip
    assert finding.spans == () and finding.evidence[0].time_s is None


def test_a_hole_alone_has_its_time(tmp_path):
    finding = judge(studied(tmp_path, stream(0, 1.0), stream(1.6, 3.0)))
    assert finding.spans == ((pytest.approx(0.995), pytest.approx(1.6)),)
    assert "in a capture of 160 frames/s" in told(finding)


def test_before_it_began_there_was_no_hole(tmp_path):
    """Five frames in the first second, then a hole, then many."""
    early = every(0.2, udp(2, "224.0.0.1", 6000, b"x"), 0, 1.0)
    assert judge(studied(tmp_path, early, stream(1.5, 3.0))).outcome == PASS


@pytest.mark.parametrize(("overflow", "words"), [({"flow_overflow": 1}, "1 frame belong to flows, 0 to"), ({"talker_overflow": 2}, "0 frames belong to flows, 2 to")])  # fmt: skip
def test_either_list_may_be_full(tmp_path, overflow, words):
    facts = studied(tmp_path, stream(0, 1.25))
    assert words in told(judge(replace(facts, tally=replace(facts.tally, **overflow))))


def test_a_header_that_is_cut_is_not_damaged(tmp_path):
    """With an option an IPv4 header ends 38 bytes into its frame: where fewer are kept, nobody knows its
    checksum."""
    asks = [(0.5 + n, igmp_query(mac(n), f"192.0.2.{n}")) for n in (1, 2)]
    facts = studied(tmp_path, stream(0, 4), asks, snap=34)
    assert "bits were flipped" not in told(judge(facts))
