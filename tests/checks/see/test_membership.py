"""The tables of who asks, who is a member and what flows, by hand from IGMP messages of known times."""

import pytest

from preflight.checks.see.membership import groups, queriers, rivals, unread_reporters
from tests.checks.ptp import master
from tests.tally.captures import every, mac, rtp, studied, udp
from tests.wire.groups import leave, query, report

STREAM, OTHER, LOCAL = "233.252.0.1", "233.252.0.2", "224.0.0.251"
USUAL_S = 125


def asks(sender: int, *times: float, **more):
    return [(at, query(sender, **more)) for at in times]


def test_what_a_querier_tells_of_its_timers(tmp_path):
    """Robustness 3 at 20 s, and 5 s to answer."""
    told = asks(9, 1, 4, interval=20, robustness=3, response=50)
    [one] = queriers(studied(tmp_path, told), USUAL_S)
    assert (one.address, one.hardware, one.version, one.own) == ("192.0.2.9", mac(9), 3, False)
    assert (one.interval_s, one.response_s, one.membership_s) == (20, 5, 3 * 20 + 5)
    assert one.times == pytest.approx((0, 3)) and one.last_s == pytest.approx(3)
    assert (one.first_frame, one.unread, one.vlans) == (1, False, frozenset({None}))


def test_what_the_last_query_tells_counts(tmp_path):
    [one] = queriers(studied(tmp_path, asks(9, 0, interval=20), asks(9, 30, interval=40)), USUAL_S)
    assert (one.interval_s, one.membership_s) == (40, 2 * 40 + 10)


@pytest.mark.parametrize(
    ("times", "interval_s"),
    [((0,), 125), ((0, 60), 125), ((0, 300), 300), ((0, 300, 600, 610), 300), ((0, 100, 400), 200)],
)
def test_one_that_tells_no_interval_has_the_usual_one_unless_it_takes_its_time(tmp_path, times, interval_s):
    [one] = queriers(studied(tmp_path, asks(9, *times, version=2)), USUAL_S)
    assert one.interval_s == interval_s and one.membership_s == 2 * interval_s + 10


def test_version_1_tells_nothing(tmp_path):
    [one] = queriers(studied(tmp_path, asks(9, 0, version=1)), USUAL_S)
    assert (one.version, one.interval_s, one.response_s, one.membership_s) == (1, 125, 10, 260)


def test_the_lowest_address_first_as_numbers_are_compared(tmp_path):
    frames = asks(10, 0), asks(9, 1), asks(2, 2, group=STREAM), [(3, report(1, STREAM))]
    found = queriers(studied(tmp_path, *frames), USUAL_S)
    assert [each.address for each in found] == ["192.0.2.9", "192.0.2.10"], "who asks for one group is none"


def test_queries_beyond_those_that_were_read(tmp_path):
    """64 messages of a sender are read."""
    for count in (64, 65):
        frames = asks(9, *range(count)), every(1, query(9, group=STREAM), 90, 99)
        [one] = queriers(studied(tmp_path, *frames), USUAL_S)
        assert len(one.times) == 64 and one.last_s == pytest.approx(count - 1)
        assert one.unread is (count == 65)


def test_the_vlans_of_a_querier(tmp_path):
    tagged = [(at, frame[:12] + b"\x81\x00\x00\x14" + frame[12:]) for at, frame in asks(9, 5)]
    [one] = queriers(studied(tmp_path, asks(9, 0), tagged), USUAL_S)
    assert one.vlans == {None, 20}


def test_members_are_those_that_said_so_last(tmp_path):
    frames = [(1.0, report(5, STREAM, LOCAL)), (2.0, report(6, STREAM)), (3.0, report(5, STREAM))]
    frames += [(4.0, leave(6, STREAM)), (4.0, leave(6, OTHER))]
    table = groups(studied(tmp_path, [(0.0, query(9)), *frames]))
    assert list(table) == [STREAM]
    assert table[STREAM].members == {mac(5): pytest.approx(3.0)} and table[STREAM].ever_joined
    assert table[STREAM].joined_s == pytest.approx(3.0) and not table[STREAM].matters


def stream(group: str, end: float, sender: int = 0x1F):
    return every(0.05, lambda n: rtp(sender, group, n, bytes(48), 2400), 0, end)


def test_a_group_that_flows_without_members(tmp_path):
    table = groups(studied(tmp_path, stream(STREAM, 9), stream(STREAM, 5, 0x20), stream(LOCAL, 5, 0x21)))
    [group] = table.values()
    assert (group.address, len(group.flows), group.ever_joined, group.joined_s) == (STREAM, 2, False, None)
    assert group.matters and group.last_s == pytest.approx(8.95)


def test_what_matters_is_audio_and_its_clock(tmp_path):
    few = [(n * 1.0, udp(5, OTHER, 6000, b"x")) for n in range(5)]
    assert not groups(studied(tmp_path, few))[OTHER].matters
    clock = groups(studied(tmp_path, master(5, 0, 5, udp=True)))
    assert [each.matters for each in clock.values()] == [True]


def test_discovery_is_no_group_of_the_show(tmp_path):
    asked = [(0.0, udp(5, "239.255.255.250", 1900, b"M-SEARCH * HTTP/1.1\r\n\r\n"))]
    assert groups(studied(tmp_path, asked)) == {}


def test_reports_beyond_those_that_were_read(tmp_path):
    """The time of the last stands for all groups that their sender had joined."""
    first = [(0.0, report(5, STREAM, OTHER)), (0.5, report(6, STREAM))]
    for more, unread in ((63, {}), (64, {mac(5): 65.0})):
        reports = every(1, report(5, STREAM), 2, 2 + more)
        facts = studied(tmp_path, first, reports)
        assert unread_reporters(facts) == pytest.approx(unread)
        members = groups(facts)[OTHER].members
        assert members == {mac(5): pytest.approx(65.0 if unread else 0.0)}
        assert groups(facts)[STREAM].members[mac(6)] == pytest.approx(0.5)


def test_what_a_querier_asks_is_no_report(tmp_path):
    assert unread_reporters(studied(tmp_path, asks(9, *range(70)))) == {}
    both = asks(9, *range(70)), [(5.5, report(9, STREAM))]
    assert unread_reporters(studied(tmp_path, *both)) == {mac(9): pytest.approx(5.5)}


@pytest.mark.parametrize(
    ("low", "high", "again_s"),
    [
        ((0, 10), (5, 15), 15),
        ((0, 10), (5, 10.05, 10.15), 10.15),  # it is given a tenth of a second
        ((0, 10), (5, 10.05), None),
        ((0, 10), (5, 8), None),
        ((0, 10), (12, 14), None),  # it came second, and the other has not asked since
        ((0, 10), (5, 39.9), 39.9),
        ((0, 10), (5, 40.1), None),  # the membership of 2 x 10 s + 10 s is over
        ((0, 10, 20), (5, 45), 45),
    ],
)
def test_who_heard_the_lower_one_ask_and_went_on(tmp_path, low, high, again_s):
    frames = asks(9, *high, interval=10), asks(1, *low, interval=10)
    found = rivals(queriers(studied(tmp_path, *frames), USUAL_S), 0.1)
    if again_s is None:
        assert found is None
    else:
        first, second, at_s = found
        assert (first.address, second.address) == ("192.0.2.1", "192.0.2.9")
        assert at_s == pytest.approx(again_s)


def test_in_another_vlan_or_without_an_address_it_is_no_rival(tmp_path):
    high = asks(9, 5, 15, interval=10)
    tagged = [(at, frame[:12] + b"\x81\x00\x00\x14" + frame[12:]) for at, frame in high]
    nobody = asks(1, 0, 10, interval=10, source="0.0.0.0")
    for frames in ((asks(1, 0, 10, interval=10), tagged), (nobody, high)):
        assert rivals(queriers(studied(tmp_path, *frames), USUAL_S), 0.1) is None
