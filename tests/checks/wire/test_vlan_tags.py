"""VLAN tags: where they are a fault, where they only tell of a trunk, and the tag that is harmless."""

from dataclasses import replace
from pathlib import Path

import dpkt
import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import every, mac, rtp, studied, told, write_with_direction

judge = asked("vlan-tags")

PUBLIC = Path(__file__).parents[4] / "shared" / "public-captures"


def tagged(frame: bytes, vlan: int, priority: int = 0) -> bytes:
    return frame[:12] + b"\x81\x00" + (priority << 13 | vlan).to_bytes(2) + frame[12:]


def stream(sender: int, vlan: int | None = None, count: int = 40, priority: int = 0):
    def make(n: int) -> bytes:
        frame = rtp(sender, f"233.252.0.{sender}", n, bytes(288))
        return frame if vlan is None else tagged(frame, vlan, priority)

    return every(1.2 / count, make, 0.0, 1.2)


@pytest.mark.parametrize(
    ("vantage", "count", "outcome"),
    [
        ("access port", 10, Outcome.FAIL),
        ("access port", 9, Outcome.CAUTION),
        ("mirror", 40, Outcome.CAUTION),
        ("unknown", 40, Outcome.CAUTION),
    ],
)
def test_tags_by_where_they_are_seen(tmp_path, vantage, count, outcome):
    finding = judge(replace(studied(tmp_path, stream(1), stream(2, 20, count, 5)), vantage=vantage))
    assert (finding.outcome, finding.culprits) == (outcome, (mac(2),))
    assert f"{count} frames carry the tag of VLAN 20; 40 carry none" in told(finding)
    assert "VLAN 20, priority 5" in told(finding)
    assert ("mirror" in finding.headline) == (vantage == "mirror")
    assert finding.fixes and finding.cautions


def test_mixed_vlans(tmp_path):
    finding = judge(replace(studied(tmp_path, stream(1, 10), stream(2, 20)), vantage="access port"))
    assert finding.outcome == Outcome.FAIL and finding.measured["vlans"] == [10, 20]
    assert "VLANs are mixed" in finding.headline


def test_a_priority_tag_is_harmless(tmp_path):
    facts = studied(tmp_path, stream(1), stream(2, 0, 30, priority=6))
    finding = judge(replace(facts, vantage="access port"))
    assert finding.outcome == Outcome.PASS and "harmless" in finding.headline
    assert finding.measured["priorities"] == [6] and finding.measured["priority_tagged_frames"] == 30


def test_a_computer_that_sends_tags_was_set_up_for_them(tmp_path):
    frames = sorted([(t, d, False) for t, d in stream(2, 20)] + [(t, d, True) for t, d in stream(3, 20, 5)])
    facts = study(str(write_with_direction(tmp_path / "own.pcapng", frames)))
    finding = judge(replace(facts, vantage="access port"))
    assert finding.outcome == Outcome.CAUTION
    assert finding.headline == "45 frames carry the tag of VLAN 20.", "one VLAN is not mixed"
    assert "UDP port 5004 to 233.252.0.3 from this computer" in told(finding) and mac(2) in told(finding)


@pytest.mark.parametrize("count", [8, 9, 33])
def test_many_vlans_are_cut_short(tmp_path, count):
    frames = [frame for n in range(1, count + 1) for frame in stream(n, n, 2)]
    finding = judge(studied(tmp_path, frames))
    assert ("VLAN 1, 2, 3, 4, 5, 6, 7, 8 ..." in finding.headline) == (count > 8)
    assert "VLAN 1, 2, 3, 4, 5, 6, 7, 8" in finding.headline and len(finding.evidence) == 6
    assert len(finding.measured["vlans"]) == min(count, 32)
    assert len(finding.culprits) == min(count, 16)


def test_a_tag_in_nonsense_is_none(tmp_path):
    """Flipped bits: a frame to its own sender, and one from a group. One tag is told in the singular."""
    odd = [(0.5, bytes([0x30] * 12) + bytes.fromhex("8100003008060001") + bytes(46))]
    odd += [(0.6, data[:6] + b"\x01" + data[7:]) for _, data in stream(1, 30)[:1]]
    assert judge(studied(tmp_path, stream(1), odd)).headline == "No frame carries a VLAN tag."
    one = judge(studied(tmp_path, stream(1), stream(2, 20)[:1]))
    assert one.headline.startswith("1 frame carries the tag of VLAN 20; ")


def test_no_tags(tmp_path):
    assert judge(studied(tmp_path, stream(1))).outcome == Outcome.PASS
    assert judge(studied(tmp_path, stream(1)[:10])).outcome == Outcome.UNPROVEN


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
def test_public_double_tags_as_dpkt_sees_them():
    path = PUBLIC / "802.1ad_QinQ.pcap"
    with path.open("rb") as file:
        outer = [dpkt.ethernet.Ethernet(data).vlan_tags[0].id for _, data in dpkt.pcap.Reader(file)]
    finding = judge(study(str(path)))
    assert finding.outcome == Outcome.CAUTION
    assert finding.measured["vlans"] == sorted(set(outer)) and finding.measured["tagged_frames"] == len(outer)


def avtp(sender: int, vlan: int):
    """A stream of IEEE 1722 under the tag of its reservation."""
    to = f"91e0f000fe{sender:02x}"
    head = bytes.fromhex(to + mac(sender).replace(":", "")) + b"\x22\xf0\x02\x81"
    return every(0.03, lambda n: tagged(head + bytes([n]) + bytes(60), vlan, 3), 0.0, 1.2)


def test_streams_with_a_reservation_are_tagged_as_they_must_be(tmp_path):
    facts = studied(tmp_path, stream(1), avtp(2, 2))
    finding = judge(replace(facts, vantage="access port"))
    assert finding.outcome is Outcome.PASS and "reservation, VLAN 2" in finding.headline
    assert finding.measured["reserved_stream_frames"] == 40
    beside = judge(replace(studied(tmp_path, stream(1), avtp(2, 2), stream(3, 20)), vantage="access port"))
    assert (
        beside.outcome is Outcome.FAIL and beside.culprits == (mac(3),) and beside.measured["vlans"] == [20]
    )


@pytest.mark.parametrize("kind", [0x0806, 0x22EF, 0x22F1, 0x88B5])
def test_only_the_streams_of_ieee_1722_may_be_tagged(tmp_path, kind):
    odd = [
        (0.5, tagged(bytes.fromhex("ff" * 6 + mac(3).replace(":", "")) + kind.to_bytes(2) + bytes(50), 20))
    ]
    finding = judge(replace(studied(tmp_path, stream(1), odd), vantage="access port"))
    assert finding.measured["vlans"] == [20] and finding.measured["reserved_stream_frames"] == 0


@pytest.mark.parametrize(
    ("count", "words"),
    [(0, "40 frames carry the tag of VLAN 20."), (1, "; 1 carries none."), (2, "; 2 carry none.")],
)
def test_how_many_carry_none(tmp_path, count, words):
    finding = judge(studied(tmp_path, stream(1)[:count], stream(2, 20)))
    assert finding.headline.endswith(words) and finding.measured["untagged_frames"] == count
