"""The link check, and what all checks of the computer have in common."""

from dataclasses import replace

import pytest

from preflight.checks import check_named, judge_all
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Counters
from preflight.verdict import decide
from tests.checks.asked import asked
from tests.checks.computers import desk, silent_desk
from tests.tally.captures import rtp, studied

judge = asked("link-up")
CHECKS = (
    "link-up",
    "link-speed",
    "duplex",
    "mtu",
    "adapter-kind",
    "adapter-bus",
    "adapter-sleep",
    "flow-control",
    "addressing",
    "control-network",
    "shared-connection",
)
each_check = pytest.mark.parametrize("check", CHECKS)


@each_check
def test_a_good_desk_passes(check):
    finding = asked(check)(desk())
    assert finding.outcome is Outcome.PASS and not finding.fixes


@each_check
def test_no_computer_no_finding(check):
    assert asked(check)(Facts()) is None


@each_check
@pytest.mark.parametrize(
    "facts", [desk(adapter=None), desk(adapter="gone"), silent_desk()], ids=["which", "gone", "untold"]
)
def test_what_is_not_known_is_unproven_and_says_what_would_show_it(check, facts):
    finding = asked(check)(facts)
    if check == "addressing" and facts == silent_desk():
        assert finding.outcome is Outcome.CAUTION  # no address at all is something told
    else:
        assert finding.outcome is Outcome.UNPROVEN and finding.fixes == (check_named(check).unproven,)


@pytest.mark.parametrize("check", ["link-speed", "duplex"])
@pytest.mark.parametrize("state", [{"carrier": False}, {"enabled": False, "carrier": None}])
def test_without_a_link_its_speed_and_duplex_are_unproven(check, state):
    finding = asked(check)(desk(speed_mbps=10, duplex="half", **state))
    assert finding.outcome is Outcome.UNPROVEN
    assert "down" in finding.headline or "off" in finding.headline
    assert "link-up" in finding.fixes[0]


def test_no_link_fails_with_the_caution_beside_the_cable():
    finding = judge(desk(carrier=False, counters=Counters(carrier_changes=5)))
    assert finding.outcome is Outcome.FAIL and finding.culprits == ("audio",)
    assert "cable" in " ".join(finding.fixes) and finding.cautions == check_named("link-up").cautions
    assert [each.text for each in finding.evidence] == ["Link changes (up or down) so far: 5."]


def test_turned_off_is_not_a_cable_fault():
    finding = judge(desk(enabled=False, carrier=None))
    assert finding.outcome is Outcome.FAIL and "turned off" in finding.headline
    assert "cable" not in " ".join(finding.fixes)


def test_the_other_adapters_link_does_not_count():
    control = desk().host.adapter("control")
    assert judge(desk(replace(control, carrier=False))).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("after", "says"),
    [
        ({"carrier": False}, "lost its link while listening"),
        ({"enabled": False, "carrier": None}, "turned off"),
        ({"counters": Counters(carrier_changes=4)}, "down and up again while listening"),
        ({"counters": Counters(carrier_changes=3)}, "down and up again while listening"),
    ],
    ids=["pulled", "turned off", "pulled and plugged", "one change"],
)
def test_a_link_lost_while_listening_fails(after, says):
    before = desk(counters=Counters(carrier_changes=2))
    finding = judge(replace(before, host_after=desk(**after).host))
    assert finding.outcome is Outcome.FAIL and says in finding.headline and finding.culprits == ("audio",)


def test_an_adapter_that_is_gone_after_listening_has_lost_its_link():
    before = desk()
    finding = judge(replace(before, host_after=replace(before.host, adapters=())))
    assert finding.outcome is Outcome.FAIL and "lost its link" in finding.headline


@pytest.mark.parametrize("changes", [2, None])
def test_a_link_that_held_while_listening_passes(changes):
    held = desk(counters=Counters(carrier_changes=changes))
    finding = judge(replace(held, host_after=held.host))
    assert finding.outcome is Outcome.PASS and finding.measured["changes_while_listening"] == 0
    assert judge(held).measured["changes_while_listening"] is None


def test_counts_that_began_anew_are_no_change_of_the_link():
    before = desk(counters=Counters(carrier_changes=9))
    assert (
        judge(replace(before, host_after=desk(counters=Counters(carrier_changes=2)).host)).outcome
        is Outcome.PASS
    )


def test_what_stops_with_the_link_follows_from_it(tmp_path):
    """The stretch without a link begins with the last frame; streams stop then for that, and need no mending
    of their own."""
    heard = studied(tmp_path, [(n / 1000, rtp(1, "233.252.0.1", n)) for n in range(3000)])
    source = replace(heard.source, kind="live", duration_s=8.0)
    facts = replace(desk(), source=source, tally=heard.tally)
    pulled = replace(facts, host_after=desk(carrier=False).host)
    assert judge(pulled).spans == ((pytest.approx(2.999), 8.0),)
    findings = {each.finding.check: each for each in decide(judge_all(pulled)).findings}
    assert findings["stream-health"].explained_by == ("link-up",)
    assert not judge(replace(facts, host_after=facts.host)).spans
