"""How many devices of each kind, from both sides of what the sheet says that the system takes. There is no
default."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.rig.sheet import Device, Sheet
from tests.checks.asked import asked
from tests.rig.rigs import planned

judge = asked("device-count")


def rig(count: int, kind: str) -> Sheet:
    if not kind.startswith("spare "):
        return Sheet("x", device=tuple(Device(f"one {n}", kind) for n in range(count)))
    main = Device("main", kind.removeprefix("spare "))
    return Sheet("x", device=(main, *(Device(f"spare {n}", "spare", spare_for="main") for n in range(count))))


def taking(sheet: Sheet, **most: float) -> Finding:
    told = {kind.replace("_", " "): number for kind, number in most.items()}
    return judge(planned(replace(sheet, limits={"device-count": told})))


@pytest.mark.parametrize(
    ("kind", "most", "says"),
    [
        ("box", 16, "17 boxes"),
        ("box", 40, "41 boxes"),
        ("engine", 4, "5 engines"),
        ("spare engine", 4, "5 spare engines"),
        ("desk", 1, "2 desks"),
        ("spare desk", 1, "2 spare desks"),
    ],
)
def test_each_kind_has_the_most_that_the_sheet_says(kind, most, says):
    assert taking(rig(most, kind), **{kind: most}).outcome == Outcome.PASS
    finding = taking(rig(most + 1, kind), **{kind: most})
    assert finding.outcome == Outcome.FAIL and finding.headline == f"{says}, {most} is the most."
    assert finding.measured[kind] == most + 1 and finding.fixes


@pytest.mark.parametrize("count", [1, 17, 200])
def test_without_a_number_nothing_is_said_against_any_size(count):
    finding = judge(planned(rig(count, "box")))
    assert finding.outcome == Outcome.UNPROVEN and f"box: {count}" in finding.headline
    assert "[limits.device-count]" in finding.fixes[0] and finding.limits == {}


def test_a_number_for_one_kind_judges_only_that_kind():
    assert taking(rig(17, "box"), engine=4).outcome == Outcome.PASS
    desks = (Device("desk", "desk"), *(Device(f"spare {n}", "spare", spare_for="desk") for n in range(5)))
    finding = taking(Sheet("x", device=desks), spare_engine=4)
    assert finding.outcome == Outcome.PASS and "spare desk: 5" in finding.headline


def test_two_kinds_too_many_are_both_told():
    both = Sheet("x", device=(*rig(17, "box").device, *(Device(f"engine {n}", "engine") for n in range(5))))
    finding = taking(both, box=16, engine=4)
    assert finding.headline.startswith("17 boxes") and finding.evidence[0].text.startswith("5 engines")
