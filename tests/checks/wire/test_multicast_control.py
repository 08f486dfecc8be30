"""Multicast control: the timers of RFC 2236 and RFC 3376, who asks, who joined, and what a short capture
cannot know."""

import struct
from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.lab import frames as raw
from tests.tally.captures import every, mac, rtp, studied, told, write_with_direction
from tests.wire.groups import leave, query, report

judge = asked("multicast-control")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
STREAM, OTHER = "233.252.0.1", "233.252.0.2"


def stream(start: float, end: float, group: str = STREAM, sender: int = 0x1F, per_s: float = 20):
    return every(1 / per_s, lambda n: rtp(sender, group, n, bytes(48), 2400), start, end)


def joins(at: float, *members: int, group: str = STREAM, **more):
    return [(at + 0.1 * n, report(member, group, **more)) for n, member in enumerate(members)]


def asks(sender: int, *times: float, **more):
    return [(at, query(sender, **more)) for at in times]


def answered(sender: int, every_s: float, end: float, **more):
    """A querier and two members that answer it."""
    times = [every_s * n for n in range(int(end / every_s) + 1)]
    return asks(sender, *times, **more) + [
        f for t in times for f in joins(t + 1, 0x0A, 0x0B, version=more.get("version", 3))
    ]


@pytest.mark.parametrize("version", [2, 3])
def test_one_querier_that_keeps_its_interval(tmp_path, version):
    finding = judge(studied(tmp_path, answered(1, 125, 400, version=version), stream(0, 400)))
    assert finding.outcome == PASS and mac(1) in finding.headline
    assert finding.measured["groups"][STREAM]["members"] == 2
    # 2 x 125 s + 10 s after the last report, at 376.1 s
    assert finding.measured["membership_interval_s"] == 260
    assert finding.measured["groups"][STREAM]["runs_out_s"] == pytest.approx(636.1)


def test_the_timers_are_those_that_the_querier_tells(tmp_path):
    frames = answered(1, 10, 30, interval=10, robustness=3, response=50)
    finding = judge(studied(tmp_path, frames, stream(0, 30)))
    assert finding.outcome == PASS and "every 10 s" in finding.headline
    assert finding.measured["membership_interval_s"] == 3 * 10 + 5


@pytest.mark.parametrize(("end", "outcome"), [(60, UNPROVEN), (130.05, UNPROVEN), (130.1, CAUTION)])
def test_a_short_capture_without_a_query_proves_nothing(tmp_path, end, outcome):
    finding = judge(studied(tmp_path, joins(100 if end > 100 else 1, 0x0A, 0x0B), stream(0, end)))
    assert finding.outcome == outcome and finding.fixes
    if outcome == CAUTION:
        # joined at 100.1 s at the latest: 360.1 s is in the seventh minute
        assert finding.headline == (
            "No querier in 130 s: if the switches snoop, streams stop from minute 7 of this capture on."
        )
        assert finding.undated == "No querier in 130 s: if the switches snoop, streams stop."
        assert "2 joined, last at 1:40; runs out at 6:00" in told(finding)
        assert finding.cautions and finding.spans == ((0.0, pytest.approx(end - 0.05)),)


def test_streams_that_nobody_joined_stop_too(tmp_path):
    finding = judge(studied(tmp_path, stream(0, 140)))
    assert "streams stop 4 min 20 s after they began" in finding.headline


# Two turns of 130 s: the last frame comes a fifth of a second before the end.
@pytest.mark.parametrize(("end", "outcome"), [(260.2, UNPROVEN), (260.4, CAUTION)])
def test_a_capture_that_lost_frames_may_have_lost_a_query(tmp_path, end, outcome):
    facts = studied(tmp_path, joins(1, 0x0A), stream(0, end, per_s=5))
    assert judge(replace(facts, source=replace(facts.source, dropped=5))).outcome == outcome


def test_groups_joined_in_one_report(tmp_path):
    finding = judge(studied(tmp_path, [(1.0, report(0x0A, OTHER, STREAM))], stream(0, 140)))
    assert finding.outcome == CAUTION
    assert [each.text.split(":")[0] for each in finding.evidence] == [STREAM, OTHER]


def test_six_groups_are_named(tmp_path):
    many = [f"233.252.0.{n}" for n in range(1, 8)]
    joined = studied(tmp_path, [(1.0, report(0x0A, *many))], stream(0, 140))
    assert len(judge(joined).evidence) == 6
    flows = [f for n, group in enumerate(many) for f in stream(0, 22, group, 0x20 + n)]
    alone = studied(
        tmp_path, asks(1, 0, interval=20), joins(1, 0x0A, 0x0B, 0x0C, group="233.252.0.99"), flows
    )
    finding = judge(replace(alone, vantage="access port"))
    assert finding.headline.startswith("7 streams flow, but nobody joined") and len(finding.evidence) == 6
    stopped = [(1.0, report(0x0A, *many))], [f for g in many for f in stream(0, 261, g, 0x20, 2)], stream(0, 270, OTHER[:-1] + "99", 0x30)  # fmt: skip
    finding = judge(studied(tmp_path, *stopped))
    assert finding.headline.startswith("7 streams stopped")
    assert sum("joined at 0:01, stopped at 4:2" in each.text for each in finding.evidence) == 6


def test_a_querier_that_does_not_tell_its_interval_has_the_usual_one(tmp_path):
    finding = judge(studied(tmp_path, asks(1, 0, version=2), joins(1, 0x0A), stream(0, 20)))
    assert finding.measured["membership_interval_s"] == 260
    assert finding.measured["queriers"][0]["interval_s"] == 125


def test_nobody_needs_a_querier_without_streams(tmp_path):
    plain = every(1, lambda n: rtp(1, "224.0.0.5", n), 0, 200)
    finding = judge(studied(tmp_path, plain))
    assert finding.outcome == UNPROVEN and "nobody needs a querier" in finding.headline


@pytest.mark.parametrize(
    ("stops", "outcome"),
    [
        (10 + 260, FAIL),
        (10 + 260 + 15, FAIL),
        (10 + 260 + 15.1, PASS),  # it outlived its membership: no switch stops it
        (10 + 260 - 14.9, FAIL),
        (10 + 260 - 15.05, CAUTION),
        (10 + 200, CAUTION),
        (10 + 320, PASS),
        (400, PASS),
    ],
)
def test_streams_that_stop_as_their_membership_runs_out(tmp_path, stops, outcome):
    """260 s after the join and no query: RFC 2236 section 8.4. At another time it was somebody's hand."""
    finding = judge(studied(tmp_path, joins(10, 0x0A), stream(0, stops), stream(0, 400, OTHER, 0x20)))
    assert finding.outcome == outcome
    if outcome == FAIL:
        assert (
            f"{STREAM}: joined at 0:10" in told(finding)
            and f"The stream to {STREAM} port 5004 stopped 260 s" in finding.headline
        )


# A stream has stopped after five seconds of silence; its last frame comes a twentieth of a second before its
# end.
@pytest.mark.parametrize(("silent_s", "outcome"), [(4.9, CAUTION), (5.1, FAIL)])
def test_a_stream_that_has_just_paused_has_not_stopped(tmp_path, silent_s, outcome):
    end = 270 - 0.05 + silent_s + 0.05
    finding = judge(studied(tmp_path, joins(10, 0x0A), stream(0, 270), stream(0, end, OTHER, 0x20)))
    assert finding.outcome == outcome


# A tenth of the 30 s that this querier tells is less than 15 s.
@pytest.mark.parametrize(("stops", "told_so"), [(34.0, True), (34.1, False), (28.1, True), (28.0, False)])
def test_a_short_membership_runs_out_to_the_second(tmp_path, stops, told_so):
    frames = asks(1, 0, interval=10), joins(1, 0x0A), stream(0, stops), stream(0, 60, OTHER, 0x20)
    finding = judge(studied(tmp_path, *frames))
    assert ("port 5004 stopped 30 s after" in told(finding)) == told_so


def test_who_asks_too_late_saves_no_stream(tmp_path):
    frames = joins(10, 0x0A), stream(0, 270), stream(0, 400, OTHER, 0x20), asks(1, 280)
    assert judge(studied(tmp_path, *frames)).headline.startswith(
        f"The stream to {STREAM} port 5004 stopped 260 s"
    )


def test_a_stream_that_stops_though_somebody_asks_was_turned_off(tmp_path):
    """The query may even be of the very turn."""
    frames = asks(1, 0, 10, 20, 30, 40, 50, interval=10), joins(1, 0x0A), stream(0, 31)
    assert judge(studied(tmp_path, *frames, stream(0, 60, OTHER, 0x20))).outcome == PASS


def test_whoever_left_is_no_member(tmp_path):
    frames = [*joins(1, 0x0A), (5.0, leave(0x0A, STREAM)), *joins(6, 0x0B, group=OTHER)]
    frames += [(9.0, report(0x0B, OTHER, kind=3))]
    finding = judge(studied(tmp_path, frames, stream(0, 140), stream(0, 140, OTHER, 0x20)))
    assert {g["members"] for g in finding.measured["groups"].values()} == {0}


# 2 x 10 s + 10 s to answer; the last frame comes a twentieth of a second before the end.
@pytest.mark.parametrize(
    ("end", "dropped", "outcome"), [(50.05, 0, PASS), (50.1, 0, FAIL), (50.1, 5, CAUTION)]
)
def test_a_querier_that_falls_silent(tmp_path, end, dropped, outcome):
    facts = studied(tmp_path, asks(1, 0, 10, 20, interval=10), joins(21, 0x0A), stream(0, end))
    finding = judge(replace(facts, source=replace(facts.source, dropped=dropped)))
    assert finding.outcome == outcome
    if outcome != PASS:
        assert finding.headline == "The querier fell silent at 0:20; it asked every 10 s before."
        assert finding.undated == "The querier fell silent; it asked every 10 s before."
        assert finding.culprits == (mac(1),) and finding.spans[0][0] == pytest.approx(20)


@pytest.mark.parametrize(("again_s", "outcome"), [(40, PASS), (40.1, CAUTION)])
def test_a_querier_that_paused(tmp_path, again_s, outcome):
    asked = asks(1, 0, 10, again_s, 50, interval=10)
    finding = judge(studied(tmp_path, asked, joins(1, 0x0A), stream(0, 65)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.headline == "The querier paused for 30 s from 0:10 on; after 30 s memberships run out."
        assert finding.undated == "The querier paused for 30 s; after 30 s memberships run out."
        assert finding.culprits == (mac(1),) and finding.spans == (pytest.approx((10, 40.1)),)


def test_a_slow_version_2_querier_is_taken_at_its_pace(tmp_path):
    finding = judge(
        studied(tmp_path, asks(1, 0, 300, 600, version=2), joins(1, 0x0A), stream(0, 700, per_s=5))
    )
    assert finding.outcome == PASS and finding.measured["membership_interval_s"] == 610


def test_queries_beyond_those_that_were_read(tmp_path):
    """64 messages of one sender are read; that the querier asks on is in the tally."""
    asked = asks(1, *range(0, 400, 2), interval=2)
    finding = judge(studied(tmp_path, asked, joins(1, 0x0A), stream(0, 400, per_s=5)))
    assert finding.outcome == PASS


def test_a_pause_is_none_where_not_every_query_was_read(tmp_path):
    """Of the first querier those until 126 s are read; another one shows itself once."""
    asked = asks(1, *range(0, 400, 2), interval=2), asks(9, 300, interval=2)
    finding = judge(studied(tmp_path, *asked, joins(1, 0x0A), stream(0, 400, per_s=5)))
    assert finding.outcome == PASS, told(finding)


def test_reports_beyond_those_that_were_read(tmp_path):
    """64 messages of one sender are read; the tally tells when the last one came."""
    reports = [f for at in range(1, 200, 2) for f in joins(at, 0x0A)]
    members = asks(1, 0, 100, 199.5), joins(20, 0x0B), joins(130, 0x0B)
    facts = studied(tmp_path, *members, reports, stream(0, 210), stream(0, 210, OTHER, 0x20))
    finding = judge(replace(facts, vantage="access port"))
    assert finding.outcome == PASS, "one of the unread reports may have joined the other group"
    assert finding.measured["groups"][STREAM]["runs_out_s"] == 199 + 260
    few = studied(tmp_path, *members, reports[:50], stream(0, 210), stream(0, 210, OTHER, 0x20))
    finding = judge(replace(few, vantage="access port"))
    assert "nobody joined" in finding.headline
    assert finding.measured["groups"][STREAM]["runs_out_s"] == 130 + 260


@pytest.mark.parametrize(
    ("high", "outcome"),
    [
        ([5, 15], CAUTION),  # heard the lower ask at 10 s, and went on
        ([5, 10.11], CAUTION),  # to yield takes a tenth of a second
        ([5, 10.09], PASS),
        ([5], PASS),  # one start-up query
        ([5, 8], PASS),  # two of them, and no query of the other between
        ([12, 14], PASS),
    ],
)
def test_two_queriers_for_longer_than_an_election(tmp_path, high, outcome):
    frames = asks(1, 0, 10, 20, interval=10) + asks(9, *high, interval=20) + joins(1, 0x0A)
    finding = judge(studied(tmp_path, frames, stream(0, 22)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.measured["membership_interval_s"] == 30, "that of the lower address"
        assert finding.culprits == (mac(1), mac(9)) and "192.0.2.9 should have yielded" in told(finding)


@pytest.mark.parametrize(("again_s", "rival"), [(39.9, True), (40.1, False)])
def test_who_takes_over_after_the_membership_time_is_no_rival(tmp_path, again_s, rival):
    frames = asks(1, 10, interval=10) + asks(9, 5, again_s, interval=10) + joins(1, 0x0A)
    finding = judge(studied(tmp_path, frames, stream(0, 45)))
    assert ("Two queriers" in told(finding)) == rival


def test_a_querier_in_another_vlan_is_no_rival(tmp_path):
    other = [(t, f[:12] + b"\x81\x00\x00\x14" + f[12:]) for t, f in asks(9, 5, 15, interval=10)]
    finding = judge(studied(tmp_path, asks(1, 0, 10, 20, interval=10), other, stream(0, 22)))
    assert finding.outcome == PASS


def test_a_querier_without_address(tmp_path):
    """RFC 4541 section 2.1.1; beside a real one it is a switch that learns its ports anew."""
    nobody = asks(1, 0, 10, interval=10, source="0.0.0.0")
    finding = judge(studied(tmp_path, nobody, joins(1, 0x0A), stream(0, 12)))
    assert finding.outcome == CAUTION and "0.0.0.0" in finding.headline
    finding = judge(studied(tmp_path, nobody, asks(2, 1, 11, interval=10), joins(1, 0x0A), stream(0, 12)))
    assert finding.outcome == PASS


@pytest.mark.parametrize(
    ("querier", "reports", "outcome"),
    [
        (1, 1, CAUTION),
        (2, 2, PASS),
        (2, 3, CAUTION),
        (3, 2, PASS),  # RFC 3376 section 7.3: an old host among new ones is heard
        (3, 3, PASS),
    ],
)
def test_versions(tmp_path, querier, reports, outcome):
    frames = asks(1, 0, 20, version=querier, interval=20)
    frames += [f for at in (1, 15, 21) for f in joins(at, 0x0A, version=reports)]
    assert judge(studied(tmp_path, frames, stream(0, 25))).outcome == outcome


def test_version_1_is_told_with_its_first_query(tmp_path):
    finding = judge(studied(tmp_path, stream(0, 25), asks(1, 5, 20, version=1), joins(6, 0x0A, version=1)))
    assert "IGMP version 1" in finding.headline and finding.evidence[0].time_s == 5.0
    assert finding.measured["membership_interval_s"] == 260, "version 1 tells neither interval nor response"


# Ten seconds to answer the first query: what came by then may have been under way.
@pytest.mark.parametrize(
    ("reports", "outcome"), [((11, 15), CAUTION), ((11, 15, 18), CAUTION), ((9, 15), PASS)]
)
def test_one_late_answer_in_version_3_is_none(tmp_path, reports, outcome):
    frames = asks(1, 0, 20, version=2) + [f for at in reports for f in joins(at, 0x0A)]
    finding = judge(studied(tmp_path, frames, stream(0, 25)))
    assert finding.outcome == outcome and finding.culprits == ((mac(0x0A),) if outcome == CAUTION else ())
    assert [round(each.time_s, 1) for each in finding.evidence] == ([11.0] if outcome == CAUTION else [])


@pytest.mark.parametrize(
    ("vantage", "members", "end", "outcome"),
    [
        ("access port", (0x0A, 0x0B), 30, CAUTION),
        ("access port", (0x0A,), 30, PASS),  # others are not heard to answer here
        ("access port", (0x0A, 0x0B), 9, PASS),  # answers may still come
        ("mirror", (0x0A, 0x0B), 30, PASS),
        ("unknown", (0x0A, 0x0B), 30, PASS),
    ],
)
def test_a_stream_that_nobody_joined(tmp_path, vantage, members, end, outcome):
    frames = asks(1, 0, 20, interval=20) + joins(1, *members) + joins(21, *members)
    frames = [frame for frame in frames if frame[0] < end]
    facts = studied(tmp_path, frames, stream(0, end), stream(0, end, OTHER, 0x20))
    finding = judge(replace(facts, vantage=vantage))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.headline.startswith(f"The stream to {OTHER} port 5004 flows, but nobody joined")
        assert OTHER in told(finding) and STREAM not in told(finding)


@pytest.mark.parametrize(("frames", "outcome"), [(99, PASS), (100, CAUTION)])
def test_a_few_frames_are_no_stream_that_nobody_joined(tmp_path, frames, outcome):
    sent = asks(1, 0, interval=20), joins(1, 0x0A, 0x0B), stream(0, 20), stream(0, frames / 5, OTHER, 0x20, 5)
    facts = replace(studied(tmp_path, *sent), vantage="access port")
    assert judge(facts).outcome == outcome
    assert judge(replace(facts, source=replace(facts.source, dropped=1))).outcome == PASS


def test_the_computer_itself_asks(tmp_path):
    frames = [(t, d, True) for t, d in asks(1, 0, 2, interval=2)] + [
        (t + 2, d, False) for t, d in stream(0, 1)
    ]
    finding = judge(study(str(write_with_direction(tmp_path / "own.pcapng", frames))))
    assert finding.outcome == PASS and "this computer (192.0.2.1)" in finding.headline


def _home(sender: int, *signs):
    """A querier among two members and a stream, with what else it sends."""
    return [*answered(sender, 125, 400, version=2), *signs], stream(0, 400)


def _signs(sender: int):
    from tests.lab import frames as raw
    from tests.wire.routers import advertisement
    from tests.wire.samples import lldp, offer

    hardware, address = mac(sender), f"192.0.2.{sender}"
    as_sender = lambda frame: bytes(frame)[:6] + raw.mac_bytes(hardware) + bytes(frame)[12:]  # noqa: E731
    return {
        "gateway": raw.gateway_notify(hardware, address, 1),
        "router": as_sender(advertisement()),
        "LLDP": bytes(lldp(src=hardware, router_enabled=1)),
        "DHCP": bytes(offer(src=hardware)),
        "named": bytes(offer(src=mac(0x70), router=address)),
        "hands over": raw.udp(hardware, mac(0x0A), ("198.51.100.9", 7), ("192.0.2.10", 7), b"far", ttl=57),
    }


@pytest.mark.parametrize("sign", ["gateway", "router", "LLDP", "DHCP", "named", "hands over"])
def test_a_querier_that_is_a_router(tmp_path, sign):
    finding = judge(studied(tmp_path, *_home(1, (5.0, _signs(1)[sign]))))
    assert finding.outcome == CAUTION and finding.culprits == (mac(1),)
    assert "The querier is a router" in finding.headline and len(finding.evidence) >= 2
    assert finding.fixes[0].startswith("On a managed switch: first turn the IGMP querier on in one switch")


def test_a_switch_that_routes_is_a_switch(tmp_path):
    from tests.wire.samples import lldp

    both = bytes(lldp(src=mac(1), mac_bridge_enabled=1, router_enabled=1))
    assert judge(studied(tmp_path, *_home(1, (5.0, both)))).outcome == PASS


def test_a_packet_of_its_own_is_none_that_it_hands_over(tmp_path):
    from tests.lab import frames as raw

    own = raw.udp(mac(1), mac(0x0A), ("192.0.2.1", 7), ("192.0.2.10", 7), b"near", ttl=57)
    assert judge(studied(tmp_path, *_home(1, (5.0, own)))).outcome == PASS


@pytest.mark.parametrize(
    ("source", "outcome"), [("198.51.100.1", CAUTION), ("192.0.2.250", PASS), ("192.0.99.1", PASS)]
)
def test_a_querier_of_another_subnet(tmp_path, source, outcome):
    finding = judge(studied(tmp_path, answered(1, 125, 400, version=2, source=source), stream(0, 400)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert "of another subnet than the devices" in finding.headline and "192.0.0.0/16" in told(finding)


def test_of_a_group_with_several_senders_the_one_with_most_frames_is_shown(tmp_path):
    many, few = stream(0, 30, OTHER, 0x20), stream(0.01, 30, OTHER, 0x21, per_s=5)
    frames = asks(1, 0, 20, interval=20), joins(1, 0x0A, 0x0B), joins(21, 0x0A, 0x0B), stream(0, 30)
    finding = judge(replace(studied(tmp_path, *frames, many, few), vantage="access port"))
    assert f"{OTHER}: 750 frames from" in told(finding) and mac(0x20) in told(finding)
    assert mac(0x21) not in told(finding)


@pytest.mark.parametrize(("end", "outcome"), [(274.75, CAUTION), (275.0, FAIL)])
def test_five_seconds_of_silence_to_the_frame(tmp_path, end, outcome):
    """The last frame of the one comes at 269.75 s, that of the other a quarter of a second before its end."""
    one, other = stream(0, 270, per_s=4), stream(0, end, OTHER, 0x20, per_s=4)
    assert judge(studied(tmp_path, joins(10, 0x0A), one, other)).outcome == outcome


def test_the_figures_of_queriers_and_groups(tmp_path):
    frames = (
        answered(1, 10, 30, interval=10),
        asks(9, 5, interval=20),
        stream(0, 30),
        stream(0, 30, OTHER, 0x20),
    )
    finding = judge(studied(tmp_path, *frames))
    assert finding.measured["queriers"] == [
        {"address": "192.0.2.1", "version": 3, "interval_s": 10, "queries_read": 4},
        {"address": "192.0.2.9", "version": 3, "interval_s": 20, "queries_read": 1},
    ]
    assert finding.measured["groups"] == {
        STREAM: {"members": 2, "frames": 600, "runs_out_s": 61.1},
        OTHER: {"members": 0, "frames": 600, "runs_out_s": None},
    }


def test_eight_queriers_and_sixty_four_groups_are_measured(tmp_path):
    many = [asks(n, n / 10, interval=20) for n in range(1, 11)]
    groups = [f"233.252.{n // 250}.{n % 250 + 1}" for n in range(70)]
    finding = judge(
        studied(
            tmp_path,
            *many,
            [(2.0, report(0x30, *groups[:40])), (2.1, report(0x30, *groups[40:]))],
            stream(0, 20),
        )
    )
    assert len(finding.measured["queriers"]) == 8 and len(finding.measured["groups"]) == 64


def test_where_lossy_captures_and_discovery_leave_nobody_in_need(tmp_path):
    """The groups of SSDP and SLP are joined by whoever looks for devices."""
    for group in ("239.255.255.250", "239.255.255.253"):
        finding = judge(studied(tmp_path, joins(1, 0x0A, group=group), [(200.0, report(0x0A, group))]))
        assert finding.outcome == UNPROVEN and "nobody needs a querier" in finding.headline
    for group in ("239.255.255.249", "239.255.255.254", "239.255.255.251"):
        finding = judge(studied(tmp_path, joins(1, 0x0A, group=group), [(200.0, report(0x0A, group))]))
        assert finding.outcome == CAUTION


def test_how_long_nobody_asked(tmp_path):
    short = judge(studied(tmp_path, joins(1, 0x0A), stream(0, 60)))
    assert short.headline == "No querier was heard in 60 s; one may ask only every 125 s."
    long = judge(studied(tmp_path, joins(10, 0x0A), stream(0, 400)))
    assert long.outcome == PASS
    assert (
        long.headline
        == "No querier in 400 s, and every stream goes on for longer than 260 s: nothing here stops them."
    )
    at_a_mirror = judge(replace(studied(tmp_path, joins(10, 0x0A), stream(0, 400)), vantage="mirror"))
    assert at_a_mirror.outcome == CAUTION


@pytest.mark.parametrize(("joined_s", "outcome"), [(24.9, PASS), (25.1, CAUTION)])
def test_a_stream_outlives_its_membership_by_fifteen_seconds(tmp_path, joined_s, outcome):
    """It goes on to 300 s, after 260 s and 15 s."""
    finding = judge(studied(tmp_path, joins(joined_s, 0x0A), stream(0, 300.05)))
    assert finding.outcome == outcome


def test_one_that_nobody_joined_outlives_from_its_beginning(tmp_path):
    assert judge(studied(tmp_path, stream(0, 275.2))).outcome == PASS
    assert judge(studied(tmp_path, stream(0, 274.9))).outcome == CAUTION


def test_when_each_membership_runs_out_is_shown_for_six_groups(tmp_path):
    groups = [f"233.252.0.{n}" for n in range(1, 9)]
    frames = [(float(n), report(0x0A, group)) for n, group in enumerate(reversed(groups), 1)]
    finding = judge(studied(tmp_path, frames, stream(0, 140)))
    rows = [each for each in finding.evidence if "runs out at" in each.text]
    assert len(rows) == 6 and rows[0].text.startswith("233.252.0.8: 1 joined, last at 0:01; runs out at 4:21")
    assert rows[5].time_s == pytest.approx(6.0) and rows[5].text.startswith("233.252.0.3: ")


def test_a_version_2_querier_and_many_that_answer_in_version_3(tmp_path):
    frames = asks(1, 0, 20, version=2) + [f for at in (11, 15, 21) for f in joins(at, *range(0x0A, 0x10))]
    finding = judge(studied(tmp_path, frames, stream(0, 25)))
    assert finding.headline == "The querier speaks IGMP version 2, 6 devices answer in version 3."
    assert len(finding.evidence) == 4 and len(finding.culprits) == 6


def test_what_a_querier_in_order_is_called(tmp_path):
    told_version = judge(studied(tmp_path, answered(1, 125, 400, version=2), stream(0, 400)))
    assert told_version.headline.startswith("One querier asks in version 2: ICANN 53:01")
    says = judge(studied(tmp_path, answered(1, 10, 30, interval=10), stream(0, 30)))
    assert says.headline.startswith("One querier asks, every 10 s as it says: ICANN 53:01")


def test_a_router_is_shown_with_its_first_query(tmp_path):
    frames = [(5.0, _signs(1)["router"])]
    finding = judge(studied(tmp_path, *_home(1, *frames)))
    assert [(each.text, each.frame, each.time_s) for each in finding.evidence[:2]] == [
        ("first query", 1, 0.0),
        ("it offers itself as a router", finding.evidence[1].frame, 5.0),
    ]


def test_behind_a_switch_that_asks_a_router_is_found_all_the_same(tmp_path):
    from tests.wire.samples import lldp

    switch = (5.0, bytes(lldp(src=mac(1), mac_bridge_enabled=1)))
    frames = [
        *answered(1, 125, 400, version=2),
        switch,
        *asks(0x90, 6, version=2),
        (7.0, _signs(0x90)["router"]),
    ]
    finding = judge(studied(tmp_path, frames, stream(0, 400)))
    assert "The querier is a router" in told(finding) and mac(0x90) in finding.culprits


def away(start: float, back: float, end: float):
    """A stream that a switch holds back for a while; its sender goes on."""
    return [(t, f) for t, f in stream(0, end, per_s=5) if not start <= t < back]


@pytest.mark.parametrize(("stops", "told_so"), [(285.0, True), (285.4, False), (255.2, True), (254.8, False)])
def test_a_version_2_querier_may_ask_too_seldom_for_the_switches(tmp_path, stops, told_so):
    """It does not tell how often it asks, so they forget after the usual 260 s (RFC 2236 section 8.4), or 15
    s about that."""
    asked = asks(1, 0, 400, version=2), joins(10, 0x0A), joins(401, 0x0A)
    finding = judge(studied(tmp_path, *asked, away(stops, 401.2, 410), stream(0, 410, OTHER, 0x20, 5)))
    assert (finding.outcome == FAIL) == told_so
    if told_so:
        assert "260 s after the receivers joined, and came back" in finding.headline
        assert "asked too seldom" in finding.headline and "125 s" in finding.fixes[0]
        assert finding.culprits == (mac(1),) and "away from 4:" in told(finding)


@pytest.mark.parametrize(("back", "told_so"), [(274.6, False), (274.8, True)])
def test_five_seconds_away_are_a_stop(tmp_path, back, told_so):
    asked = asks(1, 0, 272, version=2), joins(10, 0x0A), joins(273, 0x0A)
    finding = judge(studied(tmp_path, *asked, away(270, back, 290), stream(0, 290, OTHER, 0x20, 5)))
    assert ("came back" in finding.headline) == told_so


@pytest.mark.parametrize(
    "between",
    [
        pytest.param(asks(1, 200, version=2), id="asked before it went"),
        pytest.param(joins(200, 0x0A), id="joined again before it went"),
    ],
)
def test_a_stream_that_was_away_though_wanted_was_held_up_by_something_else(tmp_path, between):
    asked = asks(1, 0, 400, version=2), joins(10, 0x0A), joins(401, 0x0A), between
    finding = judge(studied(tmp_path, *asked, away(270, 401.2, 410), stream(0, 410, OTHER, 0x20, 5)))
    assert "came back" not in told(finding)


def test_a_stream_that_comes_back_by_itself_was_not_forgotten(tmp_path):
    asked = asks(1, 0, 400, version=2), joins(10, 0x0A), joins(401, 0x0A)
    finding = judge(studied(tmp_path, *asked, away(270, 300, 410), stream(0, 410, OTHER, 0x20, 5)))
    assert "came back" not in told(finding)


def test_without_any_querier_a_stream_comes_back_to_who_joins_by_hand(tmp_path):
    frames = joins(10, 0x0A), joins(300, 0x0A), away(270, 300.2, 320), stream(0, 320, OTHER, 0x20, 5)
    assert (
        "came back when they joined anew: nobody asks for members"
        in judge(studied(tmp_path, *frames)).headline
    )


def by_ipv6(n: int) -> bytes:
    """A packet of a stream to an IPv6 group (RFC 8200, RFC 3550)."""
    data = raw.rtp_header(n, 2400 * n, 7) + n.to_bytes(4) * 50
    head = struct.pack(">IHBB", 6 << 28, 8 + len(data), 17, 16)
    places = bytes.fromhex("20010db8" + "00" * 11 + "07") + bytes.fromhex("ff05" + "00" * 13 + "07")
    udp = struct.pack(">HHHH", 5004, 5004, 8 + len(data), 0)
    return raw.ethernet("33:33:00:00:00:07", mac(7), 0x86DD, head + places + udp + data)


def test_groups_of_ipv6_are_told_of_and_not_judged(tmp_path):
    finding = judge(studied(tmp_path, every(0.05, by_ipv6, 0, 200)))
    assert finding.outcome == UNPROVEN and "IPv6" in finding.headline and "MLD" in finding.fixes[0]
    beside = judge(studied(tmp_path, every(0.05, by_ipv6, 0, 200), joins(10, 0x0A), stream(0, 200)))
    assert "No querier in 200 s" in beside.headline  # of IPv4 there is something to say
