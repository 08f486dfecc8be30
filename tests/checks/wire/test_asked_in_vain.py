"""Questions that nobody answers, told from those that only this port does not hear answered."""

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.lab import frames as raw
from tests.tally.captures import Timed, mac, studied, told

PASS, CAUTION, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.UNPROVEN
judge = asked("asked-in-vain")


def asks(times: int, apart_s: float = 1.0, device: int = 1, target: int = 77) -> list[Timed]:
    frame = raw.arp(mac(device), f"192.0.2.{device}", f"192.0.2.{target}")
    return [(device / 100 + n * apart_s, frame) for n in range(times)]


@pytest.mark.parametrize(
    ("frames", "outcome"),
    [
        (asks(10), CAUTION),
        (asks(9), PASS),
        (asks(10, 5.99), CAUTION),
        (asks(10, 6.01), PASS),  # as who is answered, and forgets
        (asks(10, 0.21), CAUTION),
        (asks(10, 0.19), PASS),  # copies
        ([*asks(10), (0.5, raw.arp(mac(9), "192.0.2.77", "192.0.2.200"))], PASS),  # it is here
        (asks(10) + asks(3, 4.0, target=20), CAUTION),
        (asks(12, device=5, target=5), UNPROVEN),  # it names its own address
    ],
)
def test_limits(tmp_path, frames, outcome):
    assert judge(studied(tmp_path, frames)).outcome == outcome


def test_who_gives_up_and_tries_again_later_is_not_answered(tmp_path):
    """Four questions, four seconds apart, each minute."""
    tries = [[(60 * n + at, data) for at, data in asks(4, 4.0)] for n in range(3)]
    assert judge(studied(tmp_path, *tries)).outcome == CAUTION  # the first of each try follows none
    assert judge(studied(tmp_path, *tries[:2])).outcome == PASS
    assert (
        judge(studied(tmp_path, *([(60 * n, data)] for n, (_, data) in enumerate(asks(20))))).outcome == PASS
    )


def test_who_asks_for_whom(tmp_path):
    finding = judge(studied(tmp_path, asks(15), asks(12, device=2)))
    assert "and 1 other ask for 192.0.2.77 again and again, and nobody answers" in finding.headline
    assert "asked 15 times" in told(finding) and finding.culprits == (mac(1), mac(2))
    alone = judge(studied(tmp_path, asks(15)))
    assert "asks for 192.0.2.77 again and again" in alone.headline and alone.measured["asked_for"] == 1
    assert [(each.frame, each.time_s) for each in alone.evidence] == [(1, 0.0)]
    assert alone.spans == ((0.0, pytest.approx(14.0)),)
    assert finding.fixes and finding.measured["in_vain"] == ["192.0.2.77"]


def test_who_is_heard_otherwise_is_here(tmp_path):
    heard = [(2.0, raw.udp(mac(9), mac(3), ("192.0.2.77", 6000), ("192.0.2.3", 6000), b"x"))]
    assert judge(studied(tmp_path, asks(15), heard)).outcome == PASS


def test_nobody_asks(tmp_path):
    assert (
        judge(
            studied(tmp_path, [(0.0, raw.udp(mac(1), mac(2), ("192.0.2.1", 1), ("192.0.2.2", 1), b"x"))])
        ).outcome
        == UNPROVEN
    )
    assert judge(Facts()) is None


def test_eight_are_told_of_many_that_are_asked_for_the_most_wanted_first(tmp_path):
    wanted = [asks(10, device=n, target=70 + n) for n in range(9)]
    finding = judge(studied(tmp_path, *wanted, asks(10, device=9, target=78)))
    assert finding.headline.endswith("and 1 other ask for 192.0.2.78 again and again, and nobody answers.")
    assert len(finding.measured["in_vain"]) == 8 and finding.measured["asked_for"] == 9


def test_of_many_askers_eight_are_shown_and_sixteen_named(tmp_path):
    finding = judge(studied(tmp_path, *(asks(10, device=device) for device in range(1, 20))))
    assert "and 18 others ask" in finding.headline
    assert len(finding.evidence) == 8 and len(finding.culprits) == len(finding.spans) == 16
