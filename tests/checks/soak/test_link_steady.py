"""Whether a link held for a whole soak."""

from dataclasses import replace

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Counters
from preflight.soak.facts import NS, Figures, Noted
from tests.checks.asked import asked
from tests.soak.soaks import BEGUN, GOOD, soak

judge = asked("link-steady")

DOWN = Noted(BEGUN + 60 * NS, "link-down", "The link of eth0 is down.")
UP = Noted(BEGUN + 63 * NS, "link-up", "The link is up again: up, 1000 Mb/s.")


def judged(**changes):
    happened = changes.pop("happened", ())
    return judge(Facts(soak=soak(replace(GOOD, **changes), happened=happened)))


def test_a_link_that_held_passes_and_a_line_check_is_not_asked():
    finding = judged()
    assert finding.outcome is Outcome.PASS and "for 4 h" in finding.headline
    assert judge(Facts()) is None


def test_a_link_that_went_down_fails_with_count_and_times():
    finding = judged(downs=1, down_ns=3 * NS, happened=(DOWN, UP))
    assert finding.outcome is Outcome.FAIL and "went down once in 4 h" in finding.headline
    assert finding.evidence[0].text.endswith(DOWN.text) and finding.evidence[0].time_s == 60
    assert finding.spans == ((60, 63), (63, 63)) and finding.culprits == ("eth0",)
    assert "3 s in all" in finding.evidence[-1].text
    assert "7 times" in judged(downs=7).headline


def test_another_speed_or_duplex_fails_even_where_it_changed_while_nobody_watched():
    assert "100 and at 1000 Mb/s" in judged(slowest_mbps=100).headline
    assert judged(slowest_mbps=100).outcome is Outcome.FAIL
    assert "duplex" in judged(changes=2).headline


def test_a_system_that_tells_nothing_proves_nothing():
    finding = judge(Facts(soak=soak(Figures(watched_ns=NS, rises=Counters()))))
    assert finding.outcome is Outcome.UNPROVEN
