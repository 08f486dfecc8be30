"""Spare: what the sheet or the wire tells of both and differs; what only one of them told is no
difference."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from preflight.facts import Facts
from preflight.rig.budget import plan
from preflight.rig.read import parse
from preflight.rig.template import TEMPLATE
from tests.checks import ptp
from tests.checks.asked import asked
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, ENGINE_B, LEFT, SPARE
from tests.tally.captures import studied, told
from tests.wire.groups import TO_INCLUDE, query, report

judge = asked("spare")

STREAM, OTHER = "233.252.0.1", "233.252.0.2"


def planned(text: str = TEMPLATE) -> Finding | None:
    sheet = parse(text)
    return judge(Facts(sheet=sheet, budget=plan(sheet)))


def heard(tmp_path, *frames, sheet=None) -> Finding | None:
    return judge(replace(studied(tmp_path, *frames), sheet=sheet or shows.sheet()))


def answers(*members: tuple[int, tuple[str, ...]], version: int = 3):
    """A query for all groups, and each member's answer."""
    frames = [(1.0, query(shows.SWITCH, version))]
    for number, (member, groups) in enumerate(members):
        each = [groups] if version == 3 else [(group,) for group in groups]
        frames += [(1.1 + number / 10, report(member, *one, version=version)) for one in each]
    return frames


def test_the_templates_spares_get_what_their_main_ones_get():
    assert planned().outcome == Outcome.PASS
    finding = planned(TEMPLATE.replace('"spare desk", "engine A"', '"engine A"'))
    assert finding.outcome == Outcome.CAUTION
    assert "spare desk does not get “stage left”, which desk gets" in finding.headline


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('port = "stage 1"\n', "", "engine B is not plugged in, and engine A is"),
        ('port = "stage 1"\n', 'port = "stage 1"\npoe_class = 3\n', "takes power of class 3"),
        ('address = "192.0.2.21"\n', "", "engine B has no address on the sheet"),
        ("[[stream]]", '[[cable]]\na = "engine B"\nb = "stage 1"\nspeed_mbps = 100\n[[stream]]', "100 Mb/s"),
    ],
)  # fmt: skip
def test_what_the_sheet_gives_the_spare_otherwise(old, new, says):
    assert old in TEMPLATE
    assert says in told(planned(TEMPLATE.replace(old, new, 1)))


def test_a_rig_without_spares_is_not_asked():
    assert planned("name = 'x'\n[[device]]\nname = 'e'\nkind = 'engine'") is None
    assert judge(Facts(sheet=shows.sheet())) is None
    assert judge(Facts(sheet=shows.sheet(), wire_refused="no")).outcome == Outcome.UNPROVEN


def test_groups_that_the_spare_has_not_joined(tmp_path):
    alike = answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (OTHER, STREAM)))
    assert heard(tmp_path, alike).outcome == Outcome.PASS
    finding = heard(tmp_path, answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (OTHER,))))
    assert finding.outcome == Outcome.CAUTION and f"engine b has not joined {STREAM}" in finding.headline
    assert finding.cautions and finding.fixes


def test_what_is_no_proof_that_it_has_not_joined(tmp_path):
    """A member of version 2 is silent when another answers for the group; without a query a report tells
    changes only; the groups of the local network are told by whoever likes; and the spare may not have
    answered yet."""
    spoken = shows.hello(ENGINE_B)
    unproven = [
        answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (OTHER,)), version=2),
        answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (OTHER,)))[1:],
        answers((ENGINE, (STREAM, OTHER))) + spoken,
    ]
    assert [heard(tmp_path, frames).outcome for frames in unproven] == [Outcome.UNPROVEN] * 3
    local = answers((ENGINE, (STREAM, "224.0.0.251")), (ENGINE_B, (STREAM,)))
    assert heard(tmp_path, local).outcome == Outcome.PASS


def test_a_group_that_was_left_since(tmp_path):
    frames = answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (STREAM,)))
    left = (2.0, report(ENGINE, OTHER, kind=TO_INCLUDE))
    assert heard(tmp_path, frames, [left]).outcome == Outcome.PASS


def test_another_clock_domain(tmp_path):
    def asks(clock: int, **more):
        return [(1.0 + clock / 100, ptp.message(clock, ptp.DELAY_REQUEST, bytes(10), **more))]

    assert heard(tmp_path, asks(ENGINE), asks(ENGINE_B)).outcome == Outcome.PASS
    finding = heard(tmp_path, asks(ENGINE), asks(ENGINE_B, domain=5))
    assert finding.outcome == Outcome.CAUTION
    assert "engine b speaks in clock domain 5, engine in 0" in finding.headline


def test_others_differ_as_they_like(tmp_path):
    frames = answers((DESK, (STREAM, OTHER)), (SPARE, (OTHER, STREAM)), (LEFT, (OTHER,)), (ENGINE, ()))
    assert heard(tmp_path, frames).outcome == Outcome.PASS


def test_of_many_streams_that_it_lacks_four_are_named():
    more = "".join(
        f'[[stream]]\nname = "more {n}"\nsender = "engine A"\nreceivers = ["desk"]\nchannels = 2\n'
        for n in range(5)
    )
    finding = planned(TEMPLATE + more)
    assert "“more 0”, “more 1”, “more 2”, “more 3” and 1 more, which desk gets" in finding.headline


def test_what_both_were_compared_by_is_counted(tmp_path):
    one = heard(tmp_path, answers((DESK, (STREAM,)), (SPARE, (STREAM,)), (ENGINE, (STREAM,))))
    assert one.measured == {"spares": 2, "compared": 1, "differences": 0}
    alike = heard(
        tmp_path, answers((DESK, (STREAM,)), (SPARE, (STREAM,)), (ENGINE, (STREAM,)), (ENGINE_B, (STREAM,)))
    )
    assert alike.headline == "2 spares are set up as the main one, in what was heard."


def test_a_question_for_one_group_is_not_answered_with_all(tmp_path):
    frames = [
        (1.0, query(shows.SWITCH, 3, group=STREAM)),
        *answers((ENGINE, (STREAM, OTHER)), (ENGINE_B, (STREAM,)))[1:],
    ]
    assert heard(tmp_path, frames).outcome == Outcome.UNPROVEN


@pytest.mark.parametrize(
    ("mbps", "says"), [(1000, ""), (100, "100 Mb/s, engine A one of 1000 Mb/s"), (2500, "")]
)
def test_a_slower_link_than_its_main_ones(mbps, says):
    also = f'[[cable]]\na = "engine B"\nb = "stage 1"\nspeed_mbps = {mbps}\n[[stream]]'
    finding = planned(TEMPLATE.replace("[[stream]]", also, 1))
    assert (finding.outcome == Outcome.PASS) is (not says) and says in told(finding)


def test_more_than_its_main_one_has_is_no_difference():
    """Power is: without the switch's, the spare needs a supply of its own, or the other way round."""
    bare = TEMPLATE.replace('address = "192.0.2.20"\n', "").replace('address = "192.0.2.21"\n', "")
    assert planned(bare).outcome == Outcome.PASS
    assert planned(TEMPLATE.replace('address = "192.0.2.20"\n', "")).outcome == Outcome.PASS
    main = TEMPLATE.replace('name = "engine A"\n', 'name = "engine A"\npoe_class = 2\n', 1)
    assert "engine B takes no power from the switch, and engine A power of class 2" in told(planned(main))


def test_the_spare_need_not_get_what_it_sends():
    sends = '[[stream]]\nname = "spare out"\nsender = "spare desk"\nreceivers = ["desk"]\nchannels = 2\n'
    assert planned(TEMPLATE + sends).outcome == Outcome.PASS


@pytest.mark.parametrize(("lacking", "rest"), [(4, ""), (5, " and 1 more"), (6, " and 2 more")])
def test_four_groups_are_named_and_the_others_counted(tmp_path, lacking, rest):
    groups = tuple(f"233.252.0.{n}" for n in range(1, 2 + lacking))
    finding = heard(tmp_path, answers((ENGINE, groups), (ENGINE_B, groups[-1:])))
    assert f"has not joined {', '.join(groups[:4])}{rest}, which engine has" in finding.headline


def test_the_answer_of_one_group_does_not_make_up_for_what_its_main_one_has_not_told(tmp_path):
    """Of the main one nothing is known, or of the spare: neither is compared."""
    for told_by in (ENGINE, ENGINE_B):
        finding = heard(tmp_path, answers((told_by, (STREAM,))), shows.hello(ENGINE), shows.hello(ENGINE_B))
        assert finding.outcome == Outcome.UNPROVEN and finding.measured["compared"] == 0
