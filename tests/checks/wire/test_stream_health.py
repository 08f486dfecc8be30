"""Streams: what the network lost, what the capture lost, what only looks like a loss."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN
from preflight.checks.wire import stream_health
from preflight.facts import Facts
from preflight.tally.facts import Loss
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
    """Eight channels of 24 bit at 48 kHz and 1 ms a packet are 1 152 bytes (RFC 3190); so are twelve of 16
    bit."""
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


def test_one_stream_is_named_in_the_headline_and_of_several_the_worst(tmp_path):
    """By its announced name, or where it goes. Where it was the capture nobody is worse than the others."""
    names = [(0.5, sap(5, sdp("Stage left", ONE)))]
    lossy, other = without(stream(), *range(1000, 1030)), without(BESIDE, 2000)
    third = stream(7, "233.252.0.11")
    assert judge(studied(tmp_path, lossy, BESIDE)).headline == (
        f"30 packets of the stream to {ONE} port 5004 (1 of 2 streams) missing."
    )
    assert judge(studied(tmp_path, names, lossy)).headline.startswith("30 packets of “Stage left” missing")
    several = judge(studied(tmp_path, names, lossy, other, third)).headline
    assert several == "31 packets of 2 of 3 streams (worst: “Stage left”) missing."
    hole = [without(each, *range(1000, 1500)) for each in (stream(), BESIDE)]
    assert "(" not in judge(studied(tmp_path, names, *hole)).headline


@pytest.mark.parametrize(
    ("name", "said"),
    [("Stage” {at} “left", "“Stage' (at) 'left”"), ("x" * 60, f"“{'x' * 39}…”"), ("– –", "the stream to")],
)
def test_a_hostile_name_in_a_headline_is_cut_and_kept_apart(tmp_path, name, said):
    lossy = without(stream(), *range(1000, 1030))
    assert f"of {said}" in judge(studied(tmp_path, [(0.5, sap(5, sdp(name, ONE)))], lossy)).headline


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
    assert f"Packets of the stream to {ONE} port 5004 come out of order" in finding.headline
    assert finding.measured["packets_lost"] == 0


def held_back(frames: list[Timed], late_ms: float) -> list[Timed]:
    """A burst: packets from two seconds on held back for so long, and sent together."""
    held = [(max(time, 2.0 + late_ms / 1000) if time >= 2.0 else time, data) for time, data in frames]
    return [(time + n * 1e-8, data) for n, (time, data) in enumerate(held)]


@pytest.mark.parametrize(
    ("late_ms", "outcome"), [(4, PASS), (4.8, PASS), (5.2, CAUTION), (19, CAUTION), (22, CAUTION)]
)
def test_unevenness_that_every_receiver_evens_out(tmp_path, late_ms, outcome):
    """At 1 ms a packet a receiver has to hold 3 ms, and is advised to hold 20 (AES67 7.6, from memory). 5 ms
    may be the capture's own."""
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
    assert finding.headline == (
        f"The stream to {ONE} port 5004 (1 of 2 streams) stopped, and its sender is not heard any more."
    )
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
    assert "Both streams stopped together" in finding.headline


def test_another_engine_that_takes_over_is_no_end(tmp_path):
    taken = stream(7, ONE, count=2400, start=1.6)
    assert judge(studied(tmp_path, stream(count=1500), taken, BESIDE)).outcome == PASS


def test_a_long_outage_is_a_loss_when_the_timestamps_say_so(tmp_path):
    """More than 3 000 numbers are another beginning to RFC 3550 A.1; but as many timestamps and as much time
    went by."""
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
    """Nine of the first are lost in a row, three of the second apart; two of the second are changed about,
    one comes twice."""
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


@pytest.mark.parametrize(("streams", "words"), [(1, "Packets of the stream to 233.252.0.20 port 5004 come"), (2, "Packets of both streams (worst: the stream to 233.252.0.20 port 5004) come"), (3, "Packets of all 3 streams (worst: the stream to 233.252.0.20 port 5004) come")])  # fmt: skip
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
    assert f"{streams} of {streams + 1} streams" in beside.headline


def test_a_pause_is_placed(tmp_path):
    paused = [(time + 0.2 * (time >= 1), data) for time, data in stream()]
    finding = judge(studied(tmp_path, paused, BESIDE))
    assert finding.headline == "The stream to 233.252.0.9 port 5004 (1 of 2 streams) paused for up to 0.20 s."
    assert finding.spans == ((pytest.approx(0.999), pytest.approx(1.2)),)
    assert (
        finding.evidence[0].time_s == pytest.approx(1.2) and " paused for 0.20 s" in finding.evidence[0].text
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Facts:
    """Two whole streams of 4 s from two senders, and each of these and a third one talking to the end."""
    alive = [every(0.05, lambda n, box=box: broadcast(box, n), box / 1e4, 4) for box in (5, 6, 7)]
    return studied(tmp_path_factory.mktemp("whole"), stream(), BESIDE, *alive)


def changed(facts: Facts, *changes: dict, **source) -> Facts:
    """With the first streams as these `changes` say."""
    ordered = sorted(facts.tally.streams, key=lambda each: each.first_s)
    made = [replace(each, **change) for each, change in zip(ordered, changes, strict=False)]
    tally = replace(facts.tally, streams=(*made, *ordered[len(made) :]))
    return replace(facts, tally=tally, source=replace(facts.source, **source))


def lost(count: int, of: int, **more) -> dict:
    return {"expected": of, "received": of - count, "losses": 2, **more}


@pytest.mark.parametrize(
    ("change", "outcome"),
    [
        (lost(0, 4000), PASS),
        (lost(1, 4000), CAUTION),
        (lost(9, 99_000), CAUTION),
        (lost(10, 99_000), FAIL),
        (lost(2, 1000), CAUTION),
        (lost(3, 3000), FAIL),
        (lost(3, 3001), CAUTION),
        ({"longest_wait_s": 0.0999}, PASS),
        ({"longest_wait_s": 0.1}, CAUTION),
        ({"delay_spread_s": 0.005}, PASS),
        ({"delay_spread_s": 0.0051}, CAUTION),
        ({"delay_spread_s": None}, PASS),
        ({"packet_stamps": 96, "delay_spread_s": 0.006}, PASS),  # 2 ms a packet: 6 ms
        ({"packet_stamps": 96, "delay_spread_s": 0.0061}, CAUTION),
        ({"packet_stamps": 480, "delay_spread_s": 0.02}, PASS),  # 10 ms a packet: 20 ms, not 30
        ({"packet_stamps": 480, "delay_spread_s": 0.0201}, CAUTION),
        ({"late": 9}, PASS),
        ({"late": 10}, CAUTION),
        ({"late": 10, "received": 10_000, "expected": 10_000}, CAUTION),
        ({"late": 10, "received": 10_001, "expected": 10_001}, PASS),
        ({"duplicates": 40}, PASS),
        ({"duplicates": 41}, CAUTION),
        ({"duplicates": 9, "received": 100, "expected": 100}, PASS),
        ({"duplicates": 10, "received": 100, "expected": 100}, CAUTION),
    ],
)
def test_each_limit_from_both_sides(whole, change, outcome):
    finding = judge(changed(whole, change))
    assert finding.outcome == outcome, finding.headline
    assert outcome == PASS or "1 of 2 streams" in finding.headline or "1 stream needs" in finding.headline


@pytest.mark.parametrize(
    ("longest", "in_a_row"), [(1, ""), (2, ", 2 of them in a row"), (5, ", 5 of them in a row"), (6, "")]
)
def test_how_many_of_them_in_a_row(whole, longest, in_a_row):
    """A jump longer than what is lost was mended in part."""
    finding = judge(
        changed(whole, lost(5, 4000, longest_loss=longest, longest_loss_frame=77, longest_loss_s=1.5))
    )
    assert finding.evidence[0].text.endswith(f" lost 5 of 4 000 packets{in_a_row}")
    assert (finding.evidence[0].frame, finding.evidence[0].time_s) == (77, 1.5)


def test_the_greatest_share_comes_first(whole):
    finding = judge(changed(whole, lost(5, 4000), lost(4, 2000)))
    assert finding.headline.startswith(
        "9 packets of both streams (worst: the stream to 233.252.0.10 port 5004) missing"
    )
    assert mac(6) in finding.evidence[0].text and mac(5) in finding.evidence[1].text


def test_all_losses_beyond_those_that_are_kept_are_one_stretch(whole):
    kept = tuple(Loss(1, n / 10, n / 10 + 0.05, 9) for n in range(1, 4))
    finding = judge(changed(whole, {**lost(9, 4000), "losses": 9, "first_losses": kept, "last_loss_s": 2.5}))
    assert finding.spans == ((0.1, 0.1 + 0.05), (0.2, 0.25), (0.3, 2.5))
    few = judge(changed(whole, {**lost(9, 4000), "losses": 3, "first_losses": kept, "last_loss_s": 2.5}))
    assert few.spans[-1] == (0.3, pytest.approx(0.35))


def test_damaged_records_may_have_been_the_packets(whole):
    finding = judge(changed(whole, lost(50, 4000), malformed=3))
    assert finding.outcome == CAUTION and "3 records of the capture are damaged" in finding.headline


@pytest.mark.parametrize(
    ("loss", "outcome"),
    [
        ({"losses": 1, "longest_loss_s": 1.5, "longest_loss": 300}, CAUTION),
        ({"losses": 1, "longest_loss_s": 1.0, "longest_loss": 300}, CAUTION),
        ({"losses": 1, "longest_loss_s": 0.99, "longest_loss": 300}, FAIL),  # before the silence
        ({"losses": 1, "longest_loss_s": 1.519, "longest_loss": 300}, CAUTION),
        ({"losses": 1, "longest_loss_s": 1.521, "longest_loss": 300}, FAIL),
        ({"losses": 1, "longest_loss_s": 1.5, "longest_loss": 500}, CAUTION),
        ({"losses": 1, "longest_loss_s": 1.5, "longest_loss": 501}, FAIL),  # more than the silence holds
        ({"losses": 2, "longest_loss_s": 1.5, "longest_loss": 300}, FAIL),
        ({"losses": 1, "longest_loss_s": None, "longest_loss": 300}, FAIL),
    ],
)
def test_what_a_silence_of_all_may_have_swallowed(whole, loss, outcome):
    """From 1.0 s on, half a second."""
    rates = replace(whole.tally.rates, longest_gap_at_s=1.0, longest_gap_s=0.5)
    facts = changed(whole, {**lost(600, 4000), **loss})
    finding = judge(replace(facts, tally=replace(facts.tally, rates=rates)))
    assert finding.outcome == outcome
    assert ("no frame at all came then for 500 ms" in finding.headline) is (outcome == CAUTION)


def test_a_whole_beat_beside_them_shows_that_it_was_not_the_capture(whole):
    """One that was followed for two hundred beats."""
    losing = changed(whole, lost(50, 4000), lost(50, 4000))
    beats = losing.tally.periodic[-1:]
    for change, outcome in (
        ({"beats": 199}, CAUTION),
        ({"beats": 200}, FAIL),
        ({"beats": 200, "missing": 1}, CAUTION),
        ({"beats": 200, "stops": 1}, CAUTION),
    ):
        told = tuple(replace(each, **{"missing": 0, "stops": 0, **change}) for each in beats)
        assert judge(replace(losing, tally=replace(losing.tally, periodic=told))).outcome == outcome


def test_at_a_mirror_a_count_of_drops_does_not_clear_the_capture(whole):
    losing = changed(whole, lost(50, 4000), lost(50, 4000), dropped=0)
    losing = replace(losing, tally=replace(losing.tally, periodic=()))
    assert judge(losing).outcome == FAIL
    assert judge(replace(losing, vantage="mirror")).outcome == CAUTION


def test_what_the_capture_dropped_may_be_the_pause(whole):
    finding = judge(changed(whole, {"longest_wait_s": 0.3}, dropped=1))
    assert finding.outcome == UNPROVEN
    assert (
        finding.headline
        == "The stream to 233.252.0.9 port 5004 (1 of 2 streams) paused, but the capture itself dropped 1 "
        "frame."
    )


def test_a_pause_in_which_packets_were_lost_is_told_as_a_loss(whole):
    finding = judge(changed(whole, lost(5, 4000, longest_wait_s=0.3, delay_spread_s=0.3)))
    assert "paused" not in told(finding) and "unevenly" not in told(finding)


def test_which_streams_paused_the_longest_first(whole):
    finding = judge(changed(whole, {"longest_wait_s": 0.3, "restarts": 1}, {"longest_wait_s": 0.4}))
    assert (
        finding.headline
        == "Both streams (longest: the stream to 233.252.0.10 port 5004) paused for up to 0.40 s."
    )
    assert finding.evidence[0].text.endswith(" paused for 0.40 s")
    assert finding.evidence[1].text.endswith(" paused for 0.30 s, and began anew")


@pytest.mark.parametrize(
    ("change", "stopped"),
    [
        ({"last_s": 2.9}, True),
        ({"last_s": 3.1}, False),
        ({"last_s": 2.1, "longest_wait_s": 0.45}, True),  # four of its longest waits
        ({"last_s": 2.3, "longest_wait_s": 0.45}, False),
        ({"first_s": 0.5, "last_s": 2.0}, True),
        ({"first_s": 0.51, "last_s": 2.0}, False),  # a trial
    ],
)
def test_what_has_stopped(whole, change, stopped):
    finding = judge(changed(whole, change))
    assert ("(1 of 2 streams) stopped" in told(finding)) is stopped
    if stopped and "longest_wait_s" not in change:
        assert finding.spans == ((change["last_s"], whole.source.duration_s),)


def test_one_that_ran_for_ten_seconds_was_no_trial(whole):
    long = changed(whole, {"first_s": 1.0, "last_s": 11.0}, {"last_s": 20.0}, duration_s=20.0)
    short = changed(whole, {"first_s": 1.0, "last_s": 10.9}, {"last_s": 20.0}, duration_s=20.0)
    assert "(1 of 2 streams) stopped" in told(judge(long)) and "stopped" not in told(judge(short))


@pytest.mark.parametrize(("apart_s", "together"), [(0.099, True), (0.101, False)])
def test_streams_that_stop_within_a_tenth_of_a_second(whole, apart_s, together):
    finding = judge(changed(whole, {"last_s": 2.0}, {"last_s": 2.0 + apart_s}))
    assert ("stopped together: look at this port" in told(finding)) is together


def test_many_that_come_unevenly_at_one_time(whole):
    """Within a second, and no further than receivers are advised to even out."""
    for first, second, at_s, words in (
        (0.019, 0.02, 2.0, ""),
        (0.019, 0.0201, 2.0, "need a receive buffer of up to 20 ms"),
        (0.019, 0.02, 2.1, "need a receive buffer of up to 20 ms"),
    ):
        changes = (
            {"delay_spread_s": first, "delay_spread_at_s": 1.0},
            {"delay_spread_s": second, "delay_spread_at_s": at_s},
        )
        finding = judge(changed(whole, *changes))
        assert finding.outcome == (CAUTION if words else PASS) and words in finding.headline
        assert (", all at the same time" in finding.headline) is (bool(words) and at_s == 2.0)
        if words:
            assert finding.spans == ((0.0, 1.0), (pytest.approx(at_s - 1), at_s))


@pytest.mark.parametrize(("share", "outcome"), [(1.1, PASS), (1.11, CAUTION)])
def test_a_mirror_shows_each_packet_twice_and_no_more(whole, share, outcome):
    change = {"duplicates": round(4000 * share)}
    assert judge(replace(changed(whole, change, change), vantage="mirror")).outcome == outcome
    assert judge(changed(whole, change, change)).outcome == CAUTION


def test_when_doubled_packets_came(whole):
    finding = judge(changed(whole, {"duplicates": 41, "first_s": 0.25, "last_s": 3.5}))
    assert finding.spans == ((0.25, 3.5),) and finding.evidence[0].text.endswith(": 41 packets came again")


@pytest.mark.parametrize(
    ("change", "ms"),
    [
        ({"delay_spread_s": 0.003, "longest_wait_s": 0.002}, "3.0"),
        ({"delay_spread_s": 0.003, "longest_wait_s": 0.0055}, "4.5"),  # beyond the packet that was due
        ({"delay_spread_s": 0.003, "longest_wait_s": 0.0055, "packet_stamps": None}, "3.0"),
    ],
)
def test_the_buffer_that_holds_them(whole, change, ms):
    quiet = {"delay_spread_s": 0.001, "longest_wait_s": 0.001}
    finding = judge(changed(whole, change, quiet))
    assert finding.headline.endswith(f"A receive buffer (link offset) of {ms} ms holds them.")


def test_without_a_clock_there_is_no_buffer_and_no_jitter(whole):
    untold = {"delay_spread_s": None, "most_jitter": None, "clock_hz": None}
    finding = judge(changed(whole, untold, untold))
    assert finding.headline == "2 streams heard, whole and in order."
    assert finding.measured["most_jitter_ms"] is None and finding.measured["receive_buffer_ms"] is None
    jitter = judge(changed(whole, {"most_jitter": 96.0, "delay_spread_s": 0.0123456}))
    assert jitter.measured["most_jitter_ms"] == 2.0 and jitter.measured["receive_buffer_ms"] == 12.346
    assert "needs 12.3 ms of receive buffer (jitter up to 2.00 ms)" in told(jitter)


@pytest.mark.parametrize(("start", "outcome"), [(2.4, PASS), (2.6, FAIL)])
def test_another_takes_over_within_a_second(tmp_path, start, outcome):
    taken = stream(7, ONE, count=round(1000 * (4 - start)), start=start)
    assert judge(studied(tmp_path, stream(count=1500), taken, BESIDE)).outcome == outcome


EVERY_50TH = range(50, 4000, 50)


@pytest.mark.parametrize(
    ("lossy", "whole_ones", "words"),
    [
        ((5,), (6, 7), "Only ICANN 53:05 loses packets: swap its cable"),
        ((5, 6), (7,), "2 senders lose packets, and 1 does not: look at what the 2 share"),
        ((5, 6), (7, 8), "2 senders lose packets, and 2 do not: look at what the 2 share"),
        ((5, 6), (), "All senders lose packets: look at the cable between the switches"),
        ((5,), (), "Find out whether one box loses packets or all do."),
    ],
)
def test_who_loses_tells_where_to_look(tmp_path, lossy, whole_ones, words):
    frames = [without(stream(n, f"233.252.0.{n}", start=n / 1e5), *EVERY_50TH) for n in lossy]
    frames += [stream(n, f"233.252.0.{n}", start=n / 1e5) for n in whole_ones]
    assert judge(studied(tmp_path, *frames)).fixes[0].startswith(words)


@pytest.mark.parametrize(("missing", "spared"), [(range(50, 4000, 50), True), (range(600, 4000, 600), False)])
def test_a_worn_cable_spares_none_of_a_sender_s_streams(tmp_path, missing, spared):
    """Another stream of the same sender is whole. By chance it would be with a few losses in the first, and
    never with one in fifty."""
    frames = [without(stream(), *missing), stream(5, "233.252.0.11", start=0.0001), BESIDE]
    finding = judge(studied(tmp_path, *frames))
    assert finding.fixes[0].startswith("Find out" if spared else "Only ICANN 53:05 loses")


def test_who_pauses_tells_where_to_look(tmp_path):
    paused = [(at + (0.2 if at >= 2.0 else 0.0), data) for at, data in stream()]
    assert judge(studied(tmp_path, paused, BESIDE)).fixes[0].startswith("Only ICANN 53:05 pauses")
