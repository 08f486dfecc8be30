"""How the rig hangs together: loops, what fails with what, switches in a row, what is not plugged in."""

import pytest

from preflight.checks.finding import Finding, Outcome
from tests.checks.asked import asked
from tests.rig.rigs import FOH, RIG, STAGE, TRUNK, cable, device, planned, sheet, stream
from tests.tally.captures import told

judge = asked("topology")
SPARE = device("engine b", "stage 3", "spare", 'spare_for = "engine"\n')


def found(*parts: str) -> Finding:
    return judge(planned(sheet(*parts)))


def test_the_long_run_is_a_single_point_of_failure():
    finding = found(*RIG, TRUNK, stream("s", "left", "desk"))
    assert finding.outcome == Outcome.CAUTION
    assert (
        "If the cable foh 8 to stage 8 fails you lose: the way to left, right; the streams “s”"
        in finding.headline
    )
    assert "more like it" in finding.headline and len(finding.fixes) == 3
    assert finding.measured["single_points_of_failure"] == [
        "the cable foh 8 to stage 8",
        "foh",
        "stage",
        "engine",
    ]


def test_what_is_lost_is_told_in_the_order_of_the_sheet_and_counted_where_it_is_much():
    boxes = [device(f"box {n}", f"stage {n}") for n in range(3, 8)]
    streams = [stream(f"in {n}", f"box {n}", "desk") for n in range(3, 8)]
    finding = found(*RIG[:4], *boxes, cable("foh 8", "stage 8", 50, 'name = "the long run"\n'), *streams)
    assert finding.headline.startswith(
        "If the long run (foh 8 to stage 8) fails you lose: the way to 5 devices; 5 streams. "
    )
    assert finding.evidence[0].text.endswith("the way to box 3–7; the streams “in 3–7”")


def test_each_kind_of_failure_has_its_own_step():
    assert "nothing takes over: it has no spare" in told(found(*RIG, TRUNK))
    alone = found(FOH, device("engine", "foh 1", "engine"))
    assert alone.headline == "If engine fails nothing takes over: it has no spare."
    [step] = alone.fixes
    assert step.startswith("Give each engine a spare")
    with_spare = found(*RIG, TRUNK, SPARE)
    assert not any(step.startswith("Give each engine") for step in with_spare.fixes)


def test_a_ring_needs_a_spanning_tree_on_every_switch_in_it():
    second = cable("foh 7", "stage 7", 80)
    tree = "spanning_tree = true\n"
    half = found(FOH + tree, *RIG[1:], TRUNK, second)
    assert half.outcome == Outcome.FAIL and half.cautions
    assert (
        half.headline == "A ring without spanning tree: foh, stage. It makes a storm the moment it is closed."
    )
    assert half.fixes[0].startswith("Take one cable out of a ring")
    both = found(FOH + tree, STAGE + tree, *RIG[2:], TRUNK, second)
    assert both.outcome == Outcome.CAUTION and both.measured["rings_without_spanning_tree"] == 0
    assert both.measured["rings"] == 1


@pytest.mark.parametrize(("switches", "too_many"), [(7, False), (8, True)])
def test_seven_switches_in_a_row_are_the_most(switches, too_many):
    row = [f'[[switch]]\nname = "s{n}"\nports = 8\n' for n in range(switches)]
    runs = [cable(f"s{n} 8", f"s{n + 1} 7") for n in range(switches - 1)]
    ends = device("desk", "s0 1", "desk"), device("box", f"s{switches - 1} 1")
    finding = found(*row, *ends, *runs, stream("s", "box", "desk"))
    assert finding.measured["switches_in_a_row"] == switches and finding.outcome == Outcome.CAUTION
    assert (
        f"{switches} switches in a row are more than a spanning tree is made for" in told(finding)
    ) is too_many
    assert any("in the middle" in step for step in finding.fixes) is too_many


def test_what_is_not_plugged_in_is_unproven_and_told_below_what_is_wrong():
    loose = '[[device]]\nname = "loose"\nkind = "box"\n'
    only = found(FOH, loose)
    assert only.outcome == Outcome.UNPROVEN and only.fixes == ("Write each device's port on the rig sheet.",)
    assert only.headline == "The sheet does not tell where loose is plugged in."
    beside = found(*RIG, TRUNK, loose)
    assert beside.outcome == Outcome.CAUTION and "loose" in beside.evidence[-1].text
    assert beside.measured["unplugged"] == ["loose"]


def test_nothing_whose_failure_costs_more_than_itself():
    finding = found(FOH, device("desk", "foh 1", "desk"))
    assert finding.outcome == Outcome.PASS and not finding.fixes and not finding.cautions


TREE, PLAIN = "spanning_tree = true\n", "managed = false\n"


@pytest.mark.parametrize(
    ("foh", "stage", "advised"),
    [("", "", False), (TREE, "", False), ("", TREE, False), (PLAIN, PLAIN, False), (TREE, TREE, True)],
)
def test_a_second_cable_is_advised_only_where_a_tree_runs_on_both_switches(foh, stage, advised):
    """Anywhere else it is a loop, and the storm would come in the show."""
    finding = found(FOH + foh, STAGE + stage, *RIG[2:], TRUNK)
    assert finding.headline.startswith("If the cable foh 8 to stage 8 fails")
    assert (
        any(step.startswith("A second cable between the switches keeps") for step in finding.fixes) is advised
    )
    assert any("leave it unplugged at one end" in step for step in finding.fixes) is not advised


def test_a_ring_of_switches_without_settings_is_only_opened():
    finding = found(FOH + PLAIN, STAGE + PLAIN, *RIG[2:], TRUNK, cable("foh 7", "stage 7", 80))
    assert finding.outcome == Outcome.FAIL and finding.fixes[0] == "Take one cable out of a ring."
    assert not any("spanning" in step for step in finding.fixes)


@pytest.mark.parametrize(("boxes", "named"), [(40, True), (41, False)])
def test_below_the_headline_forty_are_named_and_more_are_counted(boxes, named):
    """Names that do not count up, so that none are told as a run."""
    names = [f"box {chr(97 + n // 26)}{chr(97 + n % 26)}" for n in range(boxes)]
    large = '[[switch]]\nname = "foh"\nports = 48\n', '[[switch]]\nname = "stage"\nports = 48\n'
    parts = [device(name, f"stage {n + 2}") for n, name in enumerate(names)]
    home = [device(f"home {n}", f"foh {n + 2}") for n in range(45)]
    finding = found(*large, *home, *parts, cable("foh 1", "stage 1", 50))
    text = next(each.text for each in finding.evidence if "cable foh 1" in each.text)
    assert text.endswith(", ".join(names) if named else f"the way to {boxes} devices")


@pytest.mark.parametrize(("boxes", "words"), [(3, "box a, box b, box c"), (4, "4 devices")])
def test_in_the_headline_three_are_named_and_more_are_counted(boxes, words):
    parts = [device(f"box {'abcd'[n]}", f"stage {n + 2}") for n in range(boxes)]
    ends = (
        device("desk", "foh 1"),
        device("far", "foh 2"),
        device("further", "foh 3"),
        device("last", "foh 4"),
    )
    finding = found(FOH, STAGE, *ends, *parts, device("more", "foh 5"), TRUNK)
    assert finding.headline.startswith(f"If the cable foh 8 to stage 8 fails you lose: the way to {words}.")


@pytest.mark.parametrize(("streams", "words"), [(3, "the streams “a”, “b”, “c”"), (4, "4 streams")])
def test_so_are_streams(streams, words):
    sent = [stream("abcd"[n], "left", "desk", "engine") for n in range(streams)]
    assert f"; {words}." in found(*RIG, TRUNK, *sent).headline


def test_with_a_spare_the_rest_goes_on():
    """The engine's own output is lost to nobody where its spare takes over."""
    finding = found(
        FOH,
        STAGE,
        device("engine", "foh 2", "engine"),
        device("desk", "foh 1", "desk"),
        SPARE.replace("stage", "foh"),
    )
    assert "engine" not in finding.measured["single_points_of_failure"]


def test_one_more_like_it_and_none():
    alone = found(FOH, device("engine", "foh 1", "engine"), device("desk", "foh 2", "desk"))
    assert alone.headline.endswith("1 more like it.") or "more like it" not in alone.headline
    assert len(alone.measured["single_points_of_failure"]) == 1 + alone.headline.count("more like it")


def test_a_cable_and_a_switch_that_lead_to_nobody_cost_nothing():
    """Only an engine needs a spare."""
    finding = found(FOH, STAGE, TRUNK, device("desk", "foh 1", "desk"), device("box", "foh 2"))
    assert finding.measured["single_points_of_failure"] == ["foh"] or finding.outcome == Outcome.PASS
    assert not any("stage" in each for each in finding.measured["single_points_of_failure"])
