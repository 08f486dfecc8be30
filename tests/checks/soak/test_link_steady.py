"""Whether a link held for a whole soak."""

from dataclasses import replace

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Counters
from preflight.rig.sheet import Sheet
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


def limited(limits: dict[str, float], **changes):
    sheet = Sheet("x", limits={"link-steady": limits})
    return judge(Facts(soak=soak(replace(GOOD, **changes)), sheet=sheet)).outcome


def test_how_often_is_too_often_is_the_sheets_to_say():
    assert [limited({"downs": 3}, downs=n) for n in (2, 3)] == [Outcome.PASS, Outcome.FAIL]
    assert [limited({"changes": 3}, changes=n) for n in (2, 3)] == [Outcome.PASS, Outcome.FAIL]
    assert limited({"changes": 3}, slowest_mbps=100) is Outcome.PASS, (
        "one change, from one speed to the other"
    )
    assert [judged(changes=n).outcome for n in (0, 1)] == [Outcome.PASS, Outcome.FAIL]


def test_more_changes_than_are_shown_are_in_the_log():
    few, many = (judged(downs=n, happened=(DOWN,) * n).evidence for n in (8, 9))
    assert len(few) == 8 and many[-1].text == "more of them in the log: preflight soak show"


def test_a_system_that_tells_of_frames_or_of_the_speed_alone_is_enough():
    frames = Figures(watched_ns=NS, rises=Counters(rx_frames=5))
    assert judge(Facts(soak=soak(frames))).headline == "The link of eth0 stayed up for 1 s."
    speed = Figures(watched_ns=NS, slowest_mbps=100, fastest_mbps=100)
    assert judge(Facts(soak=soak(speed))).headline == "The link of eth0 stayed up at 100 Mb/s for 1 s."


def test_both_are_told():
    assert (
        "went down 2 times in 4 h, and ran at 100 and at 1000 Mb/s"
        in judged(downs=2, slowest_mbps=100).headline
    )


def test_few_changes_are_all_shown_with_their_times():
    seven = judged(downs=7, happened=(DOWN,) * 7).evidence
    assert len(seven) == 7 and not any("more of them" in each.text for each in seven)


def test_the_figures_of_the_link():
    finding = judged(downs=2, down_ns=3 * NS + NS // 7, changes=1, slowest_mbps=100)
    assert finding.measured == {
        "downs": 2, "down_s": 3.1, "changes": 1, "slowest_mbps": 100, "fastest_mbps": 1000,
    }  # fmt: skip
    assert finding.culprits == ("eth0",)


def test_from_the_last_note_on_it_was_down_to_the_end():
    finding = judged(downs=1, down_ns=3 * NS, happened=(UP, DOWN))
    assert finding.spans == ((60, 4 * 3600), (63, 63))
