"""The stray router: what only routers send, what is natural, and when silence is an answer."""

import pytest

from preflight.checks.finding import Outcome
from tests.checks.asked import asked
from tests.checks.wire.test_stray_dhcp import heard
from tests.tally.captures import broadcast, every, studied, told
from tests.wire import routers
from tests.wire.routers import BOX, ROUTER

judge = asked("stray-router")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN


@pytest.mark.parametrize(
    ("kind", "frame", "outcome", "words"),
    [
        (
            "icmp6",
            routers.advertisement(1800),
            FAIL,
            ("for 1800 s", "2001:db8:7::/64", "name server 2001:db8:7::53"),
        ),
        ("icmp6", routers.advertisement(1, bare=True), FAIL, ("for 1 s",)),
        ("icmp6", routers.advertisement(0), CAUTION, ("not as default router", "2001:db8:7::/64")),
        ("icmp6", routers.advertisement(0, bare=True), CAUTION, ("not as default router",)),
        ("icmp6", routers.redirect6(), FAIL, ("2001:db8:9::1 by fe80::99",)),
        ("icmp4", routers.redirect4(), FAIL, ("198.51.100.9 by 192.0.2.1",)),
        ("icmp4", routers.advertisement4(1800), FAIL, ("over IPv4", "for 1800 s")),
        ("icmp4", routers.advertisement4(0), CAUTION, ("not as default router",)),
    ],
)
def test_what_only_routers_send(kind, frame, outcome, words):
    finding = judge(heard((kind, 0.5, frame)))
    assert (finding.outcome, finding.culprits) == (outcome, (ROUTER,))
    assert all(word in told(finding) for word in words) and ROUTER in finding.headline
    assert finding.evidence[0].frame == 1 and finding.fixes and finding.cautions


def test_each_message_is_told_once_and_the_default_router_first():
    other = ("icmp6", 0.0, routers.advertisement(0, src=BOX))
    finding = judge(heard(other, *[("icmp6", at, routers.advertisement()) for at in (1.0, 2.0, 3.0)]))
    assert finding.outcome == FAIL and ROUTER in finding.headline and BOX in told(finding)
    assert [each.frame for each in finding.evidence if each.frame] == [2, 1]
    assert finding.measured == {"routers": 2, "default_routers": 1, "asked": 0}
    assert (finding.culprits, finding.spans) == ((ROUTER,), ((1.0, 3.0),))


def test_a_redirect_is_no_offer():
    redirect = ("icmp4", 1.0, routers.redirect4())
    assert "tells devices which way to send (redirect)" in judge(heard(redirect)).headline
    both = judge(heard(redirect, ("icmp4", 2.0, routers.advertisement4(1800))))
    assert "offers itself as a router" in both.headline and "by 192.0.2.1" in told(both)


def test_this_computer_is_named_as_such():
    finding = judge(heard(("icmp6", 0.5, routers.advertisement(), {"outgoing": True})))
    assert finding.outcome == FAIL and "this computer offers itself" in finding.headline


@pytest.mark.parametrize(
    ("frames", "more", "outcome"),
    [
        ([("icmp6", 26.0, routers.solicitation6())], {}, PASS),
        ([("icmp6", 26.1, routers.solicitation6())], {}, UNPROVEN),
        ([("icmp6", 26.0, routers.solicitation6())], {"dropped": 3}, UNPROVEN),
        ([("icmp4", 1.0, routers.solicitation4())], {}, UNPROVEN),  # few answer over IPv4
        ([("icmp6", 1.0, routers.neighbour()), ("icmp4", 1.0, routers.ping())], {}, UNPROVEN),
        ([("icmp6", 1.0, routers.advertisement(hop_limit=64))], {}, UNPROVEN),  # hosts drop it
    ],
)
def test_silence(frames, more, outcome):
    finding = judge(heard(*[f for f in frames if f[2]], **more))
    assert finding.outcome == outcome
    assert (BOX in finding.headline) == (outcome == PASS)


def test_from_a_capture_to_the_finding(tmp_path):
    facts = studied(tmp_path, [(0.0, routers.solicitation6()), (0.3, routers.advertisement())])
    assert judge(facts).outcome == FAIL


@pytest.mark.parametrize(
    ("at_s", "gap", "outcome"),
    [
        (1.1, 0.25, PASS),
        (1.1, 0.75, UNPROVEN),
        (1.1, 0.5, UNPROVEN),
        (3.0, 0.75, PASS),
        (16.1, 0.25, UNPROVEN),
    ],
)
def test_a_hole_may_have_swallowed_the_answer(tmp_path, at_s, gap, outcome):
    others = every(0.25, broadcast(9, 1), 0, 2.25) + every(0.25, broadcast(9, 1), 2.0 + gap, 20)
    assert judge(studied(tmp_path, others, [(at_s, routers.solicitation6())])).outcome == outcome


def test_this_computer_asked():
    finding = judge(heard(("icmp6", 1.0, routers.solicitation6(), {"outgoing": True})))
    assert finding.outcome == PASS and finding.headline.startswith("This computer asked")
