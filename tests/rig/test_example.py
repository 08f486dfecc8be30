"""The sheet of a full-size rig in docs/: it is in order, its plan is judged as the docs say, and what they
quote is what is said."""

import re
from pathlib import Path

from preflight.checks import all_checks, judge_all
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.rig.budget import plan
from preflight.rig.read import load
from preflight.rig.sheet import Cable, Device, Sheet, Stream, Switch
from tests.cli.test_cli import run

DOCS = Path(__file__).parents[2] / "docs"
EXAMPLE = DOCS / "salt-road.toml"


def test_the_full_size_example_holds_but_for_its_two_switches():
    sheet = load(
        str(EXAMPLE), {check.name: [each.name for each in check.limits] for check, _ in all_checks()}
    )
    assert [len(each) for each in (sheet.device, sheet.switch, sheet.stream)] == [26, 2, 20]
    found = {each.check: each for each in judge_all(Facts(sheet=sheet, budget=plan(sheet)))}
    assert {check for check, each in found.items() if each.outcome != Outcome.PASS} == {"topology"}
    assert found["topology"].measured["single_points_of_failure"] == ["foh", "stage"]


def test_what_the_docs_quote_of_it_is_what_is_said():
    said = " ".join(run("budget", str(EXAMPLE)).stdout.split())
    [quoted] = re.findall(r"```text\n(.*?)```", (DOCS / "budget.md").read_text(encoding="utf-8"), re.DOTALL)
    lines = [line.strip() for line in quoted.splitlines() if line.strip()]
    assert len(lines) == 7 and [line for line in lines if line not in said] == []


def test_the_docs_name_every_key():
    table = (DOCS / "sheet.md").read_text(encoding="utf-8")
    keys = {key for kind in (Device, Switch, Cable, Stream, Sheet) for key in kind.__dataclass_fields__}
    keys -= {"device", "switch", "cable", "stream", "network", "control", "dhcp", "clock", "limits"}
    assert {key for key in keys if f"`{key}`" not in table} == set()
