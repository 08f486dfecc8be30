"""Streams: what the network lost, what the capture lost, what only looks like a loss."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN
from preflight.checks.wire import stream_health
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.tally.captures import Timed, broadcast, every, mac, mirrored, rtp, sap, sdp, studied, told

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
ONE, TWO = "233.252.0.9", "233.252.0.10"


judge = asked("stream-health")


def stream(
    sender: int = 5, group: str = ONE, count: int = 4000, start: float = 0.0, first: int = 0
) -> list[Timed]:
    return [(start + n / 1000, rtp(sender, group, first + n)) for n in range(count)]


def without(frames: list[Timed], *gone: int) -> list[Timed]:
    missing = set(gone)
    return [frame for n, frame in enumerate(frames) if n not in missing]


ALIVE = every(0.05, lambda n: broadcast(5, n), 0, 4)  # its sender has more to say
BESIDE = stream(6, TWO, start=0.0003)  # another sender's, whole


def test_healthy_streams_and_what_they_hold(tmp_path):
    """Eight channels of 24 bit at 48 kHz and 1 ms a packet are 1 152 bytes (RFC 3190); so are twelve of 16 bit."""
    finding = judge(studied(tmp_path, stream(), BESIDE))
    assert finding.outcome == PASS
    assert finding.headline.startswith(
        "2 streams heard, whole and in order. A receive buffer (link offset) of 0."
    )
    assert "48 kHz, 1 ms a packet, 8 channels of 24 bit or 12 channels of 16 bit" in told(finding)


def test_the_description_tells_the_width(tmp_path):
    finding = judge(studied(tmp_path, stream(), [(0.5, sap(5, sdp("Stage left", ONE, channels=8)))]))
    assert "“Stage left” to 233.252.0.9 port 5004" in told(finding)
    assert "8 channels of 24 bit" in told(finding) and "16 bit" not in told(finding)


@pytest.mark.parametrize(
    ("gone", "outcome"),
    [
        ((2000,), CAUTION),
        ((1000, 2000), CAUTION),
        ((1000, 2000, 3000), CAUTION),  # 3 of 4 000 are less than a thousandth
        (range(1000, 1009), FAIL),
        (range(1000, 1030), FAIL),
        (range(50, 4000, 100), FAIL),
    ],
)
def test_loss(tmp_path, gone, outcome):
    finding = judge(studied(tmp_path, without(stream(), *gone), BESIDE))
    assert finding.outcome == outcome
    assert finding.headline.startswith(f"{len(gone)} packet")
    assert "1 of 2 streams" in finding.headline
    assert finding.measured["packets_lost"] == len(gone)
    assert finding.fixes and finding.cautions and not finding.culprits


def test_a_gap_is_placed(tmp_path):
    finding = judge(studied(tmp_path, without(stream(), *range(1000, 1030)), BESIDE))
    assert "lost 30 of 4 000 packets, 30 of them in a row" in told(finding)
    assert finding.evidence[0].time_s == pytest.approx(1.030)
    assert finding.spans == ((pytest.approx(0.999), pytest.approx(1.030)),)


def test_what_the_capture_dropped_is_not_proven(tmp_path):
    facts = studied(tmp_path, without(stream(), *range(1000, 1030)), BESIDE)
    finding = judge(replace(facts, source=replace(facts.source, dropped=35)))
    assert finding.outcome == UNPROVEN
    assert "the capture itself dropped 35 frames" in finding.headline


def test_a_hole_in_everything_is_no_loss_of_the_network(tmp_path):
    finding = judge(
        studied(tmp_path, without(stream(), *range(1000, 1500)), without(BESIDE, *range(1000, 1500)))
    )
    assert finding.outcome == CAUTION
    assert "the capture paused" in finding.headline


def test_loss_in_every_stream_of_every_sender_is_of_this_port_or_the_capture(tmp_path):
    facts = studied(
        tmp_path, without(stream(), *range(100, 4000, 80)), without(BESIDE, *range(130, 4000, 90))
    )
    finding = judge(facts)
    assert finding.outcome == CAUTION
    assert "this one port, or the capture" in finding.headline
    counted = judge(replace(facts, source=replace(facts.source, dropped=0)))
    assert counted.outcome == FAIL  # a system that counts its drops counted none


def test_a_mirror_doubles_everything(tmp_path):
    facts = studied(tmp_path, mirrored(stream()), mirrored(BESIDE))
    assert facts.vantage == "mirror"
    assert judge(facts).outcome == PASS


def test_packets_that_come_again_and_again_are_told(tmp_path):
    again = [(time + n * 1e-4, data) for time, data in stream(count=400) for n in range(6)]
    finding = judge(studied(tmp_path, again, BESIDE, ALIVE))
    assert finding.outcome == CAUTION
    assert "come more than once" in told(finding)
    assert finding.spans


def test_out_of_order(tmp_path):
    frames = stream()
    order = list(range(4000))
    for n in range(100, 4000, 200):
        order[n], order[n + 1] = n + 1, n
    mixed = [(frames[place][0], frames[number][1]) for place, number in enumerate(order)]
    finding = judge(studied(tmp_path, mixed))
    assert finding.outcome == CAUTION
    assert "Packets of the stream come out of order" in finding.headline
    assert finding.measured["packets_lost"] == 0


def held_back(frames: list[Timed], late_ms: float) -> list[Timed]:
    """A burst: packets from two seconds on held back for so long, and sent together."""
    held = [(max(time, 2.0 + late_ms / 1000) if time >= 2.0 else time, data) for time, data in frames]
    return [(time + n * 1e-8, data) for n, (time, data) in enumerate(held)]


@pytest.mark.parametrize(
    ("late_ms", "outcome"), [(4, PASS), (4.8, PASS), (5.2, CAUTION), (19, CAUTION), (22, CAUTION)]
)
def test_unevenness_that_every_receiver_evens_out(tmp_path, late_ms, outcome):
    """At 1 ms a packet a receiver has to hold 3 ms, and is advised to hold 20 (AES67 7.6, from memory). 5 ms may be the capture's own."""
    finding = judge(studied(tmp_path, held_back(stream(), late_ms), BESIDE))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        says = f"receive buffer of up to {late_ms:.0f} ms; each receiver has to have 3 ms (AES67)."
        assert says in finding.headline
        assert finding.fixes == (stream_health.BUFFER, AGAIN)
        assert finding.measured["receive_buffer_ms"] == pytest.approx(late_ms, abs=0.2)


@pytest.mark.parametrize(("late_ms", "outcome"), [(19, PASS), (22, CAUTION)])
def test_all_streams_held_back_at_once_is_the_capturing_computer(tmp_path, late_ms, outcome):
    """It is told where it goes beyond what receivers are advised to hold."""
    finding = judge(studied(tmp_path, held_back(stream(), late_ms), held_back(BESIDE, late_ms)))
    assert finding.outcome == outcome


def test_streams_that_start_and_stop_for_a_try_are_no_loss(tmp_path):
    assert judge(studied(tmp_path, stream(count=1200, start=0.9), BESIDE)).outcome == PASS


def test_a_stream_that_ends_for_good_is_told(tmp_path):
    finding = judge(studied(tmp_path, stream(count=1500), BESIDE))
    assert finding.outcome == FAIL
    assert finding.headline == "1 stream stopped, and its sender is not heard any more."
    assert finding.culprits == (mac(5),)
    assert finding.spans == ((pytest.approx(1.499), pytest.approx(4, abs=0.01)),)


@pytest.mark.parametrize(("until", "outcome"), [(2.4, FAIL), (2.6, CAUTION)])
def test_a_stream_whose_sender_talks_on_may_have_been_stopped_by_hand(tmp_path, until, outcome):
    """It ends at 1.5 s; a second later its sender still has something to say, or nothing more."""
    alive = every(0.05, lambda n: broadcast(5, n), 0, until)
    others = [every(0.05, lambda n, other=other: broadcast(other, n), 0, 4) for other in (4, 6)]
    finding = judge(studied(tmp_path, stream(count=1500), BESIDE, alive, *others))
    assert finding.outcome == outcome
    assert ("stopped by hand?" in told(finding)) == (outcome == CAUTION)


def test_all_streams_that_end_together(tmp_path):
    alive = every(0.05, lambda n: broadcast(7, n), 0, 4)
    finding = judge(studied(tmp_path, stream(count=1500), BESIDE[:1500], alive))
    assert finding.outcome == FAIL
    assert "2 streams stopped together" in finding.headline


def test_another_engine_that_takes_over_is_no_end(tmp_path):
    taken = stream(7, ONE, count=2400, start=1.6)
    assert judge(studied(tmp_path, stream(count=1500), taken, BESIDE)).outcome == PASS


def test_a_long_outage_is_a_loss_when_the_timestamps_say_so(tmp_path):
    """More than 3 000 numbers are another beginning to RFC 3550 A.1; but as many timestamps and as much time went by."""
    frames = stream(count=1000) + stream(count=1000, start=4.5, first=4500)
    facts = studied(tmp_path, frames, stream(6, TWO, count=5500))
    finding = judge(facts)
    assert finding.outcome == FAIL
    assert "lost 3 500 of 5 500 packets, 3 500 of them in a row" in told(finding)
    assert judge(replace(facts, source=replace(facts.source, dropped=4000))).outcome == UNPROVEN


def test_a_stream_that_broke_off_and_began_anew(tmp_path):
    frames = stream(count=1000) + stream(count=1000, start=4.5, first=40000)
    finding = judge(studied(tmp_path, frames, stream(6, TWO, count=5500)))
    assert finding.outcome == CAUTION
    assert "paused for up to 3.50 s" in finding.headline
    assert "began anew" in told(finding)


def test_silence_proves_nothing(tmp_path):
    finding = judge(studied(tmp_path, every(0.01, lambda n: broadcast(5, n), 0, 2)))
    assert (finding.outcome, finding.headline) == (UNPROVEN, "No stream was heard that counts its packets.")
    assert "mirror port" in finding.fixes[0]
    assert judge(Facts()) is None
    assert judge(Facts(wire_refused="no privilege")).outcome == UNPROVEN


@pytest.mark.parametrize(
    ("count", "lost", "outcome"),
    [(1500, 2, CAUTION), (3000, 3, FAIL), (3010, 3, CAUTION), (10_020, 9, CAUTION), (10_020, 10, FAIL)],
)
def test_a_share_counts_from_three_packets_on_and_ten_always(tmp_path, count, lost, outcome):
    gone = [100 + 200 * n for n in range(lost)]
    facts = studied(tmp_path, without(stream(count=count), *gone), stream(6, TWO, count, 0.0003))
    assert judge(facts).outcome == outcome


@pytest.mark.parametrize(("left_ms", "words"), [(15, "and so did everything"), (25, "for up to 0.20 s")])
def test_pauses_of_all_that_lie_together(tmp_path, left_ms, words):
    paused = [(time + 0.199 * (time >= 1), data) for time, data in stream()]
    finding = judge(studied(tmp_path, paused, [(0.999 + left_ms / 1000, broadcast(7, 1))]))
    assert finding.outcome == CAUTION and words in finding.headline


@pytest.mark.parametrize(("pause_ms", "words"), [(98, "come unevenly"), (102, "paused")])
def test_a_tenth_of_a_second_is_a_pause(tmp_path, pause_ms, words):
    paused = [
        (max(time, 1 + pause_ms / 1000 + time / 1e6) if time >= 1 else time, data) for time, data in stream()
    ]
    assert words in judge(studied(tmp_path, paused, BESIDE)).headline


@pytest.mark.parametrize(("count", "outcome"), [(2990, FAIL), (3010, PASS)])
def test_a_second_of_silence_at_the_end_is_a_stop(tmp_path, count, outcome):
    assert judge(studied(tmp_path, stream(count=count), BESIDE)).outcome == outcome


@pytest.mark.parametrize(
    ("count", "mixed", "outcome"),
    [(4000, 9, PASS), (4000, 10, CAUTION), (10_030, 10, PASS), (9990, 10, CAUTION)],
)
def test_so_many_out_of_order(tmp_path, count, mixed, outcome):
    order = list(range(count))
    for n in range(100, 100 + 100 * mixed, 100):
        order[n : n + 2] = n + 1, n
    frames = [(n / 1000, rtp(5, ONE, number)) for n, number in enumerate(order)]
    assert judge(studied(tmp_path, frames)).outcome == outcome


@pytest.mark.parametrize(
    ("count", "doubled", "outcome"),
    [(500, 9, PASS), (500, 10, CAUTION), (1000, 10, PASS), (990, 10, CAUTION)],
)
def test_so_many_doubled(tmp_path, count, doubled, outcome):
    frames = stream(count=count)
    again = [(time + 0.0002, data) for time, data in frames[100 : 100 + 10 * doubled : 10]]
    assert judge(studied(tmp_path, frames, again)).outcome == outcome


def test_what_came_late_was_not_missing_in_a_row(tmp_path):
    """Ten are jumped over, and all but two of them come in the end."""
    late = [(0.5105 + n / 10_000, rtp(5, "233.252.0.1", 500 + n)) for n in range(8)]
    frames = [(n / 1000, rtp(5, "233.252.0.1", n)) for n in range(2000) if not 500 <= n < 510]
    assert "lost 2 of 2 000 packets" in told(judge(studied(tmp_path, frames, late)))
    assert "in a row" not in told(judge(studied(tmp_path, frames, late)))
    assert "lost 10 of 2 000 packets, 10 of them in a row" in told(judge(studied(tmp_path, frames)))


def test_the_figures_of_all_streams(tmp_path):
    """Nine of the first are lost in a row, three of the second apart; two of the second are changed about, one comes twice."""
    first = without(stream(), *range(1000, 1009))
    second = without(BESIDE, 500, 700, 900)
    second[2000:2002] = [(second[2000][0], second[2001][1]), (second[2001][0], second[2000][1])]
    again = [(second[3000][0] + 0.0002, second[3000][1])]
    finding = judge(studied(tmp_path, first, second, again))
    measured = dict(finding.measured)
    assert measured.pop("receive_buffer_ms") == pytest.approx(1.0, abs=1.5)
    assert measured.pop("most_jitter_ms") == pytest.approx(0.1, abs=0.5)
    assert measured == {
        "streams": 2, "packets_expected": 8000, "packets_lost": 12, "longest_loss_packets": 9, "late": 1, "duplicates": 1,
        "longest_wait_ms": 10.0,
    }  # fmt: skip


def test_jitter_is_told_where_a_clock_is_known(tmp_path):
    finding = judge(studied(tmp_path, held_back(stream(), 19), BESIDE))
    assert "needs 19.0 ms of receive buffer (jitter up to " in told(finding)


@pytest.mark.parametrize(("streams", "rest"), [(5, ""), (6, "and 1 more stream"), (7, "and 2 more streams")])
def test_five_streams_are_shown_and_the_rest_is_counted(tmp_path, streams, rest):
    numbers = range(20, 20 + streams)
    made = [without(stream(n, f"233.252.0.{n}", 1000, n / 1e5), 300 + 20 * n) for n in numbers]
    finding = judge(studied(tmp_path, *made))
    assert finding.measured["packets_lost"] == streams
    assert told(finding).count("lost 1 of 1 000 packets") == 5
    assert finding.evidence[-1].text == rest if rest else "more stream" not in told(finding)


def test_whole_streams_need_the_buffer_of_the_worst(tmp_path):
    one = judge(studied(tmp_path, held_back(stream(), 4), BESIDE))
    assert one.headline.endswith("A receive buffer (link offset) of 4.0 ms holds them.")


@pytest.mark.parametrize(("streams", "words"), [(1, "Packets of the stream come"), (2, "Packets of both streams come"), (3, "Packets of all 3 streams come")])  # fmt: skip
def test_how_many_of_them(tmp_path, streams, words):
    made = []
    for sender in range(20, 20 + streams):
        frames = stream(sender, f"233.252.0.{sender}", 1000, sender / 1e5)
        for n in range(100, 1000, 50):
            frames[n], frames[n + 1] = (frames[n][0], frames[n + 1][1]), (frames[n + 1][0], frames[n][1])
        made.append(frames)
    finding = judge(studied(tmp_path, *made))
    assert words in finding.headline and "18 packets came after a later one" in told(finding)
    beside = judge(studied(tmp_path, *made, stream(9, "233.252.0.99", 1000)))
    assert f"Packets of {streams} of {streams + 1} streams come" in beside.headline


def test_a_pause_is_placed(tmp_path):
    paused = [(time + 0.2 * (time >= 1), data) for time, data in stream()]
    finding = judge(studied(tmp_path, paused, BESIDE))
    assert finding.headline == "1 of 2 streams paused for up to 0.20 s."
    assert finding.spans == ((pytest.approx(0.999), pytest.approx(1.2)),)
    assert (
        finding.evidence[0].time_s == pytest.approx(1.2) and " paused for 0.20 s" in finding.evidence[0].text
    )
