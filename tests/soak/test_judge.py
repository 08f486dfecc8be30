"""From runs to findings: the gravest counts, the sums are exact, and the bench computer is left alone."""

from dataclasses import replace

from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.live.soaked import JudgedRun, fitting, judge_run, judge_soak, run_facts
from preflight.soak.facts import NS, Noted, Run
from preflight.verdict import decide
from tests.soak.soaks import BEGUN, GOOD, HOST, HOUR, soak

PASS = Finding("stream-health", Outcome.PASS, "2 streams heard, whole and in order.")
DOUBT = Finding("stream-health", Outcome.UNPROVEN, "No RTP stream was heard.")
LOST = Finding(
    "stream-health", Outcome.FAIL, "50 packets missing.", evidence=(Evidence("50 lost", 17, 90.0),), spans=((90.0, 91.0),)
)  # fmt: skip
FEW = replace(LOST, outcome=Outcome.CAUTION, headline="1 packet missing.")


def joined(*runs: tuple[int, Finding]) -> Finding:
    """The stream finding of a soak whose runs were watched for so many hours, and stand ten hours apart."""
    judged = [
        JudgedRun(BEGUN + n * 10 * HOUR, hours * HOUR, (finding,)) for n, (hours, finding) in enumerate(runs)
    ]
    whole = tuple(Run(run.begun_ns, run.begun_ns + run.watched_ns, GOOD) for run in judged)
    found = judge_soak(soak(runs=whole), HOST, judged)
    return next(finding for finding in found if finding.check == "stream-health")


def test_the_gravest_run_counts_with_the_evidence_of_all_and_times_of_the_clock() -> None:
    finding = joined((2, FEW), (2, LOST), (1, PASS))
    assert (finding.outcome, finding.headline) == (Outcome.FAIL, "50 packets missing.")
    assert [seen.time_s for seen in finding.evidence] == [90.0, 36090.0]
    assert all(seen.text.endswith(": 50 lost") and seen.frame is None for seen in finding.evidence)
    assert finding.spans == ((90.0, 91.0), (36090.0, 36091.0))


def test_of_passes_and_doubts_that_counts_which_held_longer() -> None:
    assert joined((3, PASS), (1, DOUBT)).outcome is Outcome.PASS
    assert joined((1, PASS), (3, DOUBT)).outcome is Outcome.UNPROVEN


def test_errors_of_all_runs_are_summed_and_those_before_are_not_counted() -> None:
    """HOST had counted seven broken frames before the soak."""

    def errors(count: int) -> Finding:
        facts = soak(replace(GOOD, rises=replace(GOOD.rises, rx_crc_errors=count, rx_errors=count)))
        return next(f for f in judge_soak(facts, HOST, []) if f.check == "link-errors")

    assert [errors(count).outcome for count in (0, 1, 9, 10)] == [
        Outcome.PASS, Outcome.CAUTION, Outcome.CAUTION, Outcome.FAIL,
    ]  # fmt: skip
    assert "10 broken frames" in errors(10).headline


def test_an_alarm_weighs_though_hours_dilute_it() -> None:
    source = SourceFacts("live", "eth0", frames=0)
    alarm = Noted(BEGUN + 60 * NS, "alarm", "Broadcast storm.", "broadcast-storm", "fail")
    found = judge_run(run_facts(Facts(source=source), "eth0", HOST), [alarm], BEGUN)
    storm = next(finding for finding in found if finding.check == "broadcast-storm")
    assert storm.outcome is Outcome.FAIL and storm.fixes and storm.evidence[0].time_s == 60


def test_the_bench_computer_is_not_judged_and_a_dark_wire_leaves_the_links_verdict() -> None:
    refused = Facts(wire_refused="no right to listen")
    run = JudgedRun(BEGUN, 4 * HOUR, judge_run(run_facts(refused, "eth0", HOST), [], BEGUN))
    found = judge_soak(soak(), HOST, [run])
    assert {finding.check for finding in found} <= fitting()
    outcomes = {finding.check: finding.outcome for finding in found}
    assert outcomes["link-up"] == outcomes["link-errors"] == outcomes["link-steady"] == Outcome.PASS
    assert outcomes["stream-health"] is Outcome.UNPROVEN
    assert decide(found).verdict == "ready"


def test_a_link_that_is_still_down_explains_that_it_went_down() -> None:
    down = replace(HOST, adapters=(replace(HOST.adapters[0], carrier=False),))
    facts = soak(replace(GOOD, downs=1, down_ns=NS))
    run = JudgedRun(BEGUN, 4 * HOUR, judge_run(run_facts(Facts(wire_refused="no"), "eth0", down), [], BEGUN))
    ranked = {r.finding.check: r for r in decide(judge_soak(facts, down, [run])).findings}
    assert ranked["link-up"].fix_first == 1 and ranked["link-steady"].explained_by == ("link-up",)
