"""How many devices of each kind, from both sides of each limit."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.rig.sheet import Device, Sheet
from tests.checks.asked import asked
from tests.rig.rigs import planned

judge = asked("device-count")


def rig(count: int, kind: str) -> Sheet:
    if kind != "spare engine":
        return Sheet("x", device=tuple(Device(f"one {n}", kind) for n in range(count)))
    spares = tuple(Device(f"spare {n}", "spare", spare_for="main") for n in range(count))
    return Sheet("x", device=(Device("main", "engine"), *spares))


@pytest.mark.parametrize(
    ("kind", "most", "says"),
    [("box", 16, "17 boxes"), ("engine", 4, "5 engines"), ("spare engine", 4, "5 spare engines")],
)
def test_each_kind_has_a_most(kind, most, says):
    assert judge(planned(rig(most, kind))).outcome == Outcome.PASS
    finding = judge(planned(rig(most + 1, kind)))
    assert finding.outcome == Outcome.FAIL and finding.headline == f"{says}, {most} is the most."
    assert finding.measured[kind] == most + 1 and finding.fixes


def test_the_sheet_may_allow_more_and_a_spare_desk_is_no_spare_engine():
    larger = replace(rig(17, "box"), limits={"device-count": {"box": 17}})
    assert judge(planned(larger)).outcome == Outcome.PASS
    desks = (Device("desk", "desk"), *(Device(f"spare {n}", "spare", spare_for="desk") for n in range(5)))
    finding = judge(planned(Sheet("x", device=desks)))
    assert finding.outcome == Outcome.PASS and "spare desk: 5" in finding.headline


def test_two_kinds_too_many_are_both_told():
    both = Sheet("x", device=(*rig(17, "box").device, *(Device(f"engine {n}", "engine") for n in range(5))))
    finding = judge(planned(both))
    assert finding.headline.startswith("17 boxes") and finding.evidence[0].text.startswith("5 engines")
