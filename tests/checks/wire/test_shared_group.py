"""Two senders in one group are told; a spare that takes over, a mirror and groups for one source are not."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.tally.captures import every, mac, mirrored, rtp, studied

judge = asked("shared-group")
GROUP = "233.252.0.99"


def plays(sender, start, end, group=GROUP):
    return every(0.005, lambda n: rtp(sender, group, n + 1000 * sender, bytes([n % 251]) * 48), start, end)


def test_two_senders_beside_one_another_are_named(tmp_path):
    finding = judge(studied(tmp_path, plays(1, 0, 4), plays(2, 1, 3)))
    assert finding.outcome is Outcome.FAIL
    assert (
        f"group {GROUP}, port 5004: ICANN 53:01 ({mac(1)}" in finding.headline and mac(2) in finding.headline
    )
    assert finding.culprits == (mac(1), mac(2))
    ((since, until),) = finding.spans
    assert (round(since), round(until)) == (1, 3)
    assert finding.evidence[1].time_s == pytest.approx(1, abs=0.01) and finding.cautions


def test_two_groups_are_two_streams(tmp_path):
    facts = studied(tmp_path, plays(1, 0, 4), plays(2, 0, 4, "233.252.0.98"))
    assert judge(facts).outcome is Outcome.PASS and judge(facts).measured == {"groups": 2}


@pytest.mark.parametrize(("until", "outcome"), [(2.45, Outcome.PASS), (2.55, Outcome.FAIL)])
def test_a_spare_that_takes_over_sends_for_less_than_half_a_second_beside_the_other(tmp_path, until, outcome):
    assert judge(studied(tmp_path, plays(1, 0, until), plays(2, 2, 5))).outcome is outcome


def test_a_spare_that_takes_over_after_a_pause(tmp_path):
    assert judge(studied(tmp_path, plays(1, 0, 2), plays(2, 3, 5))).outcome is Outcome.PASS


def test_a_mirror_shows_each_packet_twice_and_that_is_one_sender(tmp_path):
    assert judge(studied(tmp_path, mirrored(plays(1, 0, 3)))).outcome is Outcome.PASS


@pytest.mark.parametrize(("group", "outcome"), [("232.0.0.9", Outcome.UNPROVEN), ("233.0.0.9", Outcome.FAIL)])
def test_receivers_that_ask_for_one_source_may_share_its_group(tmp_path, group, outcome):
    assert judge(studied(tmp_path, plays(1, 0, 3, group), plays(2, 0, 3, group))).outcome is outcome


def test_the_longest_time_beside_one_another_counts(tmp_path):
    finding = judge(studied(tmp_path, plays(1, 0, 1), plays(2, 0.8, 5), plays(3, 2, 5)))
    assert mac(2) in finding.headline and mac(3) in finding.headline and mac(1) not in finding.headline


def test_no_stream_proves_nothing(tmp_path):
    assert judge(studied(tmp_path, every(0.1, rtp(1, GROUP, 1), 0, 1))).outcome is Outcome.UNPROVEN


def test_who_is_shown_of_many_and_that_all_are_culprits(tmp_path):
    senders = [plays(n, 0, 1.0 + n / 100) for n in range(1, 11)]
    finding = judge(studied(tmp_path, *senders))
    assert len(finding.evidence) == 8 and len(finding.culprits) == 10
    assert mac(9) in finding.headline and mac(10) in finding.headline, (
        "the two that send beside one another the longest"
    )
    assert finding.evidence[0].text.endswith(" s") and " from 0.0 s to 1." in finding.evidence[0].text


def test_two_streams_of_one_device_are_its_own(tmp_path):
    """To one group and port from two addresses: it is one sender still."""
    frames = [
        (at, data.replace(bytes([192, 0, 2, 1]), bytes([192, 0, 2, 77]), 1))
        for at, data in plays(1, 0.001, 3)
    ]
    assert judge(studied(tmp_path, plays(1, 0, 3), frames)).outcome is Outcome.PASS
