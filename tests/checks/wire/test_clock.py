"""The clock check: lost, two at once, handed over, the wrong one, its pace; and what is no fault."""

from dataclasses import replace
from pathlib import Path
from time import process_time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN
from preflight.study import study
from preflight.tally.facts import ClockPort
from tests.checks.asked import asked
from tests.checks.ptp import (
    DELAY_REQUEST,
    announce,
    announces,
    master,
    message,
    sync_v1,
    syncs,
)
from tests.lab import frames as raw
from tests.tally.captures import every, mac, mirrored, rtp, studied, told

judge = asked("clock")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN


def stream(end: float, start: float = 0.0):
    return every(0.01, lambda n: rtp(9, "233.252.0.1", n, bytes(8)), start, end)


def test_one_steady_clock(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0.1, 10), stream(10)))
    assert (finding.outcome, finding.culprits) == (PASS, ())
    assert mac(1) in finding.headline and "version 2 over Ethernet, domain 0" in told(finding)


def test_over_udp_and_in_another_domain(tmp_path):
    finding = judge(studied(tmp_path, announces(1, 0, 8, udp=True, domain=3)))
    assert "version 2 over UDP/IPv4, domain 3" in told(finding)


# Announce receipt timeout: three intervals (IEEE 1588-2008 J.3.2).
@pytest.mark.parametrize("interval_s", [1, 2])
@pytest.mark.parametrize(("over_s", "outcome"), [(0, PASS), (0.001, FAIL)])
def test_lost_when_nobody_announces_for_three_intervals(tmp_path, interval_s, over_s, outcome):
    announced = announce(1, log2=interval_s - 1)
    back_s = 4 + 3 * interval_s + over_s  # the last one before is at 4 s
    frames = every(interval_s, announced, 0, 4 + interval_s), every(interval_s, announced, back_s, 20)
    finding = judge(studied(tmp_path, *frames, stream(20), syncs(1, 0, 20)))
    assert finding.outcome == outcome
    if outcome == FAIL:
        assert finding.headline == f"The clock was lost at 4.0 s. It came back after {3 * interval_s:.1f} s."
        assert finding.undated == f"The clock was lost. It came back after {3 * interval_s:.1f} s."
        assert (
            finding.spans == (pytest.approx((4.0, back_s)),)
            and mac(1) in told(finding)
            and finding.culprits == ()
        )
        assert finding.fixes[0].startswith("Check the cable") and finding.fixes[-1] == AGAIN


# In version 1 Sync announces: ten intervals (IEEE 1588-2002), here of a quarter of a second.
@pytest.mark.parametrize(("silent_s", "outcome"), [(2.49, PASS), (2.51, FAIL)])
def test_version_1_is_lost_after_ten_sync_intervals(tmp_path, silent_s, outcome):
    frames = every(0.25, sync_v1(1), 0, 5), every(0.25, sync_v1(1), 4.75 + silent_s, 12)
    assert judge(studied(tmp_path, *frames, stream(12))).outcome == outcome


@pytest.mark.parametrize(("end", "outcome"), [(7.01, PASS), (7.02, FAIL)])
def test_lost_at_the_end_of_the_capture(tmp_path, end, outcome):
    """The last announcement is at 4 s, the last frame one hundredth before `end`."""
    assert judge(studied(tmp_path, announces(1, 0, 5), syncs(1, 0, 7), stream(end))).outcome == outcome


@pytest.mark.parametrize(
    ("start", "end", "outcome"),
    [(5.0, 9, FAIL), (5.01, 9, CAUTION), (0, 7.01, FAIL), (0, 7.0, CAUTION)],
)
def test_streams_go_on_where_they_cover_all_but_a_second_of_the_silence(tmp_path, start, end, outcome):
    """The clock is gone from 4 s to 8 s."""
    frames = announces(1, 0, 5), announces(1, 8, 10), syncs(1, 0, 10)
    assert judge(studied(tmp_path, *frames, stream(end, start))).outcome == outcome


def test_lost_for_good(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 4), stream(10)))
    assert finding.outcome == FAIL and "has not come back" in finding.headline


def test_lost_without_streams_is_a_caution(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 4), every(1.5, rtp(9, "233.252.0.1", 1), 0, 9)))
    assert finding.outcome == CAUTION


def test_a_capture_that_lost_frames_cannot_tell(tmp_path):
    facts = studied(tmp_path, announces(1, 0, 4), stream(10), syncs(1, 0, 4, follow=False))
    finding = judge(replace(facts, source=replace(facts.source, dropped=50)))
    assert finding.outcome == CAUTION and "capture itself lost" in told(finding)
    assert "follow-up" not in told(finding)


def test_a_hole_in_the_whole_capture_is_no_lost_clock(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 4), stream(4), master(1, 8, 12), stream(12, 8)))
    assert finding.outcome == PASS


def test_a_clock_that_comes_late_is_told(tmp_path):
    late = judge(studied(tmp_path, master(1, 3.1, 12), stream(12)))
    assert late.outcome == CAUTION and late.spans == ((0.0, 3.1),)
    begun = [(0.0, rtp(8, "233.252.0.2", 1))], stream(12, 0.9), master(1, 3.1, 12)
    assert judge(studied(tmp_path, *begun)).spans == late.spans, "streams that begin within a second count"
    assert late.headline == "No clock led for the first 3.1 s, while streams went on."
    assert judge(studied(tmp_path, master(1, 3.0, 12), stream(12))).outcome == PASS
    assert judge(studied(tmp_path, [(0.0, rtp(9, "233.252.0.1", 1))], master(1, 5, 12))).outcome == PASS


# Two at once: both for longer than the receipt timeout.
@pytest.mark.parametrize(("start", "outcome"), [(3.0, FAIL), (5.999, FAIL), (6.0, CAUTION)])
def test_two_at_once_or_handing_over(tmp_path, start, outcome):
    """The first announces until 9 s; a receiver has given it up three seconds after the second came."""
    finding = judge(studied(tmp_path, master(1, 0, 10), master(2, start, 14, priority1=90)))
    assert finding.outcome == outcome
    assert mac(1) in told(finding) and mac(2) in told(finding)
    assert "priority1 128, class 248" in told(finding) and "priority1 90, class 248" in told(finding)
    if outcome == FAIL:
        assert finding.headline.startswith("Two clocks lead at once")
        assert finding.culprits == (mac(1),), "the one that should have yielded"
        assert finding.spans == ((start, 9.0),)
    else:
        assert "changed hands at 6.0 s" in finding.headline and finding.culprits == (mac(2),)
        assert "changed hands: " in finding.undated


# Says one in two seconds, and so many come, one in six. Less than half beside the longest silence is no
# second clock.
@pytest.mark.parametrize(("count", "outcome"), [(6, FAIL), (7, CAUTION)])
def test_a_clock_that_comes_and_goes_all_the_time_is_no_second_one(tmp_path, count, outcome):
    rare = every(6.0, announce(2, log2=1), 0.5, 0.5 + 6 * count)
    finding = judge(studied(tmp_path, master(1, 0, 50), rare, syncs(2, 0, 40)))
    assert finding.outcome == outcome


def test_a_backup_takes_over_after_a_silence(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 5), master(2, 8.5, 14), stream(14)))
    assert finding.outcome == FAIL and "lost at 4.0 s" in finding.headline
    assert "changed hands" in told(finding)


def test_a_lost_clock_is_not_told_again_as_a_gap_in_sync(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 5), master(1, 8.5, 14), stream(14)))
    assert finding.outcome == FAIL and "sent no Sync" not in told(finding)


def test_there_and_back_is_not_two_at_once(tmp_path):
    finding = judge(
        studied(tmp_path, announces(1, 0, 5), announces(2, 6, 12, priority1=200), announces(1, 12.5, 20))
    )
    assert finding.outcome == CAUTION and "changed hands" in finding.headline


def test_the_wrong_one_wins(tmp_path):
    """The better clock announces twice and gives way: IEEE 1588-2008 9.3.4 would have it lead."""
    finding = judge(studied(tmp_path, master(1, 0, 12), announces(2, 4, 6, priority1=90)))
    assert finding.outcome == CAUTION and finding.headline.startswith(
        f"The wrong clock leads: ICANN 53:01 ({mac(1)})"
    )
    assert "priority1 90 against 128" in told(finding) and finding.culprits == (mac(1),)


def test_a_boundary_clock_is_no_second_master(tmp_path):
    finding = judge(
        studied(tmp_path, master(1, 0, 10), announces(2, 0.3, 10, grandmaster=1, steps=1), syncs(2, 0, 10))
    )
    assert finding.outcome == PASS and mac(1) in finding.headline
    alone = judge(studied(tmp_path, announces(2, 0, 10, grandmaster=1, steps=1), syncs(2, 0, 10)))
    assert alone.outcome == PASS and f"passes on the clock of ICANN 53:01 ({mac(1)}), 1 step away" in told(
        alone
    )


def test_domains_do_not_hear_each_other(tmp_path):
    assert judge(studied(tmp_path, master(1, 0, 10), announces(2, 0.2, 10, domain=1))).outcome == CAUTION
    assert (
        judge(
            studied(tmp_path, master(1, 0, 10), announces(2, 0.2, 10, domain=1), syncs(2, 0, 10, domain=1))
        ).outcome
        == PASS
    )


def test_a_mirror_shows_one_clock_twice(tmp_path):
    facts = studied(tmp_path, mirrored(master(1, 0, 10)), mirrored(stream(10)))
    assert facts.vantage == "mirror" and judge(facts).outcome == PASS


def test_the_announced_clock_changes(tmp_path):
    finding = judge(
        studied(tmp_path, announces(1, 0, 5), announces(1, 5, 10, clock_class=52), syncs(1, 0, 10))
    )
    assert finding.outcome == CAUTION and "changed once, the last time to: priority1 128, class 52" in told(
        finding
    )
    assert finding.evidence[0].time_s == 5.0 and finding.spans == ((5.0, 5.0),)
    twice = announces(1, 0, 4), announces(1, 4, 7, clock_class=52), announces(1, 7, 10)
    assert "changed 2 times, the last time to: priority1 128, class 248" in told(
        judge(studied(tmp_path, *twice))
    )


# The mean may be off by 30 % (IEEE 1588-2008 9.5.9.2): said are four a second.
@pytest.mark.parametrize(("period_s", "outcome"), [(0.176, PASS), (0.324, PASS), (0.326, CAUTION), (0.174, CAUTION)])  # fmt: skip
def test_the_pace_of_sync(tmp_path, period_s, outcome):
    finding = judge(studied(tmp_path, announces(1, 0, 10), syncs(1, 0, 10, period_s=period_s)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert f"every {period_s * 1000:.1f} ms, but says every 250 ms" in finding.headline


def test_a_few_syncs_tell_no_pace(tmp_path):
    for count, outcome in ((7, PASS), (8, CAUTION)):
        some = syncs(1, 0, count * 0.5, period_s=0.5)
        assert judge(studied(tmp_path, announces(1, 0, 5), some)).outcome == outcome


# Three intervals (IEEE 802.1AS-2011 10.6.3), and at least 100 ms.
@pytest.mark.parametrize(
    ("log2", "gap_s", "outcome"),
    [(-2, 0.75, PASS), (-2, 0.751, CAUTION), (-5, 0.099, PASS), (-5, 0.101, CAUTION)],
)
def test_a_gap_in_sync(tmp_path, log2, gap_s, outcome):
    period_s = 2.0**log2
    before, after = (
        syncs(1, start, end, period_s=period_s, log2=log2)
        for start, end in ((0, 5), (5 - period_s + gap_s, 10))
    )
    finding = judge(studied(tmp_path, announces(1, 0, 10), before, after, stream(10)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        says = f"sent no Sync for {gap_s * 1000:.0f} ms; it says one every {period_s * 1000:g} ms."
        assert says in finding.headline
        assert finding.spans == (pytest.approx((5 - period_s, 5 - period_s + gap_s)),)


# At least two, beside one at the capture's edge, and more than one in a hundred.
@pytest.mark.parametrize(
    ("count", "without", "outcome"), [(40, 2, PASS), (40, 3, CAUTION), (400, 5, PASS), (400, 6, CAUTION)]
)
def test_missing_follow_ups(tmp_path, count, without, outcome):
    pace = {"period_s": 1 / 32, "log2": -5}
    all_of_them = sorted(syncs(1, 0, count / 32, **pace))
    frames = [frame for n, frame in enumerate(all_of_them) if n % 2 == 0 or n > 2 * without]
    finding = judge(studied(tmp_path, announces(1, 0, 14), frames))
    missing = f"{without - 1} of {count} Syncs"
    assert finding.outcome == outcome and (missing in finding.headline) == (outcome == CAUTION)


def test_no_follow_up_at_all_and_none_needed(tmp_path):
    finding = judge(studied(tmp_path, announces(1, 0, 10), syncs(1, 0, 10, follow=False)))
    assert finding.outcome == CAUTION and "39 of 40 Syncs" in finding.headline and finding.cautions
    one_step = syncs(1, 0, 10, flags=0, follow=False)
    assert judge(studied(tmp_path, announces(1, 0, 10), one_step)).outcome == PASS


def test_a_master_without_sync(tmp_path):
    finding = judge(studied(tmp_path, announces(1, 0, 4), stream(4)))
    assert finding.outcome == CAUTION and "sends no Sync" in finding.headline
    assert judge(studied(tmp_path, announces(1, 0, 3), stream(4))).outcome == PASS


@pytest.mark.parametrize(("end", "outcome"), [(2.94, UNPROVEN), (2.97, PASS)])
def test_a_clock_is_proven_in_three_intervals(tmp_path, end, outcome):
    """To a tenth of a second, as it is told."""
    finding = judge(studied(tmp_path, master(1, 0, 2), stream(end)))
    assert finding.outcome == outcome
    assert ("Heard for 2.9 s only; this needs at least 3 s." in finding.headline) == (outcome == UNPROVEN)


@pytest.mark.parametrize(("vantage", "outcome"), [("mirror", PASS), ("access port", FAIL)])
def test_a_mirror_shows_the_802_1as_masters_of_several_links(tmp_path, vantage, outcome):
    frames = [f for n in (1, 2) for f in (*announces(n, 0, 9, sdo=1), *syncs(n, 0, 9, sdo=1))]
    assert judge(replace(studied(tmp_path, frames), vantage=vantage)).outcome == outcome


def test_versions_side_by_side(tmp_path):
    v1 = every(0.25, sync_v1(1), 0, 10)
    one_box = judge(studied(tmp_path, v1, announces(1, 0, 10, udp=True), syncs(1, 0, 10, udp=True)))
    assert one_box.outcome == PASS and "PTP version 1 over UDP/IPv4, domain 0" in told(one_box)
    for other in (2, 0):
        two = judge(studied(tmp_path, v1, announces(other, 0, 10, udp=True), syncs(other, 0, 10, udp=True)))
        assert two.outcome == CAUTION and "do not hear each other" in two.headline
        assert two.culprits == (mac(1), mac(other))


@pytest.mark.parametrize(
    ("asker", "outcome"),
    [pytest.param(1, PASS, id="who leads version 1"), pytest.param(3, CAUTION, id="somebody else")],
)
def test_a_box_that_follows_the_one_and_leads_the_other(tmp_path, asker, outcome):
    """A boundary clock between versions asks the one that leads for its delay."""
    asks = every(1.0, message(asker, DELAY_REQUEST, bytes(10), log2=127, udp=True), 0.3, 10)
    v2 = announces(2, 0, 10, udp=True), syncs(2, 0, 10, udp=True)
    assert judge(studied(tmp_path, every(0.25, sync_v1(1), 0, 10), *v2, asks)).outcome is outcome


def test_two_version_1_masters(tmp_path):
    frames = every(0.25, sync_v1(1), 0, 10), every(0.25, sync_v1(2), 0.1, 10)
    assert judge(studied(tmp_path, *frames)).headline.startswith("Two clocks lead at once")


def test_gptp_beside_it_is_told_and_no_fault(tmp_path):
    gptp = announces(7, 0, 10, sdo=1), syncs(7, 0, 10, sdo=1)
    finding = judge(studied(tmp_path, master(1, 0, 10), *gptp))
    assert finding.outcome == PASS and "IEEE 802.1AS over Ethernet" in told(finding)


def test_nothing_heard(tmp_path):
    assert "No PTP clock was heard" in judge(studied(tmp_path, stream(5))).headline
    asks = every(1.0, message(2, DELAY_REQUEST, bytes(10), log2=127), 0, 5)
    assert judge(studied(tmp_path, asks)).outcome == UNPROVEN
    assert judge(studied(tmp_path, announces(1, 0, 2))).outcome == UNPROVEN
    assert judge(studied(tmp_path)).outcome == UNPROVEN


def test_announcements_cut_short_still_show_who_leads(tmp_path):
    finding = judge(studied(tmp_path, master(1, 0, 10), snap=50))
    assert finding.outcome == PASS and mac(1) in finding.headline


def test_senseless_intervals(tmp_path):
    for log2 in (-128, 127):
        frames = every(1.0, announce(1, log2=log2), 0, 12)
        assert judge(studied(tmp_path, frames, syncs(1, 0, 12))).outcome == PASS


def test_a_flood_of_made_up_masters_is_judged_in_time(tmp_path):
    frames = [(n / 1000, announce(n % 250, domain=n % 7, sdo=n % 3)) for n in range(3000)]
    began = process_time()
    assert judge(studied(tmp_path, frames)).evidence
    assert process_time() - began < 10


numbers = st.integers(-(2**63), 2**63 - 1)
seconds = st.floats(0, 1e9)
hostile_port = st.builds(
    ClockPort,
    transport=st.sampled_from(["UDP/IPv4", "Ethernet"]),
    version=st.sampled_from([1, 2]),
    sdo=st.integers(0, 2),
    domain=st.integers(0, 2),
    kind=st.sampled_from(["Announce", "Sync", "Follow_Up", "any master"]),
    clock=st.sampled_from(["01", "02", "00"]),
    port=numbers,
    hardware=st.sampled_from([mac(1), mac(2), "00:00:00:00:00:00"]),
    count=st.integers(1, 20),
    first_frame=st.integers(1, 99),
    first_s=seconds,
    last_s=seconds,
    longest_interval_s=seconds,
    longest_interval_at_s=seconds,
    interval_log2=st.integers(-128, 127),
    two_step=st.booleans(),
    grandmaster=st.sampled_from(["", "01", "02", "00"]),
    steps_removed=st.integers(0, 65535),
    changes=st.integers(0, 2),
    changed_s=st.none() | seconds,
)


@pytest.fixture(scope="module")
def some_facts(tmp_path_factory):
    return studied(tmp_path_factory.mktemp("clock"), stream(0.1))


@settings(deadline=None)
@given(ports=st.lists(hostile_port, max_size=12))
def test_whatever_is_counted_is_judged(ports, some_facts):
    finding = judge(replace(some_facts, tally=replace(some_facts.tally, clocks=tuple(ports))))
    assert finding.headline and (finding.fixes or finding.outcome == PASS)


PUBLIC = Path(__file__).parents[4] / "shared" / "public-captures"


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize(
    ("file", "outcome", "words"),
    [
        ("ptp_v2_1.pcap", PASS, "One clock leads"),
        ("ptp_ethernet.pcap", CAUTION, "passes on the clock 000006ffff010000, 1 step away"),
        ("ptp_management.pcap", UNPROVEN, "no master"),
        ("ptp.pcap", UNPROVEN, "Heard for 0.8 s only; this needs at least 6 s"),
    ],
)
def test_public_captures(file, outcome, words):
    finding = judge(study(str(PUBLIC / file)))
    assert finding.outcome == outcome and words in told(finding)


def test_the_figures_of_the_clocks(tmp_path):
    gptp = announces(7, 0, 10, sdo=1), syncs(7, 0, 10, sdo=1)
    finding = judge(studied(tmp_path, master(1, 0.5, 6), master(1, 8.1234, 12), *gptp, stream(12)))
    assert finding.measured == {
        "domains": 2,
        "masters": ["00005efffe005301", "00005efffe005307"],
        "longest_without_master_s": 2.99,
        "versions": ["802.1AS over Ethernet", "PTP version 2 over Ethernet, domain 0"],
    }
    gap = judge(studied(tmp_path, master(1, 0, 6), master(1, 7.6234, 12), stream(12)))
    assert gap.measured["longest_without_master_s"] == 2.623


def test_two_clocks_that_lead_apart_are_both_named(tmp_path):
    frames = master(1, 0, 10), announces(2, 0, 10, udp=True), syncs(2, 0, 10, udp=True)
    finding = judge(studied(tmp_path, *frames))
    assert finding.headline == (
        "Two clocks lead that do not hear each other: PTP version 2 over Ethernet, domain 0 and PTP version "
        "2 over UDP/IPv4, domain 0."
    )
    assert finding.culprits == (mac(1), mac(2))


@pytest.mark.parametrize(("end", "outcome"), [(7.9, CAUTION), (9.5, CAUTION)])
def test_from_when_to_when_each_announced(tmp_path, end, outcome):
    finding = judge(studied(tmp_path, master(1, 0, 6), master(2, 5.5, end + 1, priority1=90)))
    assert finding.outcome == outcome
    assert "from 0.0 s to 5.0 s: priority1 128" in told(finding)
    assert finding.evidence[0].time_s == 0.0 and finding.evidence[1].time_s == pytest.approx(5.5)
    assert "should lead" not in told(finding), "the better one leads in the end"


def test_of_two_at_once_the_one_that_should_lead_is_told_where_it_does_not(tmp_path):
    """The better one announces for ten seconds, and the other goes on."""
    finding = judge(studied(tmp_path, master(1, 0, 14), master(2, 2, 12, priority1=90)))
    assert finding.outcome == FAIL and finding.culprits == (mac(1),)
    assert "should lead: priority1 90 against 128 (IEEE 1588-2008 9.3.4)" in told(finding)
    assert finding.spans == ((2.0, 11.0),)


def test_the_silence_of_the_one_is_no_time_of_both(tmp_path):
    """It announces until 4 s and from 14 s on, the other from 5 s until 13 s: never both."""
    one = announces(1, 0, 5), announces(1, 14, 19), syncs(1, 0, 19)
    finding = judge(studied(tmp_path, *one, announces(2, 5, 14, priority1=200), syncs(2, 5, 14)))
    assert finding.outcome == CAUTION and "changed hands at 5.0 s" in finding.headline
    assert finding.spans == ((5.0, 13.0),)


@pytest.mark.parametrize(("log2", "lost"), [(4, False), (5, True), (127, True)])
def test_up_to_one_announcement_in_sixteen_seconds_is_believed(tmp_path, log2, lost):
    """One in four comes; a silence of 20 s is longer than three of these, and shorter than three of what is
    said."""
    before, after = every(4.0, announce(1, log2=log2), 0, 24), every(4.0, announce(1, log2=log2), 40, 64)
    finding = judge(studied(tmp_path, before, after, syncs(1, 0, 64)))
    assert ("The clock was lost at 20.0 s" in finding.headline) is lost


@pytest.mark.parametrize(("log2", "lost"), [(-7, True), (-8, False)])
def test_down_to_128_in_a_second(tmp_path, log2, lost):
    frames = every(1.0, announce(1, log2=log2), 0, 6), syncs(1, 0, 6)
    assert ("The clock was lost" in told(judge(studied(tmp_path, *frames)))) is lost


@pytest.mark.parametrize("other", [0, 5])
def test_the_sync_of_another_is_not_the_masters(tmp_path, other):
    """An identity below or above the master's; another keeps the pace that it does not."""
    frames = announces(1, 0, 10), syncs(1, 0, 10, period_s=0.5), syncs(other, 0.1, 10)
    finding = judge(studied(tmp_path, *frames))
    assert (
        finding.outcome == CAUTION and "sends Sync every 500.0 ms, but says every 250 ms" in finding.headline
    )
    alone = judge(studied(tmp_path, announces(1, 0, 10), syncs(other, 0.1, 10)))
    assert "sends no Sync" in alone.headline


@pytest.mark.parametrize(("silent_s", "lost"), [(1.9, True), (2.1, False)])
def test_half_of_the_time_without_a_master_may_be_the_captures_own(tmp_path, silent_s, lost):
    """Nobody announces from 4 s to 8 s; for a part of it nothing at all comes."""
    frames = announces(1, 0, 5), announces(1, 8, 12), stream(4.0), stream(12, 4.0 + silent_s)
    assert ("The clock was lost" in told(judge(studied(tmp_path, *frames)))) is lost


@pytest.mark.parametrize("source", [{"dropped": 1}, {"steps_back": 1}])
def test_a_capture_that_lost_frames_or_whose_time_stepped_back_tells_no_pace(tmp_path, source):
    facts = studied(tmp_path, announces(1, 0, 10), syncs(1, 0, 10, period_s=0.5))
    assert judge(facts).outcome == CAUTION
    assert judge(replace(facts, source=replace(facts.source, **source))).outcome == PASS


def test_who_announced_last_before_it_was_lost_is_told(tmp_path):
    frames = announces(1, 0, 3), announces(2, 3, 6), announces(3, 12, 16)
    finding = judge(studied(tmp_path, *frames, stream(16), syncs(1, 0, 16), syncs(2, 0, 16), syncs(3, 0, 16)))
    assert finding.headline.startswith("The clock was lost at 5.0 s. It came back after 7.0 s.")
    assert f"last announcement of ICANN 53:02 ({mac(2)}): 5.0 s" in told(finding)
    assert "no master for 7.0 s; receivers give up after 3 s, while streams went on" in told(finding)


def test_of_two_ways_to_one_clock_the_slower_tells_how_long_to_wait(tmp_path):
    """Three of the longer interval, 6 s, are the timeout."""
    for back_s, outcome in ((10.1, PASS), (10.3, CAUTION)):
        slow, quick = announces(1, 0, 5, log2=1), announces(2, 0.2, 5, grandmaster=1, steps=1)
        frames = slow, quick, announces(1, back_s, 14, log2=1), syncs(1, 0, 14), syncs(2, 0, 14)
        assert judge(studied(tmp_path, *frames)).outcome == outcome


def test_a_few_of_many_two_step_syncs_without_follow_up_are_counted_by_one_in_a_hundred(tmp_path):
    finding = judge(studied(tmp_path, announces(1, 0, 10), syncs(1, 0, 10, flags=0, follow=False)))
    assert finding.outcome == PASS and finding.headline.startswith("One clock leads: ICANN 53:01")


def in_network(clock: int, ssrc: int, address: str, port: int = 5004):
    """What a box of one of two networks sends: a stream that tells the box's address."""
    group = f"233.252.0.{clock}"

    def packet(n: int) -> bytes:
        data = raw.rtp_header(n, 480 * n, ssrc) + n.to_bytes(4) * 20
        return raw.udp(mac(clock), raw.multicast_mac(group), (address, port), (group, port), data)

    return every(0.01, packet, 0, 10)


@pytest.mark.parametrize(
    ("second", "outcome"),
    [
        pytest.param(in_network(2, 7, "198.51.100.2"), PASS, id="the second network of the pair"),
        pytest.param(in_network(2, 8, "198.51.100.2"), FAIL, id="another network with other streams"),
        pytest.param(in_network(2, 7, "192.0.2.2"), FAIL, id="the same network"),
        pytest.param(in_network(3, 7, "198.51.100.3"), FAIL, id="a leader of which no network is known"),
    ],
)
def test_each_network_of_a_redundant_pair_has_its_leader(tmp_path, second, outcome):
    frames = master(1, 0.1, 10), master(2, 0.1, 10), in_network(1, 7, "192.0.2.1"), second
    assert judge(studied(tmp_path, *frames)).outcome is outcome


def test_two_that_lead_in_one_of_the_two_networks(tmp_path):
    streams = in_network(1, 7, "192.0.2.1"), in_network(2, 7, "198.51.100.2"), in_network(3, 9, "192.0.2.3")
    finding = judge(studied(tmp_path, *streams, *(master(n, 0.1, 10) for n in (1, 2, 3))))
    assert finding.outcome is FAIL and mac(3) in finding.headline and mac(2) not in finding.headline


@pytest.mark.parametrize(
    ("snap", "says"), [(47, "the snap length cut its messages"), (48, "One clock leads")]
)
def test_what_the_snap_length_leaves_of_a_clock(tmp_path, snap, says):
    """Over Ethernet the header (34 bytes) ends after 48."""
    finding = judge(studied(tmp_path, master(1, 0, 8), stream(8), snap=snap))
    assert says in finding.headline and ("whole frames" in " ".join(finding.fixes)) == (snap == 47)


def test_holes_of_a_capture_are_no_pace_of_the_clock(tmp_path):
    """Five seconds of each twenty."""
    heard = [frame for frame in (*master(1, 0.0, 125.0), *stream(125)) if frame[0] % 20 < 5]
    assert judge(studied(tmp_path, heard)).outcome == PASS
