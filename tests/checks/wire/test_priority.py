"""Priority marks: what AES67 asks for (from memory), what is cleared, what is merely another choice."""

import struct
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.tally.captures import Timed, ethernet, every, mac, rtp, studied, told, udp

PASS, CAUTION, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.UNPROVEN
ONE, TWO = "233.252.0.9", "233.252.0.10"


judge = asked("priority")


def stream(sender: int = 5, group: str = ONE, dscp: int = 34, count: int = 300) -> list[Timed]:
    return [(n / 1000, rtp(sender, group, n, dscp=dscp)) for n in range(count)]


def sync(number: int) -> bytes:
    """A PTP version 2 Sync of domain 0 (IEEE 1588-2008 table 18)."""
    return bytes([0, 2, 0, 44]) + bytes(26) + struct.pack(">HBb", number, 0, -3) + bytes(10)


def clock(dscp: int = 46, sender: int = 1) -> list[Timed]:
    return every(0.125, lambda n: udp(sender, "224.0.1.129", 319, sync(n), tos=dscp << 2), 0, 1)


def busy(facts: Facts) -> Facts:
    """As if the link were so slow that what was heard fills it."""
    return replace(facts, link_mbps=10)


@pytest.mark.parametrize(("link_mbps", "outcome"), [(28, CAUTION), (31, PASS)])
def test_on_a_link_that_is_nearly_empty_nothing_waits(tmp_path, link_mbps, outcome):
    """300 packets of 1 230 bytes, with what the wire adds: 3.0 Mbit in the second."""
    facts = replace(studied(tmp_path, stream(dscp=0)), link_mbps=link_mbps)
    finding = judge(facts)
    assert finding.outcome == outcome
    assert ("nearly empty" in finding.headline) == (outcome == PASS)


def test_marked_as_aes67_asks(tmp_path):
    finding = judge(studied(tmp_path, stream(), clock()))
    assert finding.outcome == PASS
    assert finding.headline == "Marked to go first: clock DSCP 46, audio DSCP 34."


@pytest.mark.parametrize(
    ("frames", "words", "culprits"),
    [
        ([stream(dscp=0), clock()], "The audio is not marked (DSCP 0).", (mac(5),)),
        ([stream(), clock(0)], "The clock is not marked (DSCP 0).", (mac(1),)),
        ([stream(), stream(6, TWO, 0)], "1 of 2 audio streams is not marked (DSCP 0).", (mac(6),)),
        (
            [stream(), stream(6, TWO, 26)],
            "1 of 2 audio streams is marked otherwise than the rest.",
            (mac(6),),
        ),
        ([stream(dscp=46), clock()], "the clock waits behind the audio", (mac(1),)),
    ],
)
def test_wrong_marks(tmp_path, frames, words, culprits):
    finding = judge(busy(studied(tmp_path, *frames)))
    assert finding.outcome == CAUTION
    assert words in finding.headline
    assert finding.culprits == culprits
    assert finding.fixes and finding.cautions


def test_a_switch_that_clears_all_marks(tmp_path):
    finding = judge(busy(studied(tmp_path, stream(dscp=0), clock(0))))
    assert "every IP frame here has mark 0" in told(finding)
    assert set(finding.culprits) == {mac(5), mac(1)}


def test_marks_that_change(tmp_path):
    changing = [(n / 1000, rtp(5, ONE, n, dscp=34 if n % 3 else 0)) for n in range(1, 300)]
    finding = judge(studied(tmp_path, changing))
    assert finding.outcome == CAUTION
    assert "The marks of 1 audio stream change on the way." in finding.headline


def test_another_plan_that_agrees_with_itself(tmp_path):
    """Clock above audio, all alike: right where the switches are set for it."""
    finding = judge(studied(tmp_path, stream(dscp=46), stream(6, TWO, 46), clock(56)))
    assert finding.outcome == PASS
    assert "audio is marked 46, not 34" in told(finding)


@pytest.mark.parametrize(("pcp", "outcome"), [(6, PASS), (0, CAUTION)])
def test_a_clock_that_is_not_ip_by_its_tag(tmp_path, pcp, outcome):
    def tagged(number: int) -> bytes:
        body = struct.pack(">HH", pcp << 13 | 1, 0x88F7) + sync(number)
        return ethernet("01:1b:19:00:00:00", mac(1), 0x8100, body)

    assert judge(studied(tmp_path, every(0.125, tagged, 0, 1))).outcome == outcome


def test_nothing_to_judge(tmp_path):
    untagged = every(0.125, lambda n: ethernet("01:1b:19:00:00:00", mac(1), 0x88F7, sync(n)), 0, 1)
    finding = judge(studied(tmp_path, untagged))
    assert finding.outcome == UNPROVEN
    assert "no VLAN tag" in finding.headline
    assert judge(studied(tmp_path, every(0.1, udp(1, TWO, 6000, b"hello"), 0, 1))).outcome == UNPROVEN
    assert judge(Facts()) is None


@pytest.mark.parametrize(("other", "outcome"), [(3, PASS), (4, CAUTION)])
def test_one_in_a_hundred_may_be_marked_otherwise(tmp_path, other, outcome):
    frames = [(n / 1000, rtp(5, ONE, n, dscp=0 if 0 < n <= other else 34)) for n in range(300)]
    assert judge(studied(tmp_path, frames)).outcome == outcome


def test_of_many_senders_six_are_shown_and_all_are_culprits(tmp_path):
    many = [stream(n, f"233.252.0.{n}", 0, 40) for n in range(11, 18)]
    finding = judge(busy(studied(tmp_path, *many)))
    assert sum("audio marked 0, the usual is 34" in each.text for each in finding.evidence) == 6
    assert sorted(finding.culprits) == [mac(n) for n in range(11, 18)]


def test_the_streams_of_one_sender_are_told_together(tmp_path):
    finding = judge(busy(studied(tmp_path, stream(5, ONE, 0), stream(5, TWO, 0), clock())))
    assert finding.headline == "The audio is not marked (DSCP 0)."
    assert "audio marked 0, the usual is 34 in 2 flows" in told(finding) and finding.culprits == (mac(5),)
    one = judge(busy(studied(tmp_path, stream(5, ONE, 0), clock())))
    assert "flows" not in told(one)
    assert one.measured == {"clock_dscp": [46], "media_dscp": [0]}


def test_what_was_not_heard_is_said(tmp_path):
    assert (
        judge(studied(tmp_path, stream())).headline
        == "Marked to go first: audio DSCP 34. No clock was heard."
    )
    assert (
        judge(studied(tmp_path, clock())).headline
        == "Marked to go first: clock DSCP 46. No stream was heard."
    )
    two = judge(studied(tmp_path, clock(56), clock(56, 2)))
    assert "clock is marked 56, not 46" in told(two) and two.outcome == PASS


@pytest.mark.parametrize(("senders", "cleared"), [(1, False), (2, True)])
def test_one_sender_alone_shows_no_clearing(tmp_path, senders, cleared):
    some = [stream(n, f"233.252.0.{n}", 0) for n in range(5, 5 + senders)]
    assert ("every IP frame here has mark 0" in told(judge(busy(studied(tmp_path, *some))))) is cleared
    marked = every(0.1, udp(8, "233.252.0.8", 6000, b"x", tos=4), 0, 0.3)
    assert "every IP frame" not in told(judge(busy(studied(tmp_path, *some, marked))))


@pytest.mark.parametrize("odd", [26, 40])
def test_otherwise_than_the_rest_is_lower_or_higher(tmp_path, odd):
    finding = judge(studied(tmp_path, stream(), stream(6, TWO, odd), stream(7, "233.252.0.11")))
    assert finding.headline == "1 of 3 audio streams is marked otherwise than the rest."
    assert finding.culprits == (mac(6),) and f"audio marked {odd}, the usual is 34" in told(finding)
    agreed = studied(tmp_path, stream(5, ONE, odd), stream(6, TWO, odd), stream(7, "233.252.0.11", 46))
    assert judge(agreed).culprits == (mac(7),), "where none has the usual mark, that of most is right"


def test_two_of_three_are_told_as_several(tmp_path):
    frames = stream(), stream(6, TWO, 0), stream(7, "233.252.0.11", 0)
    assert judge(busy(studied(tmp_path, *frames))).headline == "2 of 3 audio streams are not marked (DSCP 0)."
    quiet = replace(studied(tmp_path, *frames), link_mbps=1000)
    assert judge(quiet).headline == "Marked to go first: audio DSCP 0 and 34. No clock was heard."
