"""What a verdict rests on: silence, a lone computer, a lamp that blinks are no rig; audio, a clock or two
devices are."""

import struct

import pytest

from preflight.checks import judge_all
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.study import study
from preflight.verdict import decide
from tests.checks.asked import asked
from tests.checks.ptp import announces
from tests.lab import frames as raw
from tests.tally.captures import arp, ethernet, every, mac, rtp, studied, udp, write_with_direction
from tests.wire import groups

judge = asked("heard-enough")
UNPROVEN, PASS = Outcome.UNPROVEN, Outcome.PASS
# A configuration BPDU's destination (IEEE 802.1D table 7-10), and LLDP's (IEEE 802.1AB).
TREE = every(2.0, ethernet("01:80:c2:00:00:00", mac(9), 38, bytes(38)), 0, 20)
LLDP = every(5.0, ethernet("01:80:c2:00:00:0e", mac(9), 0x88CC, bytes(40)), 0, 20)
ONE = every(1.0, arp(1, 2), 0, 20)
GROUPS = [
    *every(2.0, groups.query(9, version=2), 0, 20),
    *every(2.0, groups.report(8, "224.0.0.106", version=2), 0.5, 20),
]
TWO = every(1.0, arp(2, 1), 0.5, 20)


def word(facts):
    return decide(judge_all(facts)).verdict


@pytest.mark.parametrize(
    ("frames", "says"),
    [
        ([ONE], "1 device was heard"),
        ([TREE], "no device was heard beside what the other end of this cable says"),
        ([TREE, LLDP], "no device was heard"),
        ([ONE, TREE, LLDP], "1 device was heard beside what the other end"),
        ([GROUPS], "no device was heard beside IGMP"),
        ([ONE, GROUPS], "1 device was heard beside IGMP"),
        ([[(0.0, arp(1, 2))]], "1 device was heard"),
    ],
    ids=[
        "one device",
        "a switch",
        "a switch that tells its name",
        "one device and the switch",
        "switches that ask who wants a group",
        "the same and one device",
        "one frame",
    ],
)
def test_a_dead_network_is_never_ready(tmp_path, frames, says):
    facts = studied(tmp_path, *frames)
    finding = judge(facts)
    assert finding.outcome is UNPROVEN and says in finding.headline
    assert "Switch the rig on" in finding.fixes[0]
    assert word(facts) == "unproven"


@pytest.mark.parametrize(
    "frames",
    [
        [ONE, TWO],
        [announces(1, 0, 20)],
        [every(0.005, lambda n: rtp(1, "233.252.0.1", n, bytes([n % 256]) * 48), 0, 3)],
    ],
    ids=["two devices", "a clock", "audio"],
)
def test_a_rig_shows_by_its_devices_its_clock_or_its_audio(tmp_path, frames):
    facts = studied(tmp_path, *frames)
    assert judge(facts).outcome is PASS and word(facts) != "unproven"


@pytest.mark.parametrize(("until", "outcome"), [(1.9, UNPROVEN), (2.05, PASS)])
def test_two_seconds_are_the_least(tmp_path, until, outcome):
    facts = studied(tmp_path, *[every(0.05, lambda k, n=n: arp(n, k + 3), 0.01 * n, until) for n in (0, 1)])
    assert judge(facts).outcome is outcome
    assert (word(facts) == "unproven") == (outcome is UNPROVEN)


def test_only_this_computer_is_named_so(tmp_path):
    frames = [(n / 2, arp(1, 2), True) for n in range(20)]
    facts = study(str(write_with_direction(tmp_path / "own.pcap", frames)))
    assert "only this computer was heard" in judge(facts).headline


def test_what_fails_fails_however_little_was_heard(tmp_path):
    storm = every(1 / 2000, lambda n: ethernet("ff:ff:ff:ff:ff:ff", mac(1), 0x88B5, n.to_bytes(4)), 0, 1)
    facts = studied(tmp_path, storm)
    assert judge(facts).outcome is UNPROVEN and word(facts) == "not ready"


def test_no_right_to_listen_is_no_proof():
    assert word(Facts(wire_refused="no right to listen.")) == "unproven"
    assert judge(Facts()) is None


@pytest.mark.parametrize(("frames", "outcome"), [(9, UNPROVEN), (10, PASS)])
def test_ten_frames_are_the_least_of_devices_that_only_talk(tmp_path, frames, outcome):
    talk = [(n * 0.4, arp(1 + n % 2, 10 + n)) for n in range(frames)]
    assert judge(studied(tmp_path, talk)).outcome is outcome


@pytest.mark.parametrize(("hole_s", "outcome"), [(0.9, PASS), (3.0, UNPROVEN)])
def test_a_long_silence_is_not_counted_as_listened(tmp_path, hole_s, outcome):
    talk = [
        (n * 0.1 + (hole_s if n > 10 else 0.0), arp(1 + n % 2, 10 + n))
        for n in range(19 if hole_s > 1 else 24)
    ]
    assert judge(studied(tmp_path, talk)).outcome is outcome


def test_a_clock_counts_once(tmp_path):
    facts = studied(tmp_path, announces(1, 0, 20))
    assert judge(facts).measured["clocks"] == 1


def _wrapped(wrap: str, n: int) -> bytes:
    """A packet of audio from one of two devices, as it looks in there."""
    inside = rtp(1 + n % 2, "233.252.0.1", n // 2, bytes([n % 256]) * 48)
    if wrap in ("MACsec", "HSR"):
        tag = (
            struct.pack(">HBBI", 0x88E5, 0x2C, 0, n)
            if wrap == "MACsec"
            else struct.pack(">HHH", 0x892F, 100, n)
        )
        return inside[:12] + tag + inside[12:]
    if wrap in ("VXLAN", "Geneve"):
        port = {"VXLAN": 4789, "Geneve": 6081}[wrap]
        return udp(1 + n % 2, "192.0.2.9", port, struct.pack(">II", 0x08000000, 7 << 8) + inside)
    number = {"GRE": 47, "ESP": 50}[wrap]
    packet = raw.ipv4(f"192.0.2.{1 + n % 2}", "192.0.2.9", number, struct.pack(">II", 0x88BE, n) + inside)
    return ethernet(mac(9), mac(1 + n % 2), 0x0800, packet)


@pytest.mark.parametrize("wrap", ["MACsec", "HSR", "GRE", "ESP", "VXLAN", "Geneve"])
def test_what_is_wrapped_proves_nothing(tmp_path, wrap):
    """However many devices there are, and however steadily it comes: no check looks inside."""
    frames = every(0.002, lambda n: _wrapped(wrap, n), 0, 5)
    facts = studied(tmp_path, frames, LLDP)
    finding = judge(facts)
    assert finding.outcome is UNPROVEN and f"wrapped in {wrap}" in finding.headline
    assert "in the clear" in finding.fixes[0] and word(facts) == "unproven"
    assert (
        judge(studied(tmp_path, frames, ONE, TWO)).outcome is PASS
    )  # a tunnel beside a rig is none of its trouble


def test_the_port_of_a_tunnel_is_one_of_udp_alone(tmp_path):
    """By TCP it is any port: two devices talk."""
    other = [frame for at in range(20) for frame in [(at * 0.5, _tcp(1 + at % 2, 4789))]]
    assert judge(studied(tmp_path, other)).outcome is PASS


def _tcp(sender: int, port: int) -> bytes:
    head = struct.pack(">HHIIHHHH", 50000, port, 1, 1, 0x5010, 8192, 0, 0)
    return ethernet(
        mac(3 - sender), mac(sender), 0x0800, raw.ipv4(f"192.0.2.{sender}", f"192.0.2.{3 - sender}", 6, head)
    )
