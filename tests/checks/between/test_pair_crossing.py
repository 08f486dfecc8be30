"""Two networks that touch."""

from dataclasses import replace

import pytest

from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.between.cases import END, PAIR, TALKER, TOLD
from tests.tally.captures import mac, told

find = asked("pair-crossing")


def talkers(net: str, *numbers: int):
    return tuple(replace(TALKER, hardware=mac(n), address=f"{net}.{n}") for n in numbers)


def heard(a, b) -> Facts:
    return Facts(between=replace(PAIR, a=replace(END, talkers=a), b=replace(END, talkers=b)))


def test_apart():
    finding = find(heard(talkers("192.0.2", 1, 2, 3), talkers("198.51.100", 11, 12)))
    assert finding.outcome == "pass" and find(Facts(between=TOLD)) is None


def test_one_device_in_both():
    a, b = talkers("192.0.2", 1, 2, 3), talkers("198.51.100", 11, 12)
    stray = replace(a[2], first_frame=77, broadcasts=1, broadcast_frame=80, frames=4)
    finding = find(heard(a, (*b, stray)))
    assert finding.outcome == "fail" and finding.culprits == (mac(3),)
    words = told(finding)
    assert "One device speaks in both" in words and "4 frames in B from frame 77 on" in words
    assert "frame 9 of A and frame 80 of B" in words
    assert "Unplug the cable that joins" in finding.fixes[1] and finding.cautions


def test_joined_networks_name_all():
    a = talkers("192.0.2", *range(1, 9))
    finding = find(heard(a, a))
    assert (
        "8 devices speak" in finding.headline
        and len(finding.culprits) == 8
        and "and 3 more devices" in told(finding)
    )


@pytest.mark.parametrize(("least", "outcome"), [(4, "fail"), (5, "pass")])
def test_its_limit(least, outcome):
    from preflight.rig.sheet import Sheet

    stray = replace(TALKER, frames=4)
    asked_with = heard((TALKER,), (stray,))
    sheet = Sheet(name="x", limits={"pair-crossing": {"frames": least}})
    assert find(replace(asked_with, sheet=sheet)).outcome == outcome


def test_a_device_wholly_in_the_wrong_network():
    a = talkers("192.0.2", 1, 2, 3)
    wrong = replace(TALKER, hardware=mac(9), address="192.0.2.9", first_frame=21)
    finding = find(heard(a, (*talkers("198.51.100", 11, 12, 13), wrong)))
    assert finding.outcome == "fail" and "1 device in the wrong network" in finding.headline
    assert "speaks in B, with an address of A: frame 21" in told(finding) and finding.culprits == (mac(9),)


def test_one_range_for_both_tells_nothing():
    assert find(heard(talkers("192.0.2", 1, 2), talkers("192.0.2", 3, 4))).outcome == "pass"
    # Half and half is no range.
    assert (
        find(heard(talkers("192.0.2", 1, 2), talkers("192.0.2", 5, 6) + talkers("198.51.100", 3, 4))).outcome
        == "pass"
    )


def test_nobody_heard():
    assert find(heard((), talkers("192.0.2", 1))).outcome == "unproven"


@pytest.mark.parametrize(
    ("of_the_net", "of_others", "is_range"),
    [(1, 0, False), (2, 0, True), (3, 2, True), (4, 3, False)],
)
def test_a_range_is_that_of_two_at_the_least_and_of_most(of_the_net, of_others, is_range):
    """Three in five are. A device with an address of it in the other network is then in the wrong one."""
    others = tuple(replace(TALKER, hardware=mac(40 + n), address=f"203.0.113.{n}") for n in range(of_others))
    home = talkers("192.0.2", *range(1, 1 + of_the_net)) + others
    wrong = replace(TALKER, hardware=mac(9), address="192.0.2.9")
    finding = find(heard(home, (*talkers("198.51.100", 11, 12, 13), wrong)))
    assert finding.outcome == ("fail" if is_range else "pass")
    assert finding.measured["of_the_other_range"] == int(is_range)


def test_who_has_no_address_or_chose_its_own_is_of_no_range():
    homeless = tuple(
        replace(TALKER, hardware=mac(60 + n), address=each)
        for n, each in enumerate(["", "0.0.0.0", "169.254.1.1", "169.254.1.2", "169.254.1.3"])
    )
    finding = find(heard(talkers("192.0.2", 1, 2) + homeless, talkers("198.51.100", 11, 12)))
    assert finding.outcome == "pass" and finding.measured["devices_a"] == 7


@pytest.mark.parametrize(
    ("here", "there", "told_as"), [("192.0.2.3", "198.51.100.3", "192.0.2.3"), ("", "198.51.100.3", "198.51.100.3"), ("192.0.2.3", "", "192.0.2.3")]
)  # fmt: skip
def test_a_device_in_both_is_told_by_its_address_in_a_or_else_in_b(here, there, told_as):
    one, other = (replace(TALKER, hardware=mac(3), address=each) for each in (here, there))
    finding = find(heard((one,), (other,)))
    assert f"{mac(3)}, {told_as})" in told(finding) and finding.outcome == "fail"
