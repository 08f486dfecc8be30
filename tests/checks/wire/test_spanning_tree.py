"""The spanning tree check: takeovers, changes and slow ports; and flags that are no event."""

from dataclasses import replace
from pathlib import Path

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import arp, studied, told
from tests.wire.samples import bpdu, topology_change_notice

judge = asked("spanning-tree")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
PUBLIC = Path(__file__).parents[4] / "shared" / "public-captures"


@pytest.fixture
def spoken(tmp_path):
    """What is said of a capture of these frames, one every two seconds."""

    def said(*frames: bytes, every_s: float = 2.0, vantage="access port") -> Finding:
        facts = studied(tmp_path, [(n * every_s, frame) for n, frame in enumerate(frames)])
        return judge(replace(facts, vantage=vantage))

    return said


@pytest.mark.parametrize(
    ("version", "name"),
    [(0, "old spanning tree (802.1D)"), (2, "rapid spanning tree"), (3, "multiple spanning tree")],
)
def test_a_calm_tree(spoken, version, name):
    finding = spoken(*[bpdu(0xF1, 0xF2, version=version, forward_s=4)] * 6)
    assert finding.headline.startswith(f"The {name} is calm") and finding.measured["wait_s"] == 8
    assert finding.outcome == PASS and "00:00:5e:00:53:f1" in finding.headline
    assert "root 00:00:5e:00:53:f1 (priority 32768), told by 00:00:5e:00:53:f2" in told(finding)


def test_another_root_takes_over(spoken):
    finding = spoken(*[bpdu(0xF1, 0xF2)] * 3, *[bpdu(0xAA, 0xF2, priority=0x1000)] * 3)
    assert (finding.outcome, finding.culprits) == (FAIL, ("00:00:5e:00:53:aa",))
    assert "took over as root at 6.0 s" in finding.headline and finding.spans == ((4.0, 8.0),)
    assert finding.evidence[0].frame == 4 and finding.cautions and finding.fixes


@pytest.mark.parametrize(("before", "outcome"), [(1, CAUTION), (2, FAIL)])
def test_a_root_told_twice_had_settled(spoken, before, outcome):
    finding = spoken(*[bpdu(0xF1, 0xF2)] * before, *[bpdu(0xF0, 0xF2)] * 3)
    assert finding.outcome == outcome
    words = (
        "Another switch took over as root: ICANN 53:f0 (00:00:5e:00:53:f0)"
        if outcome == FAIL
        else "The root changed, from"
    )
    assert finding.undated.startswith(words)


def test_the_old_standard_holds_ports_back_for_twice_the_forward_delay(spoken):
    old = {"version": 0, "forward_s": 4}
    finding = spoken(*[bpdu(0xF1, 0xF2, **old)] * 3, *[bpdu(0xF0, 0xF2, **old)] * 3)
    assert finding.outcome == FAIL and finding.spans == ((4.0, 14.0),)
    finding = spoken(*[bpdu(**old)] * 6, bpdu(flags=1, **old))
    assert finding.outcome == CAUTION and finding.spans == ((4.0, 12.0),)


def test_the_root_goes_away(spoken):
    finding = spoken(*[bpdu(0xF1, 0xF2)] * 3, *[bpdu(0xF2, 0xF2)] * 3)
    assert finding.outcome == CAUTION and "root changed at 6.0 s" in finding.headline
    assert finding.culprits == ()


def test_a_switch_that_comes_up_believes_in_itself_at_first(spoken):
    finding = spoken(bpdu(0xF2, 0xF2), *[bpdu(0xF1, 0xF2)] * 4)
    assert finding.outcome == CAUTION


def test_a_lower_address_alone_takes_over_too(spoken):
    """IEEE 802.1D-1998 9.2.5: the address decides where priorities are the same."""
    assert spoken(*[bpdu(0xF1, 0xF2)] * 3, *[bpdu(0xF0, 0xF2)] * 2).outcome == FAIL


def test_switches_that_do_not_agree(spoken):
    frames = [bpdu(0xF1, 0xF1), bpdu(0xF2, 0xF2)] * 2
    finding = spoken(*frames)
    assert finding.outcome == CAUTION and "do not agree" in finding.headline
    assert spoken(*frames, vantage="unknown").outcome == CAUTION
    assert spoken(*frames, vantage="mirror").outcome == PASS
    once = [bpdu(0xF1, 0xF1)] * 2 + [bpdu(0xF2, 0xF2)]
    assert spoken(*once).outcome == PASS, "it may not have heard yet"


def test_each_vlan_has_a_tree_of_its_own(spoken):
    finding = spoken(*[bpdu(0xF1, 0xF3, vlan=10), bpdu(0xF2, 0xF3, vlan=20, version=3)] * 3)
    assert finding.outcome == PASS and "of VLAN 20" in told(finding)
    assert finding.headline.startswith("The multiple spanning tree is calm; ICANN 53:f2 (00:00:5e:00:53:f2)")
    assert len(spoken(*[bpdu(vlan=vlan) for vlan in range(1, 6)]).evidence) == 4


@pytest.mark.parametrize(
    ("flags", "outcome"),
    [
        ([1, 1, 1, 0, 0], PASS),  # a switch that came up before
        ([1, 1, 1, 1, 1], PASS),
        ([0, 0, 1, 1, 1], CAUTION),
        ([1, 0, 0, 1, 1], CAUTION),
    ],
)
def test_only_a_flag_that_goes_on_is_a_change(spoken, flags, outcome):
    finding = spoken(*(bpdu(flags=flag) for flag in flags))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.headline.startswith("The topology changed, told at ")
        assert "topology changed: " in finding.undated and finding.culprits == ()
        told_s = 2.0 * (flags.index(0) + flags[flags.index(0) :].index(1))
        assert finding.spans == ((told_s - 2, told_s),), "the rapid standard holds ports back for two seconds"


# One change keeps the flag for maximum age and forward delay (IEEE 802.1D-1998 8.5.3.13): here 6 + 2 s, and
# half a hello.
@pytest.mark.parametrize(("every_s", "outcome"), [(9.0, PASS), (9.001, CAUTION)])
def test_a_flag_that_stays_on_for_too_long_is_a_change(spoken, every_s, outcome):
    long_on = [bpdu(version=0, flags=1, age_s=6, forward_s=2)] * 2
    finding = spoken(arp(1, 2), *long_on, every_s=every_s)
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert "longer than one lasts" in told(finding) and finding.spans == (pytest.approx((6.002, 18.002)),)


def test_a_switch_asks_for_a_change(spoken):
    finding = spoken(*[bpdu(0xF1, 0xF1)] * 3, topology_change_notice())
    assert finding.outcome == CAUTION and "00:00:5e:00:53:f2" in told(finding)
    alone = spoken(topology_change_notice())
    assert alone.outcome == CAUTION and alone.measured["wait_s"] == 0
    assert alone.fixes[1].startswith("Look for a cable between switches") and "in all" not in told(alone)


def test_several_changes_are_told_as_one(spoken):
    finding = spoken(topology_change_notice(), *(bpdu(flags=flag) for flag in (0, 1, 0, 1)))
    assert "told at 0.0 s" in finding.headline and "; 3 such in all" in told(finding)
    assert finding.spans == ((0.0, 8.0),)


@pytest.mark.parametrize(
    ("version", "forward_s", "outcome"), [(0, 15, CAUTION), (0, 4.99, PASS), (0, 5, CAUTION), (2, 15, PASS)]
)
def test_the_old_standard_is_slow(spoken, version, forward_s, outcome):
    finding = spoken(*[bpdu(version=version, forward_s=forward_s)] * 3)
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert f"for {2 * forward_s} s" in finding.headline and "edge port" in " ".join(finding.fixes)


def test_what_cannot_be_known(spoken):
    assert spoken().outcome == UNPROVEN
    assert "No switch speaks" in spoken(arp(1, 2), arp(1, 2)).headline


# Two hello times show that nothing changes; one of less than a second or more than ten is not believed.
@pytest.mark.parametrize(("hello_s", "least_s"), [(0, 2), (1.5, 3), (2, 4), (10, 20), (12, 20)])
def test_two_hello_times_at_least(spoken, hello_s, least_s):
    word = bpdu(hello_s=hello_s)
    assert spoken(word, word, every_s=least_s).outcome == PASS
    short = spoken(word, word, every_s=least_s - 0.06)
    assert short.outcome == UNPROVEN and f"needs at least {least_s} s" in short.headline


def test_the_first_that_is_slow_is_named(spoken):
    slow = [bpdu(0xF1, bridge, version=0, forward_s=wait) for bridge, wait in ((0xF1, 15), (0xF2, 10))]
    assert "holds every box back for 30 s" in spoken(*slow, *slow).headline
    assert spoken(slow[0], bpdu(0xF1, 0xF2), bpdu(0xF1, 0xF2)).outcome == CAUTION


def test_no_span_begins_before_the_capture(spoken):
    finding = spoken(*[bpdu(0xF1, 0xF2)] * 2, *[bpdu(0xF0, 0xF2)] * 2, every_s=0.5)
    assert finding.spans == ((0.0, 3.0),)


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize(
    ("file", "word"),
    [
        ("802.1D_spanning_tree.pcap", "holds every box back for 30 s"),
        ("802.1w_rapid_STP.pcap", "rapid spanning tree"),
        ("rpvstp-trunk-native-vid5.pcap", "of VLAN"),
    ],
)
def test_public_captures(file, word):
    assert word in told(judge(study(str(PUBLIC / file))))


@pytest.mark.parametrize(("changes", "outcome"), [(4, CAUTION), (5, FAIL), (9, FAIL)])
def test_a_topology_that_changes_again_and_again_is_graver_than_once(tmp_path, changes, outcome):
    tree = [(2.0 * n, bpdu(0xF1, 0xF2)) for n in range(20)]
    asks = [(3.1 + 4 * n, topology_change_notice()) for n in range(changes)]
    finding = judge(studied(tmp_path, sorted(tree + asks)))
    assert finding.outcome == outcome
    assert (f"{changes} times within a minute" in finding.headline) == (outcome == FAIL)


def test_changes_that_are_told_together_or_minutes_apart_are_few(tmp_path):
    tree = [(2.0 * n, bpdu(0xF1, 0xF2)) for n in range(180)]
    together = [(3.1 + 0.4 * n, topology_change_notice(0xF3 + n)) for n in range(6)]
    apart = [(20.1 + 62 * n, topology_change_notice()) for n in range(5)]
    assert judge(studied(tmp_path, sorted(tree + together))).outcome == CAUTION
    assert judge(studied(tmp_path, sorted(tree + apart))).outcome == CAUTION


PROPOSES, FORWARDS = 0x0E, 0x3C


def test_a_port_that_a_rapid_switch_does_not_open(spoken):
    """It proposes, and what is plugged in cannot agree: only an edge port opens at once."""
    finding = spoken(*[bpdu(flags=PROPOSES)] * 6)
    assert finding.outcome == CAUTION and "cut off for up to 30 s" in finding.headline
    assert "holds a port back for 10 s" in finding.headline and finding.spans == ((0.0, 10.0),)
    assert any("edge port" in step for step in finding.fixes)
    opened = spoken(*[bpdu(flags=PROPOSES)] * 4, *[bpdu(flags=FORWARDS)] * 6)
    assert opened.outcome == CAUTION and "held a port back for 6 s" in opened.headline


def test_two_switches_that_agree_at_once_hold_nothing_back(spoken):
    assert spoken(bpdu(flags=PROPOSES), *[bpdu(flags=FORWARDS)] * 5).outcome == PASS
    quick = spoken(*[bpdu(flags=PROPOSES)] * 3, *[bpdu(flags=FORWARDS)] * 20, every_s=0.5)
    assert quick.outcome == PASS
