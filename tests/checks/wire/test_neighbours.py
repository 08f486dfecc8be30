"""The neighbours check: where switch and computer disagree, and what is no disagreement."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from tests.checks.asked import asked
from tests.checks.computers import desk
from tests.checks.wire.test_stray_dhcp import heard, shown
from tests.rig import shows
from tests.wire import samples
from tests.wire.samples import SERVER

judge = asked("neighbours")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
OTHER = "00:00:5e:00:53:43"
# IEEE 802.3 annex 79.3; 1000BASE-T full is 30, half 29, 100BASE-TX full 16 (IANA-MAU-MIB).
GIGABIT, HALF, HUNDRED = "00120f01036c01001e", "00120f01036c01001d", "00120f01036c010010"


def at_desk(*frames, **audio) -> Facts:
    host = desk(**audio)
    return replace(heard(*frames), host=host.host, adapter=host.adapter)


def word(*more: str, **how) -> tuple:
    return ("lldp", 1.0, samples.lldp(more=more, mac_bridge_enabled=1, **how))


def test_both_ends_agree():
    finding = judge(at_desk(word(GIGABIT, "00120f0405ee", "0080c2010014")))
    assert (finding.outcome, finding.headline) == (PASS, "This is backstage, port port 3.")
    assert "1000 Mb/s, full duplex, frames of up to 1518 bytes, VLAN 20" in shown(finding)
    assert finding.measured["vlan"] == 20 and f"({SERVER}, LLDP)" in shown(finding)


@pytest.mark.parametrize(
    ("value", "audio", "outcome", "words"),
    [
        (HALF, {}, FAIL, "backstage, port port 3 is half duplex, audio is full duplex"),
        (GIGABIT, {"duplex": "half"}, FAIL, "Duplex mismatch"),
        (HUNDRED, {}, CAUTION, "says 100 Mb/s, audio says 1000 Mb/s"),
        ("00120f0405ee", {"mtu": 9000}, CAUTION, "up to 1518 bytes, audio may send 9018"),
        ("00120f0405ed", {}, CAUTION, "up to 1517 bytes"),
        ("00120f05001e001e001e001e001e", {}, CAUTION, "to sleep"),
    ],
)
def test_disagreements(value, audio, outcome, words):
    finding = judge(at_desk(word(value), **audio))
    assert finding.outcome == outcome and words in finding.headline
    assert finding.fixes and finding.cautions and finding.culprits == ("audio",)


@pytest.mark.parametrize(
    ("value", "audio"),
    [
        (GIGABIT, {"duplex": None, "speed_mbps": None, "mtu": None}),
        ("00120f01036c012000", {}),  # a type that nobody knows
        ("00120f042400", {}),  # the switch takes more than this computer sends
        ("00120f050000000000000000 0000", {}),
        ("0080c20300010764656661756c74", {}),
    ],
)
def test_what_is_not_said_is_not_compared(value, audio):
    assert judge(at_desk(word(value), **audio)).outcome == PASS


def test_a_mismatch_comes_before_the_rest():
    finding = judge(at_desk(word("00120f01036c01000f")))  # 100 Mb/s, half
    assert finding.outcome == FAIL and "says 100 Mb/s" in shown(finding)


def test_the_latest_word_counts():
    assert judge(at_desk(word(HALF), word(GIGABIT))).outcome == PASS


def test_several_neighbours_at_one_cable():
    both = word(), word(src=OTHER, name=b"stage")
    finding = judge(at_desk(*both))
    assert finding.outcome == CAUTION and "2 devices" in finding.headline
    assert "small switch" in finding.fixes[0] and "stage" in shown(finding)
    assert judge(at_desk(*both, word(src=OTHER, ttl=0))).outcome == PASS, "it said farewell"
    assert judge(heard(*both)).headline == "2 neighbours: backstage, port port 3; stage, port port 3."
    assert judge(replace(at_desk(*both), vantage="mirror")).outcome == PASS


def test_this_computer_is_no_neighbour():
    own = (*word(HALF, src=OTHER), {"outgoing": True})
    assert judge(at_desk(own)).outcome == UNPROVEN
    assert judge(at_desk(word(GIGABIT), own)).outcome == PASS


def test_lldp_to_a_farther_bridge_is_no_word_of_this_port():
    frame = samples.lldp(more=(HALF,))
    frame.dst = "01:80:c2:00:00:00"
    assert judge(at_desk(("lldp", 0, frame))).outcome == UNPROVEN


def test_cdp_alone_and_beside_lldp():
    half = ("cdp", 0, samples.cdp(duplex=0, vlan=20))
    finding = judge(at_desk(half))
    assert finding.outcome == FAIL and "foh-switch, port port 3 is half duplex" in finding.headline
    assert f"({SERVER}, CDP)" in shown(finding)
    assert judge(at_desk(word(GIGABIT), half)).outcome == PASS, "it may come from a switch farther on"
    two = ("cdp", 0, samples.cdp(src=OTHER, device=b"far"))
    assert judge(at_desk(half, two)).outcome == PASS


def test_in_a_capture_it_is_told_who():
    finding = judge(heard(word(HALF)))
    assert (finding.outcome, finding.headline) == (PASS, "The neighbour is backstage, port port 3.")
    assert SERVER in shown(finding)


def test_nothing_heard():
    assert "No switch told" in judge(at_desk()).headline and judge(at_desk()).outcome == UNPROVEN
    assert judge(Facts()) is None
    assert judge(Facts(wire_refused="no privilege")).outcome == UNPROVEN
    assert judge(Facts(source=SourceFacts("live", "eth0"))).outcome == UNPROVEN


@pytest.mark.parametrize(
    ("limits", "outcome"),
    [({"neighbours": 1}, CAUTION), ({"neighbours": 2}, PASS), ({"frame_overhead": 22}, CAUTION)],
)
def test_the_limits_of_the_sheet_decide(limits, outcome):
    both = word(), word(src=OTHER, name=b"stage")
    frames = both if "neighbours" in limits else [word("00120f0405ee")]
    facts = replace(at_desk(*frames), sheet=replace(shows.sheet(), limits={"neighbours": limits}))
    assert judge(facts).outcome == outcome


def test_every_disagreement_has_its_fix():
    finding = judge(at_desk(word("00120f01036c01000f", "00120f05001e001e001e001e001e", "00120f0405ed")))
    assert finding.outcome == FAIL and finding.headline.startswith("Duplex mismatch")
    told = " ".join(finding.fixes)
    assert all(
        fix in told for fix in ("speed and duplex", "Follow the cable", "MTU to 1500", "energy-efficient")
    )
    assert finding.fixes[-1] == AGAIN and finding.measured["speed_mbps"] == 100 and finding.measured["eee"]


def test_several_neighbours_blame_nobody():
    assert judge(at_desk(word(), word(src=OTHER, name=b"stage"))).culprits == ()


def test_at_a_mirror_nothing_is_compared():
    assert judge(replace(at_desk(word(HALF)), vantage="mirror")).outcome == PASS


def test_what_this_computer_says_by_cdp_is_no_neighbour():
    assert judge(at_desk(("cdp", 0, samples.cdp(duplex=0), {"outgoing": True}))).outcome == UNPROVEN
