"""Beats: missing ones told from a sender's short pause, from a pause of the capture, and from what is no beat."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.tally.captures import Timed, arp, ethernet, every, mac, rtp, studied, told, udp

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
        assert "of 1 steady flow missing" in finding.headline
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
    assert finding.headline == "Frames of 1 steady flow come late, in bunches."
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


@pytest.mark.parametrize(("paused", "words"), [(1, "of 2 steady flows missing"), (2, "Most beats missed")])
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
