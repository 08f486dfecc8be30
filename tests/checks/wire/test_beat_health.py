"""Beats: missing ones told from a sender's short pause, from a pause of the capture, and from what is no
beat."""

import re
from dataclasses import replace
from random import Random

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.tally.facts import Flow, MissingBeats, PeriodicFlow
from preflight.tally.tally import Tally
from tests.checks.asked import asked
from tests.checks.flows import FLOW
from tests.tally.captures import Timed, arp, ethernet, every, mac, rtp, studied, told, udp
from tests.wire.groups import leave, report

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN


judge = asked("beat-health")


def beat(
    sender: int = 5, period_s: float = 0.01, end: float = 4.0, start: float = 0.0, gone: object = ()
) -> list[Timed]:
    to = f"01:00:5e:90:10:{sender:02x}"
    frames = every(period_s, lambda n: ethernet(to, mac(sender), 0x88B5, n.to_bytes(4, "big")), start, end)
    return [frame for n, frame in enumerate(frames) if n not in set(gone)]  # type: ignore[call-overload]


BESIDE = beat(6, 0.004, start=0.0011)


def test_a_steady_beat(tmp_path):
    finding = judge(studied(tmp_path, beat(), BESIDE))
    assert (finding.outcome, finding.headline) == (PASS, "2 steady flows keep their beat.")
    assert f"to 01:00:5e:90:10:05 from ICANN 53:05 ({mac(5)}): every 10 ms" in told(finding)


@pytest.mark.parametrize(
    ("period_s", "gone", "outcome"),
    [
        (0.01, (100, 101, 102, 250), FAIL),  # one in a hundred, in two places
        (0.01, range(100, 130), FAIL),
        (0.01, (100, 101, 102), CAUTION),
        (0.01, (100,), CAUTION),
        (0.001, (100, 101, 102), PASS),  # one pause of 4 ms, as a program makes it when it starts
        (0.001, range(1000, 1010), CAUTION),
        (0.001, range(1000, 1100), FAIL),
        (0.001, range(300, 4000, 90), FAIL),
        (0.00025, range(300, 16000, 90), FAIL),
    ],
)
def test_missing_beats(tmp_path, period_s, gone, outcome):
    finding = judge(studied(tmp_path, beat(period_s=period_s, gone=gone), BESIDE, beat(7, 0.0002, end=4)))
    assert finding.outcome == outcome
    if outcome != PASS:
        assert re.search(rf"of .* 0x88b5 from .*\({mac(5)}\) missing", finding.headline)
        assert mac(5) in told(finding) and mac(6) not in told(finding)
        assert finding.spans and finding.fixes and finding.cautions and not finding.culprits


def test_several_frames_a_beat(tmp_path):
    frames = [(n / 250 + k * 1e-5, ethernet("01:00:5e:90:10:05", mac(5), 0x88B5, bytes([k, n >> 8, n & 255])))
              for n in range(1000) for k in range(4) if not 300 <= n < 330]  # fmt: skip
    finding = judge(studied(tmp_path, frames, beat(6, 0.002)))
    assert finding.outcome == FAIL
    assert "120 of 3 996 frames missing in one place, up to 120 at once (4 frames every 4 ms)" in told(
        finding
    )


def test_when_most_miss_at_once_nobody_is_named(tmp_path):
    hole = [[(t, d) for t, d in frames if not 2 <= t < 2.3] for frames in (beat(), BESIDE, beat(7, 0.02))]
    finding = judge(studied(tmp_path, *hole))
    assert finding.outcome == CAUTION
    assert finding.headline.startswith("Most beats missed at the same time, for up to 3")
    assert mac(5) not in told(finding) and mac(6) not in told(finding) and not finding.culprits
    assert finding.spans


def test_streams_are_witnesses_too(tmp_path):
    stream = [(n / 1000, rtp(6, "233.252.0.9", n)) for n in range(4000) if not 2000 <= n < 2300]
    gone = [(t, d) for t, d in beat() if not 2 <= t < 2.3]
    assert judge(studied(tmp_path, gone, stream)).outcome == CAUTION
    whole = [(n / 1000, rtp(6, "233.252.0.9", n)) for n in range(4000)]
    assert judge(studied(tmp_path, gone, whole)).outcome == FAIL


def test_without_a_witness_the_capture_may_have_paused(tmp_path):
    facts = studied(tmp_path, beat(gone=range(100, 130)))
    assert judge(facts).outcome == CAUTION
    assert "nothing else here beats" in judge(facts).headline
    assert judge(replace(facts, source=replace(facts.source, dropped=0))).outcome == FAIL
    assert judge(replace(facts, source=replace(facts.source, dropped=9))).outcome == UNPROVEN


def test_late_beats_that_come_together(tmp_path):
    times = [n / 1000 for n in range(4000)]
    for start in range(500, 3900, 25):
        for late in range(8):
            times[start + late] = (start + 8) / 1000 + 1e-5 * (late - 8)
    frames = [(t, ethernet("01:00:5e:90:10:05", mac(5), 0x88B5, n.to_bytes(4))) for n, t in enumerate(times)]
    finding = judge(studied(tmp_path, frames, BESIDE))
    assert finding.outcome == CAUTION
    assert (
        finding.headline
        == f"Frames of local experimental EtherType 0x88b5 from ICANN 53:05 ({mac(5)}) come late, in bunches."
    )
    assert finding.measured["missing_frames"] == 0


def test_a_beat_that_stops(tmp_path):
    finding = judge(studied(tmp_path, beat(end=2.5), beat(6, end=6)))
    assert finding.outcome == CAUTION
    assert "stopped at 2.5 s and has not come back" in told(finding)


def test_a_spare_engine_takes_over(tmp_path):
    def engine(sender: int, start: float, end: float) -> list[Timed]:
        frame = lambda n: ethernet("01:00:5e:90:10:01", mac(sender), 0x88B5, n.to_bytes(4))  # noqa: E731
        return every(0.01, frame, start, end)

    assert judge(studied(tmp_path, engine(5, 0, 2.5), engine(6, 2.6, 6), beat(7, end=6))).outcome == PASS


def test_a_stop_and_a_trial(tmp_path):
    again = beat(end=2.5) + [(t + 5, d) for t, d in beat(end=2.5)]
    finding = judge(studied(tmp_path, again, beat(6, end=7.5)))
    assert finding.outcome == CAUTION
    assert "stopped for 2.5 s, then went on" in told(finding)
    assert judge(studied(tmp_path, beat(start=1, end=3.2), beat(6, end=6))).outcome == PASS


def test_what_is_no_beat_of_the_rig(tmp_path):
    """Streams, discovery, addressing, and programs that talk to one another for a while."""
    stream = [(n / 1000, rtp(6, "233.252.0.9", n)) for n in range(2000) if n != 1000]
    mdns = every(0.1, lambda n: udp(5, "224.0.0.251", 5353, bytes([n, *range(12)])), 0, 4)
    asks = every(0.1, arp(5, 9), 0, 4)
    polls = every(0.1, lambda n: udp(5, "192.0.2.9", 6000, bytes([n]), to_mac=mac(9)), 0, 4)
    finding = judge(studied(tmp_path, stream, mdns, asks, polls))
    assert (finding.outcome, finding.headline) == (
        UNPROVEN,
        "No steady beat was heard beside streams and clocks.",
    )
    assert judge(Facts()) is None


@pytest.mark.parametrize(
    ("paused", "words"), [(1, "of 2 of 5 steady flows (worst: local"), (2, "Most beats missed")]
)
def test_half_of_the_others_clear_a_sender(tmp_path, paused, words):
    """Of four others one or two miss with it."""
    others = [beat(sender, 0.004, start=sender / 1e4) for sender in (6, 7, 8, 9)]
    hole = [[(t, d) for t, d in frames if not 2 <= t < 2.3] for frames in (beat(), *others[:paused])]
    finding = judge(studied(tmp_path, *hole, *others[paused:]))
    assert words in finding.headline
    assert finding.outcome == (FAIL if paused == 1 else CAUTION)


@pytest.mark.parametrize(
    ("gone", "outcome"),
    [
        (range(1000, 1005), PASS),
        (range(1000, 1006), CAUTION),
        ((900, 1900), PASS),
        ((900, 1900, 2900), CAUTION),
    ],
)
def test_a_short_pause_once_or_twice_is_natural(tmp_path, gone, outcome):
    facts = studied(tmp_path, beat(period_s=0.001, gone=gone), BESIDE, beat(7, 0.0002))
    assert judge(facts).outcome == outcome


@pytest.mark.parametrize(
    ("period_s", "held_ms", "outcome"),
    [(0.001, 48, PASS), (0.001, 52, CAUTION), (0.01, 180, PASS), (0.01, 220, CAUTION)],
)
def test_the_longest_wait(tmp_path, period_s, held_ms, outcome):
    """Twenty periods, and 50 ms at the least."""
    until = 2 - period_s + held_ms / 1000
    held = [(max(t, until + t / 1e6) if t >= 2 - period_s / 2 else t, d) for t, d in beat(period_s=period_s)]
    assert judge(studied(tmp_path, held, BESIDE)).outcome == outcome


@pytest.mark.parametrize(("gone_s", "outcome"), [(1.9, PASS), (2.1, CAUTION)])
def test_two_seconds_of_silence_at_the_end_are_a_stop(tmp_path, gone_s, outcome):
    assert judge(studied(tmp_path, beat(end=6 - gone_s), beat(6, end=6))).outcome == outcome


# What the tally tells, by hand: a beat of a millisecond to a group for 20 s, and one of 4 ms beside it.
TO = replace(FLOW, destination="01:00:5e:90:10:05", cast="multicast", frames=20_000, last_s=20.0)
STEADY = PeriodicFlow(0, 0.001, 1, 20_000, 0, 0, 0.001, 0.0, 7, 0, 0.0, ())
WITNESS = replace(TO, source=mac(6), destination="01:00:5e:90:10:06", frames=5000)
SLOWER = replace(STEADY, flow=1, period_s=0.004, beats=5000, longest_wait_s=0.004)


def facts(*pairs: tuple[PeriodicFlow, Flow], gap_s: float = 0.001, **source) -> Facts:
    """The first of `pairs` is judged; where there is one, the witness stands beside it."""
    several = pairs if len(pairs) > 1 else (*pairs, (SLOWER, WITNESS))
    tally = Tally().facts()
    tally = replace(
        tally,
        rates=replace(tally.rates, longest_gap_s=gap_s),
        flows=tuple(flow for _, flow in several),
        periodic=tuple(replace(beat, flow=at) for at, (beat, _) in enumerate(several)),
    )
    told = {"frames": 25_000, "duration_s": 20.0, "dropped": 0, **source}
    return Facts(source=SourceFacts("capture", "made.pcap", **told), tally=tally)


def missing(*frames: int, apart_s: float = 2.0, **more) -> PeriodicFlow:
    """So many at a time, in places far apart."""
    events = tuple(MissingBeats(count, 1 + apart_s * n, 100 + n) for n, count in enumerate(frames))
    return replace(STEADY, **{"missing": sum(frames), "events": events, **more})


@pytest.mark.parametrize(
    ("beat", "outcome"),
    [
        (missing(5, 5), PASS),  # 5 ms each, and twice
        (missing(5, 6), CAUTION),
        (missing(2, 2, 2), CAUTION),
        (missing(9, beats=900), CAUTION),  # one in a hundred, but nine, in one place
        (missing(5, 4, beats=900), FAIL),
        (missing(5, 4, beats=901), PASS),
        (missing(10, beats=1000), FAIL),
        (missing(10, beats=1001), CAUTION),
        (missing(18, beats=900, per_beat=2), CAUTION),
        (missing(20, beats=1000, per_beat=2), FAIL),
        (missing(*[30] * 8, missing=240, beats=24_001), CAUTION),
        (missing(*[30] * 8, missing=241, beats=24_001), FAIL),  # more places than are kept
        (missing(*[30] * 7, missing=241, beats=24_001), CAUTION),
        (replace(STEADY, beats=1000, late=99), PASS),
        (replace(STEADY, beats=1000, late=100), CAUTION),
        (replace(STEADY, beats=1000, per_beat=2, late=199), PASS),
        (replace(STEADY, beats=1000, per_beat=2, late=200), CAUTION),
        (replace(STEADY, longest_wait_s=0.04999), PASS),
        (replace(STEADY, longest_wait_s=0.05), CAUTION),
        (replace(STEADY, period_s=0.01, longest_wait_s=0.199), PASS),
        (replace(STEADY, period_s=0.01, longest_wait_s=0.2), CAUTION),
    ],
)
def test_each_limit_from_both_sides(beat, outcome):
    finding = judge(facts((beat, TO)))
    assert finding.outcome == outcome, finding.headline


def test_programs_that_talk_to_one_another_never_fail():
    beat = missing(30, 30, beats=1000)
    for cast, outcome in (("unicast", CAUTION), ("multicast", FAIL), ("broadcast", FAIL)):
        assert judge(facts((beat, replace(TO, cast=cast)))).outcome == outcome


def test_damaged_records_and_what_the_capture_dropped_prove_no_loss():
    beat = missing(30, 30, beats=1000)
    damaged, dropped = judge(facts((beat, TO), malformed=1)), judge(facts((beat, TO), dropped=2))
    assert damaged.outcome == CAUTION and "records of the capture are damaged" in damaged.headline
    assert dropped.outcome == UNPROVEN
    assert dropped.headline.startswith("60 frames of local experimental EtherType 0x88b5 from ICANN 53:05")
    assert dropped.headline.endswith(" missing, but the capture itself dropped 2 frames.")


@pytest.mark.parametrize(
    ("beat", "words"),
    [
        (missing(6), "6 of 20 000 frames missing in one place, up to 6 at once (every 1 ms)"),
        (missing(1, 1, 1), "3 of 20 000 frames missing in 3 places (every 1 ms)"),
        (missing(*[9] * 8), "72 of 20 000 frames missing in many places, up to 9 at once (every 1 ms)"),
        (missing(60, period_s=0.00025), "(every 250 us)"),
        (missing(7, period_s=1.0, beats=900), "(every 1.00 s)"),
        (missing(7, period_s=0.999, beats=900), "(every 999 ms)"),
        (
            missing(60, per_beat=3),
            "60 of 60 000 frames missing in one place, up to 60 at once (3 frames every 1 ms)",
        ),
    ],
)
def test_where_and_how_many_are_missing(beat, words):
    finding = judge(facts((beat, TO)))
    assert finding.evidence[0].text.endswith(words), finding.evidence[0].text


def test_the_longest_of_the_places_is_shown_and_all_have_their_time():
    finding = judge(facts((missing(6, 9, 7), TO)))
    assert (finding.evidence[0].frame, finding.evidence[0].time_s) == (101, 3.0)
    assert finding.spans == (
        (1.0, pytest.approx(1.007)),
        (3.0, pytest.approx(3.01)),
        (5.0, pytest.approx(5.008)),
    )
    assert finding.measured == {
        "beats_followed": 2, "missing_frames": 22, "late_frames": 0, "longest_wait_ms": 4.0,
    }  # fmt: skip


def test_the_greatest_share_comes_first_and_five_are_shown():
    def box(number: int) -> tuple[PeriodicFlow, Flow]:
        """Each at a time of its own."""
        event = MissingBeats(30 + number, float(number), number)
        beat = replace(STEADY, beats=10_000, missing=30 + number, events=(event,))
        return beat, replace(TO, source=mac(number), destination=f"01:00:5e:90:10:{number:02x}")

    finding = judge(facts(*map(box, range(10, 17)), (SLOWER, WITNESS)))
    assert finding.headline.startswith(
        "301 frames of 7 of 8 steady flows (worst: local experimental EtherType 0x88b5 from ICANN 53:10"
    )
    assert len(finding.evidence) == 5 and "46 of 10 000" in finding.evidence[0].text
    assert "42 of 10 000" in finding.evidence[4].text


@pytest.mark.parametrize(
    ("witness", "told_by"),
    [
        ({}, True),
        ({"period_s": 0.0154}, True),  # twice its period is no longer than the 31 ms
        ({"period_s": 0.0156}, False),
        ({"first_s": 1.0}, True),
        ({"first_s": 1.01}, False),  # it was not there yet
        ({"last_s": 1.031}, True),
        ({"last_s": 1.03}, False),
        ({"source": mac(4)}, True),
        ({"source": mac(5)}, False),  # the same sender
    ],
)
def test_who_can_tell_that_only_the_capture_paused(witness, told_by):
    """Thirty beats of a millisecond are missing from 1.0 s on, of a system that counts no drops."""
    flow = replace(WITNESS, **{key: value for key, value in witness.items() if key != "period_s"})
    beside = replace(SLOWER, period_s=witness.get("period_s", 0.004)), flow
    finding = judge(facts((missing(30, beats=1000), TO), beside, dropped=None))
    assert finding.outcome == (FAIL if told_by else CAUTION)
    assert ("nothing else here beats quickly enough" in finding.headline) is not told_by


@pytest.mark.parametrize(
    ("wait", "together"),
    [
        ({"longest_wait_at_s": 1.0, "longest_wait_s": 0.03}, True),
        ({"longest_wait_at_s": 1.0, "longest_wait_s": 0.016}, True),  # half of the 31 ms
        ({"longest_wait_at_s": 1.0, "longest_wait_s": 0.015}, False),
        ({"longest_wait_at_s": 1.02, "longest_wait_s": 0.03}, False),
        ({"longest_wait_at_s": 0.98, "longest_wait_s": 0.04}, True),
        ({"events": (MissingBeats(5, 1.0, 9),)}, True),  # 24 ms
        ({"events": (MissingBeats(2, 1.0, 9),)}, False),  # 12 ms
    ],
)
def test_whether_the_other_paused_then_too(wait, together):
    beside = replace(SLOWER, **wait), WITNESS
    finding = judge(facts((missing(30, beats=1000), TO), beside))
    assert ("Most beats missed at the same time, for up to 31 ms" in told(finding)) is together


def test_a_wait_alone_is_held_against_the_others_too():
    """Where nothing is missing, and it is longer than two periods."""
    wait = {"longest_wait_at_s": 1.0, "longest_wait_s": 0.06}
    alone = judge(facts((replace(STEADY, longest_wait_frame=44, **wait), TO)))
    assert alone.headline.startswith("Frames of local experimental EtherType 0x88b5 from ICANN 53:05")
    assert alone.headline.endswith(" come late, in bunches.")
    assert alone.evidence[0].text.endswith("0 frames late; the longest wait was 60 ms, the beat is 1 ms")
    assert (alone.evidence[0].frame, alone.evidence[0].time_s) == (44, 1.0)
    assert alone.spans == ((1.0, pytest.approx(1.06)),)
    both = judge(facts((replace(STEADY, **wait), TO), (replace(SLOWER, **wait), WITNESS)))
    assert both.headline.startswith("Most beats missed at the same time, for up to 60 ms")
    assert both.spans == ((1.0, pytest.approx(1.06)),)


STOPPED = replace(TO, last_s=15.0)


@pytest.mark.parametrize(
    ("beat", "flow", "stopped"),
    [
        ({}, {}, True),
        ({"beats": 199}, {}, False),
        ({"beats": 200, "period_s": 0.005}, {}, True),
        ({"beats": 200, "period_s": 0.0049}, {}, False),  # it ran for less than a second
        ({}, {"cast": "unicast"}, False),
        ({}, {"cast": "broadcast"}, True),
        ({}, {"first_s": 0.5, "last_s": 9.0}, True),
        ({}, {"first_s": 0.51, "last_s": 10.5}, False),  # a trial
        ({}, {"first_s": 0.51, "last_s": 10.51}, True),
        ({}, {"last_s": 18.0}, True),
        ({}, {"last_s": 18.01}, False),
        ({"period_s": 0.2}, {"last_s": 16.0}, True),  # twenty periods
        ({"period_s": 0.2}, {"last_s": 16.01}, False),
    ],
)
def test_what_has_stopped(beat, flow, stopped):
    flow = replace(STOPPED, **flow)
    finding = judge(facts((replace(STEADY, **{"beats": 20_000, **beat}), flow), dropped=0))
    assert (" stopped while others went on." in told(finding)) is stopped
    if stopped:
        assert finding.spans == ((flow.last_s, 20.0),)
        assert finding.evidence[0].text.endswith(f"stopped at {flow.last_s:.1f} s and has not come back")


@pytest.mark.parametrize(("stops", "stop_s", "told_so"), [(1, 2.21, True), (1, 2.19, False), (2, 3.0, True), (3, 3.0, False)])  # fmt: skip
def test_what_stopped_for_a_while_longer_than_all_were_silent(stops, stop_s, told_so):
    beat = replace(STEADY, stops=stops, longest_stop_s=stop_s)
    finding = judge(facts((beat, TO), gap_s=2.0))
    assert (f"stopped for {stop_s:.1f} s, then went on" in told(finding)) is told_so


@pytest.mark.parametrize(
    ("change", "taken"),
    [
        ({}, True),
        ({"source": mac(4)}, True),
        ({"source": mac(5)}, False),
        ({"last_s": 15.51}, True),
        ({"last_s": 15.5}, False),
        ({"destination_port": 9}, False),
        ({"ethertype": 0x88B6}, False),
        ({"destination": "01:00:5e:90:10:07"}, False),
    ],
)
def test_another_that_goes_on_with_the_same(change, taken):
    other = replace(TO, **{"source": mac(7), **change})
    finding = judge(facts((STEADY, STOPPED), (SLOWER, WITNESS), (replace(STEADY, stops=9), other)))
    assert ("stopped while others went on" not in told(finding)) is taken


def test_how_a_beat_is_named():
    over = replace(
        TO,
        ethertype=0x0800,
        protocol=17,
        destination_ip="233.252.0.1",
        destination_port=6000,
        source_ip="192.0.2.5",
    )
    assert judge(facts((STEADY, over))).evidence[0].text.startswith("UDP port 6000 to 233.252.0.1 from ")
    assert "0x88b5 to 01:00:5e:90:10:05 from " in judge(facts((STEADY, TO))).evidence[0].text
    alone = facts((STEADY, TO), (replace(SLOWER, period_s=9.0), WITNESS))
    assert judge(alone).headline == "1 steady flow keeps its beat."


def test_who_misses_tells_where_to_look(tmp_path):
    gone = range(30, 400, 40)
    one = judge(studied(tmp_path, beat(gone=gone), BESIDE))
    assert one.fixes[0].startswith("Only ICANN 53:05 misses beats: swap its cable")
    spared = [(at, data[:5] + b"\x55" + data[6:]) for at, data in beat()]  # another flow of the same sender
    assert judge(studied(tmp_path, beat(gone=gone), spared, BESIDE)).fixes[0].startswith("Find out whether")


@pytest.mark.parametrize(("until_s", "left_s", "joined_s", "outcome"), [(8.0, 3.0, 5.99, PASS), (8.0, None, 5.99, CAUTION), (3.0, 2.9, None, PASS), (3.0, None, None, CAUTION)])  # fmt: skip
def test_a_flow_that_nobody_wants_meanwhile_has_not_stopped(tmp_path, until_s, left_s, joined_s, outcome):
    """It is away from 3 s to 6 s, or from 3 s on."""
    random = Random(1)
    group = "233.252.0.5"
    frames = every(0.01, lambda _: udp(5, group, 6000, random.randbytes(200)), 0.0, until_s)
    flow = [(at, data) for at, data in frames if not 3.0 < at < 6.0]
    said = [(left_s, leave(9, group))] if left_s else []
    said += [(joined_s, report(9, group))] if joined_s else []
    assert judge(studied(tmp_path, flow, beat(6, 0.004, end=9.0), said)).outcome == outcome
