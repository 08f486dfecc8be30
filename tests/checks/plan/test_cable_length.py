"""Cables: each reach from both sides, by kind and speed; what has no length is no proof."""

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.facts import Facts
from preflight.rig.sheet import Sheet
from tests.checks.asked import asked
from tests.rig.rigs import RIG, TRUNK, cable, planned, sheet

judge = asked("cable-length")


def run(length: float | None, medium: str = "copper", mbps: int = 1000) -> str:
    return cable("foh 8", "stage 8", length, f'medium = "{medium}"\nspeed_mbps = {mbps}\n')


def found(length: float, medium: str, mbps: int = 1000) -> Finding:
    return judge(planned(sheet(*RIG, run(length, medium, mbps))))


@pytest.mark.parametrize(
    ("length", "medium", "outcome", "says"),
    [
        (90, "copper", Outcome.PASS, "The longest cable has 90 m"),
        (90.5, "copper", Outcome.CAUTION, "90.5 m of copper, 100 m is the most, and patch leads count too."),
        (100, "copper", Outcome.CAUTION, "patch leads"),
        (100.5, "copper", Outcome.FAIL, "foh 8 to stage 8: 100.5 m of copper, 100 m is the most."),
        (550, "fibre", Outcome.PASS, "The longest cable has 550 m"),
        (550.5, "fibre", Outcome.CAUTION, "550.5 m of fibre, 550 m is the most."),
    ],
)
def test_against_the_channel(length, medium, outcome, says):
    """90 m and 10 m of patch leads: ISO/IEC 11801, TIA-568. 550 m: 1000BASE-SX, IEEE 802.3 clause 38."""
    finding = found(length, medium)
    assert finding.outcome == outcome and says in finding.headline
    assert bool(finding.cautions) == bool(finding.fixes) == (outcome != Outcome.PASS)


# IEEE 802.3 clauses 40 (1000BASE-T), 55 (10GBASE-T), 113, 126; TIA TSB-155; multimode: clauses 38, 52, 68,
# 86, 95, 112. Kind, Mb/s, metres that all do, metres that some do.
REACHES = [
    ("Cat 5", 1000, 90, 100),
    ("Cat 5e", 2500, 90, 100),
    ("Cat 6", 5000, 90, 100),
    ("Cat 6", 10_000, 37, 55),
    ("Cat 6A", 10_000, 90, 100),
    ("Cat 7", 10_000, 90, 100),
    ("Cat 8", 25_000, 30, 30),
    ("Cat 8", 40_000, 30, 30),
    ("OM1", 100, 2000, 2000),
    ("OM1", 1000, 275, 550),
    ("OM2", 1000, 550, 550),
    ("OM5", 1000, 550, 550),
    ("OM1", 10_000, 33, 220),
    ("OM2", 10_000, 82, 220),
    ("OM3", 10_000, 300, 300),
    ("OM4", 10_000, 400, 400),
    ("OM5", 10_000, 400, 400),
    ("OM3", 25_000, 70, 70),
    ("OM4", 25_000, 100, 100),
    ("OM3", 40_000, 100, 100),
    ("OM4", 40_000, 150, 150),
    ("OM3", 100_000, 70, 70),
    ("OM5", 100_000, 100, 100),
]


@pytest.mark.parametrize(("medium", "mbps", "sure", "most"), REACHES)
def test_each_kind_at_each_speed(medium, mbps, sure, most):
    assert found(sure, medium, mbps).outcome == Outcome.PASS
    beyond = found(sure + 0.5, medium, mbps)
    assert beyond.outcome == (Outcome.FAIL if sure == most else Outcome.CAUTION)
    too_long = found(most + 0.5, medium, mbps)
    assert too_long.outcome == Outcome.FAIL and f"{most:g} m is the most." in too_long.headline
    assert f"{most + 0.5:g} m of {medium}" in too_long.headline and too_long.fixes


@pytest.mark.parametrize(
    ("medium", "mbps"),
    [("Cat 5", 2500), ("Cat 5e", 10_000), ("Cat 7", 25_000), ("OM2", 25_000), ("Cat 8", 100_000)],
)
def test_a_kind_that_is_not_made_for_the_speed(medium, mbps):
    finding = found(2, medium, mbps)
    assert finding.outcome == Outcome.FAIL and finding.headline.endswith("which it is not made for.")


def test_five_gigabit_over_cat_5e_depends():
    """IEEE 802.3bz names it for some cases only."""
    assert found(20, "Cat 5e", 5000).outcome == Outcome.CAUTION
    assert "good conditions only" in found(90, "Cat 5e", 5000).headline
    assert found(101, "Cat 5e", 5000).outcome == Outcome.FAIL


@pytest.mark.parametrize(
    ("medium", "mbps", "enough", "too_long", "needs"),
    [
        ("copper", 2500, 90, 101, ""),
        ("copper", 10_000, 0, 20, "Cat 6"),
        ("copper", 10_000, 0, 90, "Cat 6A"),
        ("copper", 25_000, 0, 30, "Cat 8"),
        ("fibre", 1000, 550, 551, "single-mode"),
        ("fibre", 10_000, 82, 83, "OM3"),
        ("fibre", 10_000, 82, 301, "OM4"),
        ("fibre", 10_000, 82, 500, "single-mode"),
        ("fibre", 25_000, 0, 60, "OM3"),
        ("multimode", 10_000, 82, 301, "OM4"),
        ("multimode", 10_000, 82, 500, ""),
        ("multimode", 1000, 550, 551, ""),
    ],
)
def test_where_the_sheet_says_only_copper_or_fibre_it_asks(medium, mbps, enough, too_long, needs):
    """A healthy rig is not failed for a word that is missing, nor a wrong cable passed."""
    if enough:
        assert found(enough, medium, mbps).outcome == Outcome.PASS
    finding = found(too_long, medium, mbps)
    assert finding.outcome == (Outcome.CAUTION if needs else Outcome.FAIL)
    if needs:
        assert f" {needs} or better is needed: the sheet says only {medium}." in finding.headline
        assert f'medium = "{needs}"' in finding.fixes[0]


def test_no_copper_reaches():
    assert found(31, "copper", 25_000).outcome == Outcome.FAIL
    assert found(101, "copper", 10_000).outcome == Outcome.FAIL


@pytest.mark.parametrize(("medium", "mbps"), [("single-mode", 10_000), ("fibre", 10_000)])
def test_single_mode_beyond_its_usual_ports_is_the_users_to_know(medium, mbps):
    assert found(10_000, "single-mode", mbps).outcome == Outcome.PASS
    assert found(10_001, medium, mbps).outcome == Outcome.CAUTION


def test_a_speed_that_no_fibre_is_made_for_is_not_failed():
    finding = found(50, "OM3", 2500)
    assert finding.outcome == Outcome.CAUTION and "IEEE 802.3 names no length" in finding.headline


def test_the_sheet_may_know_better():
    rig = sheet(*RIG, run(350, "OM3", 10_000))
    assert judge(planned(rig)).outcome == Outcome.FAIL
    longer = Sheet(**vars(rig) | {"limits": {"cable-length": {"OM3 at 10000": 350}}})
    assert judge(planned(longer)).outcome == Outcome.PASS


def test_the_worst_leads_and_all_are_counted():
    finding = judge(
        planned(sheet(*RIG, run(95), cable("foh 7", "stage 7", 120), cable("foh 6", "stage 6", 30)))
    )
    assert finding.outcome == Outcome.FAIL and "120 m" in finding.headline
    assert "95 m" in finding.evidence[0].text
    assert finding.measured == {"too_long": 1, "doubtful": 1, "unknown": 4}


def test_unknown_lengths_prove_nothing_and_are_left_out():
    assert judge(planned(sheet(*RIG, run(None)))).outcome == Outcome.UNPROVEN
    assert "4 of unknown length are left out" in judge(planned(sheet(*RIG, TRUNK))).headline
    assert judge(Facts(sheet=sheet(*RIG))) is None


@pytest.mark.parametrize(("mbps", "rate"), [(100, ""), (1000, ""), (2500, " at 2.5 Gb/s")])
def test_a_rate_is_told_where_it_is_not_the_usual_one(mbps, rate):
    assert f"101 m of Cat 5e{rate}, 100 m is the most" in found(101, "Cat 5e", mbps).headline


@pytest.mark.parametrize(("medium", "steps"), [("Cat 6A", ("converter", "in the middle", "better kind")), ("OM3", ("single-mode", "better kind"))])  # fmt: skip
def test_copper_and_fibre_have_steps_of_their_own(medium, steps):
    fixes = found(500, medium, 10_000).fixes
    assert len(fixes) == len(steps) and all(word in fix for word, fix in zip(steps, fixes, strict=True))


def test_a_cable_of_no_length_is_known_and_short():
    assert found(0.1, "copper").outcome == Outcome.PASS


def test_slow_fibre_over_ten_megabit_goes_as_far_as_over_a_hundred():
    assert found(2000, "OM1", 10).outcome == Outcome.PASS and found(2001, "OM1", 10).outcome == Outcome.FAIL
    assert found(90, "Cat 5", 10).outcome == Outcome.PASS and found(101, "Cat 5", 10).outcome == Outcome.FAIL


@pytest.mark.parametrize("mbps", [100, 1000, 10_000, 25_000, 40_000, 100_000])
def test_single_mode_at_each_of_its_speeds(mbps):
    assert found(10_000, "single-mode", mbps).outcome == Outcome.PASS
    beyond = found(10_001, "single-mode", mbps)
    assert beyond.outcome == Outcome.CAUTION and "10000 m is the most." in beyond.headline


@pytest.mark.parametrize(
    ("name", "medium", "mbps", "most"),
    [
        ("copper_m", "Cat 5e", 1000, 100),
        ("fibre_m", "OM2", 1000, 550),
        ("Cat 6 at 10000", "Cat 6", 10_000, 55),
        ("Cat 8 at 25000 and 40000", "Cat 8", 40_000, 30),
        ("OM1 at 10 and 100", "OM1", 100, 2000),
        ("OM1 at 1000", "OM1", 1000, 550),
        ("OM1 at 10000", "OM1", 10_000, 220),
        ("OM2 at 10000", "OM2", 10_000, 220),
        *((f"{kind} at {mbps}", kind, mbps, most) for kind, mbps, most in (
            ("OM3", 10_000, 300), ("OM4", 10_000, 400), ("OM3", 25_000, 70), ("OM4", 25_000, 100),
            ("OM3", 40_000, 100), ("OM4", 40_000, 150), ("OM3", 100_000, 70), ("OM4", 100_000, 100),
        )),
        ("single-mode", "single-mode", 10_000, 10_000),
    ],
)  # fmt: skip
def test_each_reach_has_a_name_by_which_the_sheet_may_change_it(name, medium, mbps, most):
    rig, told = sheet(*RIG, run(most + 10, medium, mbps)), f", {most:g} m is the most"
    longer = Sheet(**vars(rig) | {"limits": {"cable-length": {name: most + 10}}})
    assert told in judge(planned(rig)).headline and told not in judge(planned(longer)).headline
    assert f"{most + 10:g} m" in judge(planned(longer)).headline


@pytest.mark.parametrize(
    ("name", "medium", "mbps", "sure"),
    [
        ("copper_fixed_m", "Cat 5e", 1000, 90),
        ("Cat 5e at 5000, sure", "Cat 5e", 5000, 0),
        ("Cat 6 at 10000, sure", "Cat 6", 10_000, 37),
        ("OM1 at 1000, sure", "OM1", 1000, 275),
        ("OM1 at 10000, sure", "OM1", 10_000, 33),
        ("OM2 at 10000, sure", "OM2", 10_000, 82),
    ],
)
def test_so_has_what_is_sure(name, medium, mbps, sure):
    rig = sheet(*RIG, run(sure + 5, medium, mbps))
    assert judge(planned(rig)).outcome == Outcome.CAUTION and judge(planned(rig)).limits[name] == sure
    longer = Sheet(**vars(rig) | {"limits": {"cable-length": {name: sure + 5}}})
    assert judge(planned(longer)).outcome == Outcome.PASS
