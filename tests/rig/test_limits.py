"""The sheet's limits: a check judges by them, reports them, and forgets them afterwards."""

import ast
from dataclasses import replace
from pathlib import Path

from preflight import checks
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.rig.read import parse
from preflight.study import study

CAPTURES = Path(__file__).parents[2] / "captures"


def test_a_limit_of_the_sheet_is_judged_by_and_reported():
    facts = study(str(CAPTURES / "no-dhcp.pcap"))
    sheet = parse("name = 'x'\n[limits.link-load]\nfail_share = 1e-6", {"link-load": ["fail_share"]})

    def load(facts: Facts):
        [found] = [each for each in checks.judge_all(facts) if each.check == "link-load"]
        return found

    assert load(facts).outcome == Outcome.PASS and load(facts).limits["fail_share"] == 0.70
    strict = load(replace(facts, sheet=sheet))
    assert strict.outcome == Outcome.FAIL and strict.limits["fail_share"] == 1e-6
    assert load(facts).outcome == Outcome.PASS


def test_every_check_looks_its_limits_up_where_the_sheet_can_change_them():
    """None reads the defaults of its `CHECK`: it is handed what to judge by."""
    for path in Path(checks.__path__[0]).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr == "limits" and isinstance(node.value, ast.Name):
                assert node.value.id != "CHECK", f"{path.name}: take them from the limits handed to judge"
