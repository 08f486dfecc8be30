"""Pause frames: the arithmetic of IEEE 802.3 annex 31B, and how many are too many."""

import struct
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import arp, ethernet, every, mac, studied, told, write_with_direction

judge = asked("pause-frames")

RESERVED = "01:80:c2:00:00:01"


def pause(quanta: int, opcode: int = 1) -> bytes:
    return ethernet(RESERVED, mac(0x31), 0x8808, struct.pack(">HH", opcode, quanta))


@pytest.mark.parametrize(
    ("quanta", "mbps", "stop_ms"),
    [
        (65535, 1000, 33.554),  # 65 535 x 512 bits = 33 553 920 bits
        (65535, 100, 335.539),
        (1, 1000, 0.001),  # 512 ns
        (1954, 1000, 1.0),
    ],
)
def test_the_longest_stop(tmp_path, quanta, mbps, stop_ms):
    facts = replace(studied(tmp_path, [(0.0, arp(1, 2)), (1.0, pause(quanta))]), link_mbps=mbps)
    finding = judge(facts)
    assert finding.measured["longest_stop_ms"] == pytest.approx(stop_ms, abs=1e-3)
    assert finding.outcome == Outcome.CAUTION


@pytest.mark.parametrize(("per_s", "outcome"), [(9, Outcome.CAUTION), (10, Outcome.FAIL), (15, Outcome.FAIL)])
def test_how_many_are_sustained(tmp_path, per_s, outcome):
    finding = judge(studied(tmp_path, [(0.0, arp(1, 2))], every(0.05, pause(65535), 0.2, 0.2 + per_s * 0.05)))
    assert (finding.outcome, finding.culprits) == (outcome, (mac(0x31),))
    assert finding.measured["ordered_in_all_ms"] == pytest.approx(per_s * 33.554, abs=0.01)
    assert "33.55 ms at 1000 Mb/s (assumed)" in finding.headline
    assert (f"up to {per_s} frames in a second" in finding.headline) == (outcome == Outcome.FAIL)
    assert f"sent {per_s}, each for at most 33.55 ms" in told(finding)
    assert finding.fixes and finding.cautions


@pytest.mark.parametrize("frames", [[], [(0.5, pause(0))], [(0.5, pause(65535, opcode=0x0101))]])
def test_what_orders_no_stop_proves_nothing(tmp_path, frames):
    """Nothing at all, the end of a stop, another operation (IEEE 802.1Qbb) whose fields mean something
    else."""
    finding = judge(studied(tmp_path, [(0.0, arp(1, 2))], frames))
    assert finding.outcome == Outcome.UNPROVEN
    assert finding.measured["most_in_1s"] == finding.measured["longest_stop_ms"] == 0


def test_what_else_comes_by_orders_no_stop(tmp_path):
    """Of a smaller and of a greater EtherType than theirs, and this computer's own, which are named so."""
    others = [ethernet(RESERVED, mac(0x32), kind, b"\0\1\xff\xff") for kind in (0x8807, 0x8809)]
    frames = [(0.0, arp(1, 2), False), (0.1, others[0], False), (0.2, others[1], False)]
    write_with_direction(tmp_path / "own.pcapng", [*frames, (0.3, pause(1000), True)])
    finding = judge(study(str(tmp_path / "own.pcapng")))
    assert finding.measured["frames"] == 1 and "this computer sent 1," in told(finding)
    assert finding.headline.startswith("1 pause frame: ") and finding.spans == ((0.3, 0.3),)


def test_four_senders_are_shown_the_busiest_first_and_all_are_culprits(tmp_path):
    def of(sender: int) -> bytes:
        return pause(1000)[:6] + bytes.fromhex(mac(sender).replace(":", "")) + pause(1000)[12:]

    frames = [(n / 100 + k / 10, of(0x40 + n)) for n in range(6) for k in range(n + 1)]
    finding = judge(studied(tmp_path, [(0.0, arp(1, 2))], frames))
    assert finding.measured["frames"] == 21 and finding.measured["most_in_1s"] == 6
    assert len(finding.evidence) == 4 and " sent 6, each" in finding.evidence[0].text
    assert finding.culprits == tuple(mac(0x40 + n) for n in range(5, -1, -1))
    assert finding.spans == ((0.0, pytest.approx(0.55)),)


def test_a_link_whose_rate_is_known_is_not_assumed(tmp_path):
    facts = studied(tmp_path, [(0.0, arp(1, 2)), (1.0, pause(1000))])
    assert "(assumed)" not in judge(replace(facts, link_assumed=False)).headline
    assert judge(facts).measured["link_mbps"] == 1000
