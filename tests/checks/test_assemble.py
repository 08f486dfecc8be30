"""How a finding is made of what a check saw: what leads, what stands below it, what is said where nothing
could be judged."""

from collections.abc import Iterator
from dataclasses import replace

from preflight.checks.asks import PlannedWire, View, Wire
from preflight.checks.assemble import MOST_EVIDENCE, find
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.says import Limits, Measured, Saw, caution, fail, passed, unproven
from preflight.checks.step import When
from preflight.facts import Facts
from preflight.rig.sheet import Sheet
from tests.tally.captures import arp, every, studied

CHECK = Check(
    name="made-up",
    subject="wire",
    question="?",
    looks_at="",
    why="",
    fixes=("Do this.", AGAIN),
    order=1,
    asks=View,
    limits=(Limit("most", 3, "things", "common practice"), Limit("least_s", 2, "s", "common practice")),
    cautions=("Take care.",),
    when=When.NOW,
    unproven="Listen longer.",
)


def says(*seen: Saw | Measured, check: Check = CHECK, facts: Facts | None = None) -> Finding | None:
    return find(check, lambda _view, _limits: iter(seen), facts or Facts())


def test_the_gravest_leads_and_the_rest_stands_below_it():
    finding = says(
        passed("Well."),
        caution("Mild.", [Evidence("m", 1)], culprits=["b"], spans=[(5, 6)], fixes=["Rest."], cautions=()),
        unproven("Unknown.", [Evidence("u")]),
        fail("First.", [Evidence("f")], culprits=["a", "a"], spans=[(3, 4)]),
        fail("Second.", culprits=["c"], spans=[(1, 2), (3, 4)], fixes=["Do that.", AGAIN]),
        Measured({"n": 1}, (Evidence("beside"),)),
    )
    assert (finding.outcome, finding.headline) == (Outcome.FAIL, "First.")
    assert [seen.text for seen in finding.evidence] == [
        "f",
        "Second.",
        "Mild.",
        "m",
        "Unknown.",
        "u",
        "beside",
    ]
    assert finding.culprits == ("a", "c") and finding.spans == ((1, 2), (3, 4))
    assert finding.fixes == ("Do this.", "Do that.", "Rest.", AGAIN)
    assert finding.cautions == ("Take care.",) and finding.measured == {"n": 1}
    assert finding.limits == {"most": 3, "least_s": 2}


def test_a_pass_counts_only_alone():
    assert says(passed("Well."), unproven("Unknown.")).outcome is Outcome.UNPROVEN
    finding = says(passed("Well."), passed("And this."))
    assert (finding.outcome, finding.headline, finding.fixes, finding.cautions) == (
        Outcome.PASS,
        "Well.",
        (),
        (),
    )
    assert [seen.text for seen in finding.evidence] == ["And this."]


def test_what_is_unproven_says_what_would_show_it_and_needs_no_care():
    finding = says(unproven("Unknown."))
    assert (finding.fixes, finding.cautions) == (("Listen longer.",), ())
    assert says(unproven("Unknown.", fixes=["Look."])).fixes == ("Look.",)


def test_nothing_seen_is_no_finding():
    assert says() is None and says(Measured({"n": 1})) is None


def test_a_moment_stands_in_the_headline_and_not_in_the_undated_one():
    finding = says(caution("It came{at}. It went.", at=" at 3.2 s"), caution("Later{at}.", at=" at 4 s"))
    assert finding.headline == "It came at 3.2 s. It went."
    assert finding.undated == "It came. It went."
    assert finding.evidence[-1].text == "Later at 4 s."


def test_a_flood_of_evidence_is_cut_and_counted():
    finding = says(fail("Many.", [Evidence(str(n)) for n in range(MOST_EVIDENCE)]))
    assert len(finding.evidence) == MOST_EVIDENCE and finding.evidence[-1].text == str(MOST_EVIDENCE - 1)
    finding = says(fail("Many.", [Evidence(str(n)) for n in range(MOST_EVIDENCE + 5)]))
    assert len(finding.evidence) == MOST_EVIDENCE and finding.evidence[-1].text == "and 6 more"


def test_the_sheets_own_limits_are_handed_in():
    def judge(_: View, limits: Limits) -> Iterator[Saw]:
        yield passed(f"{limits['most']:g}")

    sheet = Sheet("A show", limits={"made-up": {"most": 7}, "other": {"most": 8}})
    assert find(CHECK, judge, Facts()).headline == "3"
    assert find(CHECK, judge, Facts(sheet=sheet)).headline == "7"


def test_too_short_a_time_turns_a_pass_into_unproven_and_nothing_else(tmp_path):
    check = replace(CHECK, asks=Wire, least_s="least_s")
    short = studied(tmp_path, every(0.1, lambda n: arp(1, n % 200 + 1), 0, 1.9))
    long = studied(tmp_path, every(0.1, lambda n: arp(1, n % 200 + 1), 0, 3.15))
    finding = says(passed("Well."), check=check, facts=short)
    assert finding.outcome is Outcome.UNPROVEN and "needs at least 2 s" in finding.headline
    assert finding.fixes == ("Listen longer.",)
    assert says(passed("Well."), check=check, facts=long).outcome is Outcome.PASS
    assert says(caution("Mild."), check=check, facts=short).outcome is Outcome.CAUTION


def test_what_was_not_heard_is_said_once_for_all(tmp_path):
    check = replace(CHECK, asks=Wire)
    assert says(passed("Well."), check=check) is None
    refused = says(passed("Well."), check=check, facts=Facts(wire_refused="no right to listen."))
    assert (refused.outcome, refused.headline) == (Outcome.UNPROVEN, "Not heard: no right to listen.")
    assert (
        says(passed("Well."), check=check, facts=studied(tmp_path)).headline == "Not heard: no frame came by."
    )


def test_what_only_a_sheet_asks_for_is_not_missed_without_one():
    check = replace(CHECK, asks=PlannedWire)
    refused = Facts(wire_refused="no right to listen.")
    assert says(passed("Well."), check=check, facts=refused) is None
    planned = says(passed("Well."), check=check, facts=replace(refused, sheet=Sheet("A show")))
    assert planned.outcome is Outcome.UNPROVEN
