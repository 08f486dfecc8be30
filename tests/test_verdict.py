"""Causes before symptoms, the order of fixing, the verdict and the exit status."""

import pytest

from preflight.checks import all_checks, judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.verdict import decide
from tests.tally.captures import arp, broadcast, every, rtp, studied, udp

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN


def found(check, outcome, spans=(), culprits=()):
    return Finding(check, outcome, f"{check} says {outcome}", spans=spans, culprits=culprits)


def order(verdict):
    return [r.finding.check for r in verdict.findings if r.fix_first is not None]


def explained(verdict):
    return {r.finding.check: r.explained_by for r in verdict.findings if r.explained_by}


@pytest.mark.parametrize(
    ("outcomes", "word", "status", "strict"),
    [
        ([PASS, PASS], "ready", 0, 0),
        ([PASS, UNPROVEN], "ready", 0, 0),
        ([PASS, CAUTION], "ready with cautions", 0, 1),
        ([CAUTION, FAIL, UNPROVEN], "not ready", 1, 1),
        ([UNPROVEN, UNPROVEN], "unproven", 3, 1),
        ([], "unproven", 3, 1),
    ],
)
def test_verdict_and_exit_status(outcomes, word, status, strict):
    verdict = decide(found(f"check-{n}", outcome) for n, outcome in enumerate(outcomes))
    assert verdict.verdict == word
    assert (verdict.exit_status(), verdict.exit_status(strict=True)) == (status, strict)


@pytest.mark.parametrize("quality", [PASS, CAUTION])
def test_a_capture_that_only_tells_of_itself_proves_nothing(quality):
    assert decide([found("capture-quality", quality), found("loop", UNPROVEN)]).verdict == "unproven"


def test_a_loop_explains_the_storms_and_the_load_of_its_time():
    verdict = decide(
        [
            found("link-load", FAIL, spans=((1.0, 2.0),)),
            found("broadcast-storm", FAIL, spans=((0.5, 3.0),)),
            found("multicast-storm", CAUTION, spans=((1.9, 2.0),)),
            found("loop", FAIL, spans=((1.5, 1.95),)),
        ]
    )
    assert order(verdict) == ["loop"]
    assert set(explained(verdict)) == {"broadcast-storm", "multicast-storm", "link-load"}
    assert set(explained(verdict).values()) == {("loop",)}


@pytest.mark.parametrize("storm", [((8.0, 9.0),), ((1.0, 2.0), (8.0, 9.0)), ()])
def test_a_storm_at_another_time_is_a_fault_of_its_own(storm):
    verdict = decide([found("broadcast-storm", FAIL, spans=storm), found("loop", FAIL, spans=((1.0, 2.0),))])
    assert order(verdict) == ["loop", "broadcast-storm"]
    assert not explained(verdict)


def test_a_long_storm_is_not_explained_by_a_short_loop_in_it():
    """Two faults at once: a device that chatters all the time, and a cable that touched for half a second."""
    verdict = decide(
        [
            found("broadcast-storm", FAIL, spans=((0.0, 30.0),)),
            found("link-load", CAUTION, spans=((9.1, 11.0),)),
            found("loop", FAIL, spans=((10.0, 10.5),)),
        ]
    )
    assert order(verdict) == ["loop", "broadcast-storm"]
    assert explained(verdict) == {"link-load": ("broadcast-storm", "loop")}


@pytest.mark.parametrize(("end", "explained_by"), [(10.0, ("loop",)), (10.1, ())])
def test_three_quarters_of_a_stretch_have_to_be_covered(end, explained_by):
    """The loop of 3 to 7 s, a second beside it counted, covers 6 s of the storm."""
    verdict = decide(
        [found("broadcast-storm", FAIL, spans=((2.0, end),)), found("loop", FAIL, spans=((3.0, 7.0),))]
    )
    assert explained(verdict).get("broadcast-storm", ()) == explained_by


def test_loops_that_overlap_are_not_counted_twice():
    loop = found("loop", FAIL, spans=((1.0, 2.0), (1.0, 2.0), (1.5, 2.0)))
    verdict = decide([found("broadcast-storm", FAIL, spans=((0.0, 9.0),)), loop])
    assert order(verdict) == ["loop", "broadcast-storm"]


def test_a_caution_does_not_explain_a_failure_away():
    verdict = decide(
        [found("loop", CAUTION, spans=((0, 9),)), found("broadcast-storm", FAIL, spans=((0, 9),))]
    )
    assert order(verdict) == ["broadcast-storm", "loop"]


def test_a_bridge_that_passed_explains_nothing():
    verdict = decide(
        [found("wifi-bridge", PASS, culprits=("a",)), found("stray-dhcp", FAIL, culprits=("a",))]
    )
    assert order(verdict) == ["stray-dhcp"]


@pytest.mark.parametrize(
    ("server", "fixes"),
    [("00:00:5e:00:53:07", ["wifi-bridge"]), ("00:00:5e:00:53:08", ["wifi-bridge", "stray-dhcp"])],
)
def test_an_access_point_explains_only_the_dhcp_server_that_it_is(server, fixes):
    verdict = decide(
        [
            found("stray-dhcp", FAIL, culprits=(server,)),
            found("wifi-bridge", FAIL, culprits=("00:00:5e:00:53:07",)),
        ]
    )
    assert order(verdict) == fixes


def test_order_is_physical_first_fails_before_cautions_then_explained_unproven_and_passed():
    verdict = decide(
        [
            found("mtu", PASS),
            found("a-new-check", FAIL),
            found("stray-dhcp", FAIL),
            found("link-up", CAUTION),
            found("broadcast-storm", FAIL, spans=((1, 2),)),
            found("wifi-bridge", UNPROVEN),
            found("loop", FAIL, spans=((1, 2),)),
            found("link-speed", FAIL),
        ]
    )
    assert [(r.finding.check, r.fix_first) for r in verdict.findings] == [
        ("link-speed", 1),
        ("loop", 2),
        ("stray-dhcp", 3),
        ("a-new-check", 4),
        ("link-up", 5),
        ("broadcast-storm", None),
        ("wifi-bridge", None),
        ("mtu", None),
    ]


def test_everything_late_in_a_storm_follows_from_the_loop_behind_it():
    verdict = decide(
        [
            found("stream-health", FAIL, spans=((2.0, 3.0),)),
            found("beat-health", CAUTION, spans=((2.1, 2.2), (2.6, 2.7))),
            found("clock", FAIL, spans=((1.8, 3.2),)),
            found("link-load", FAIL, spans=((2.0, 3.0),)),
            found("broadcast-storm", FAIL, spans=((1.9, 3.1),)),
            found("loop", FAIL, spans=((2.0, 3.0),)),
        ]
    )
    assert order(verdict) == ["loop"]
    assert set(explained(verdict).values()) == {("loop",)}


def test_a_stream_that_also_fails_at_another_time_has_a_fault_of_its_own():
    """Two independent faults: a second cable touched at 2 s, and a stream lost packets at 20 s too."""
    verdict = decide(
        [
            found("stream-health", FAIL, spans=((2.0, 2.5), (20.0, 20.1))),
            found("loop", FAIL, spans=((2.0, 2.6),)),
        ]
    )
    assert order(verdict) == ["loop", "stream-health"]


def test_a_wireless_router_brings_its_servers_and_the_house_along():
    router, other = "00:00:5e:00:53:07", "00:00:5e:00:53:08"
    verdict = decide(
        [
            found("stray-dhcp", FAIL, culprits=(router,)),
            found("stray-router", FAIL, culprits=(router,)),
            found("house-network", FAIL, culprits=(router, other)),
            found("wifi-bridge", FAIL, culprits=(router,)),
        ]
    )
    assert order(verdict) == ["wifi-bridge"]
    assert set(explained(verdict).values()) == {("wifi-bridge",)}


def test_no_finding_explains_what_explains_it():
    """Whatever meets, something is left to mend."""
    pairs = [(check, known) for check, _ in all_checks() for known in check.explains]
    names = {check.name for check, _ in pairs} | {each for _, known in pairs for each in known.symptoms}
    all_at_once = [found(name, FAIL, spans=((0.0, 9.0),), culprits=("a",)) for name in sorted(names)]
    assert order(decide(all_at_once)) == [
        "link-up",
        "duplex",
        "loop",
        "wifi-bridge",
        "missing",
        "addressing",
        "pause-frames",
        "shared-group",
    ]


# -- whole captures ----------------------------------------------------------------------------------------


def rig(end):
    return [
        *every(0.005, lambda n: rtp(20, "233.252.0.20", n, bytes(48)), 0, end),
        *every(0.05, broadcast(21, 5), 0, end),
    ]


def circling(start, end):
    """Three requests and an advertisement that go round."""
    frames = [*(arp(n, 9) for n in (1, 2, 3)), udp(4, "239.255.255.250", 1900, b"NOTIFY")]
    return [f for n, data in enumerate(frames) for f in every(50e-6, data, start + n * 1e-6, end)]


@pytest.mark.parametrize("seconds", [0.015, 0.2])
def test_a_loop_is_all_there_is_to_mend_in_a_capture_of_a_loop(tmp_path, seconds):
    verdict = decide(judge_all(studied(tmp_path, rig(4), circling(2, 2 + seconds))))
    assert order(verdict) == ["loop"]
    assert explained(verdict) == {"broadcast-storm": ("loop",), "multicast-storm": ("loop",)}


def test_a_device_that_chatters_all_the_time_stays_to_be_mended_beside_a_loop(tmp_path):
    chatter = every(1 / 300, lambda n: broadcast(30, n), 0, 8)
    verdict = decide(judge_all(studied(tmp_path, rig(8), chatter, circling(4, 4.1))))
    assert order(verdict) == ["loop", "broadcast-storm"]
    assert explained(verdict) == {"multicast-storm": ("loop",)}


def test_a_stream_that_loses_packets_in_a_loop_and_another_time(tmp_path):
    """The packets that a loop costs are the loop's; those of a second later are a fault of its own."""

    def stream(*lost):
        return [
            (n / 1000, rtp(5, "233.252.0.9", n)) for n in range(8000) if not any(n in gap for gap in lost)
        ]

    both = decide(judge_all(studied(tmp_path, rig(8), stream(range(4000, 4050)), circling(4, 4.1))))
    assert order(both) == ["loop"]
    assert explained(both)["stream-health"] == ("loop",)
    apart = decide(
        judge_all(studied(tmp_path, rig(8), stream(range(4000, 4050), range(7000, 7020)), circling(4, 4.1)))
    )
    assert order(apart) == ["loop", "stream-health"]
