"""Every situation of the table, played as a capture, or to the line check of a desk: what is in order stays
quiet, what is wrong is told."""

from random import Random

import pytest

from preflight.checks import judge_all
from preflight.verdict import decide
from tests.situations import clocks, computer, elsewhere, names, network  # noqa: F401 - they add their rows
from tests.situations.desks import SYSTEMS, Computer, Port, linechecked
from tests.situations.table import SITUATIONS, AtDesk, Situation
from tests.tally.captures import studied

# Said wrongly today: the list to work off. One that comes out right fails until it is taken off the list.
NOT_YET: set[str] = set()

Said = dict[str, tuple[str, str]]


def row(situation: Situation, *more: object) -> object:
    marks = []
    if situation.name in NOT_YET:
        marks = [pytest.mark.xfail(strict=True, reason="not said rightly yet")]
    return pytest.param(situation, *more, id="-".join([situation.name, *map(str, more)]), marks=marks)


CAPTURES = [row(each) for each in SITUATIONS if not isinstance(each, AtDesk)]
AT_DESKS = [row(each, name) for each in SITUATIONS if isinstance(each, AtDesk) for name in each.systems]


def test_the_list_names_situations():
    assert {situation.name for situation in SITUATIONS} >= NOT_YET


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("situation", CAPTURES)
def test_what_must_be_said(tmp_path, situation: Situation, seed: int):
    frames = sorted(frame for some in situation.build(Random(seed)) for frame in some)
    verdict = decide(judge_all(studied(tmp_path, frames)))
    findings = {ranked.finding.check: ranked.finding for ranked in verdict.findings}
    said = {name: (each.outcome.value, each.headline) for name, each in findings.items()}
    _is_right(situation, verdict.verdict, said)


@pytest.mark.parametrize(("situation", "name"), AT_DESKS)
def test_what_linecheck_must_say(tmp_path, situation: AtDesk, name: str):
    told = list(situation.build(Random(f"{situation.name} on {name}")))
    ports = [each for each in told if isinstance(each, Port)]
    settings = next((each for each in told if isinstance(each, Computer)), Computer())
    on = next(each for each in SYSTEMS if each.name == name)
    system = on(tmp_path, ports, settings)
    result, words = linechecked(system, situation.named)
    if not situation.chosen:
        assert not result and all(each in words for each in situation.says), words
        return
    said = {each["check"]: (each["outcome"], each["headline"]) for each in result["findings"]}
    assert result["source"]["adapter"] == system.part[situation.chosen], words
    _is_right(situation, result["verdict"], said)
    read = " ".join(headline for outcome, headline in said.values() if outcome != "pass")
    assert all(each in read for each in situation.says), read


def _is_right(situation: Situation, verdict: str, findings: Said) -> None:
    said = {check: each for check, each in findings.items() if each[0] in ("fail", "caution")}
    quiet = set(findings) if "all" in situation.quiet else set(situation.quiet)
    assert not quiet & set(said), said
    assert all(findings[check][0] == "fail" for check in situation.fails), said
    assert set(situation.troubles) <= set(said), said
    assert not situation.verdicts or verdict in situation.verdicts, (verdict, said)
