"""One sample clock: what drifts for certain, what only seems to, and rates that differ."""

from dataclasses import replace
from random import Random

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.tally.facts import Course
from tests.checks.asked import asked
from tests.rig import shows
from tests.tally.captures import Timed, ethernet, every, mac, rtp, studied, told

judge = asked("sample-clock")
CAUTION, PASS, UNPROVEN = Outcome.CAUTION, Outcome.PASS, Outcome.UNPROVEN


def stream(sender: int, ppm: float = 0.0, seconds: float = 12.0, hz: int = 48_000, start: float = 0.0,
           media: int = 1152, port_of: str = "") -> list[Timed]:  # fmt: skip
    """Packets of 192 samples by a clock that is so much quick, each held up a little."""
    random, each_s = Random(sender), 192 / hz * (1 - ppm * 1e-6)
    group = port_of or f"233.252.0.{sender}"
    return [
        (start + n * each_s + abs(random.gauss(0, 2e-5)), rtp(sender, group, n, bytes(media), samples=192))
        for n in range(round(seconds / each_s))
    ]


def counted(sender: int, ppm: float, seconds: float = 12.0, size: int = 300) -> list[Timed]:
    random = Random(sender)
    return [
        (
            n * 0.002 * (1 - ppm * 1e-6) + abs(random.gauss(0, 2e-5)),
            ethernet(
                f"93:00:00:00:00:{sender:02x}",
                mac(sender),
                0x88B5,
                b"\1\2" + (n & 0xFFFF).to_bytes(2) + random.randbytes(size),
            ),
        )
        for n in range(round(seconds * 500))
    ]


@pytest.mark.parametrize("make", [stream, counted])
def test_two_that_run_free_are_told(tmp_path, make):
    finding = judge(studied(tmp_path, make(5, 0), make(6, 42)))
    assert finding.outcome == CAUTION
    assert "do not run at one clock: they drift apart by 42 ppm" in finding.headline
    assert set(finding.culprits) == {mac(5), mac(6)}
    assert finding.measured["most_apart_ppm"] == pytest.approx(42, abs=1)
    assert finding.cautions and not finding.spans


def test_one_beside_many_is_named(tmp_path):
    finding = judge(studied(tmp_path, *(stream(n, -30) for n in (5, 6, 7)), stream(8, -80)))
    assert finding.outcome == CAUTION and finding.culprits == (mac(8),)
    assert "does not run at the others' clock: it drifts by 50 ppm" in finding.headline
    assert "a sample too few each 0.42 s" in told(finding)


def test_all_free_are_told_as_such(tmp_path):
    finding = judge(studied(tmp_path, stream(5), stream(6, 60), stream(7, -60)))
    assert finding.headline == "No two of 3 senders run at one clock: they drift apart by up to 120 ppm."


@pytest.mark.parametrize("ppm", [80, -300])
def test_this_computers_own_clock_may_be_off(tmp_path, ppm):
    finding = judge(studied(tmp_path, *(stream(n, ppm) for n in (5, 6, 7))))
    assert finding.outcome == PASS and "3 senders run at one sample clock" in finding.headline
    told_ppm = [each["ppm_by_the_captures_clock"] for each in finding.measured["clocks"]]
    assert told_ppm == pytest.approx([ppm] * 3, abs=1) and "which may itself be off" in told(finding)


def test_one_alone_is_a_note(tmp_path):
    finding = judge(studied(tmp_path, stream(5, 200), stream(5, 200, port_of="233.252.0.77")))
    assert finding.outcome == UNPROVEN and "no two were heard together" in finding.headline
    assert "200.0" in told(finding) and "too fast by the clock of this capture" in told(finding)


@pytest.mark.parametrize(("seconds", "outcome"), [(1.2, UNPROVEN), (12.0, CAUTION)])
def test_it_is_told_when_it_is_certain(tmp_path, seconds, outcome):
    finding = judge(studied(tmp_path, stream(5, 0, seconds), stream(6, 15, seconds)))
    assert finding.outcome == outcome
    if outcome == UNPROVEN:
        assert "too short for a closer word" in finding.headline


@pytest.mark.parametrize(
    ("limits", "outcome"), [({}, CAUTION), ({"apart_ppm": 41}, PASS), ({"apart_ppm": 39}, CAUTION)]
)
def test_the_limit_of_what_is_apart(tmp_path, limits, outcome):
    facts = studied(tmp_path, stream(5, 0, 30), stream(6, 40, 30))
    sheet = replace(shows.sheet(), limits={"sample-clock": limits}, stream=())
    found = judge(replace(facts, sheet=sheet)).outcome
    assert found == outcome or (outcome == PASS and found == UNPROVEN)


def test_what_is_not_certain_enough_is_not_told(tmp_path):
    facts = studied(tmp_path, stream(5), stream(6, 42))
    sheet = replace(shows.sheet(), limits={"sample-clock": {"certain": 100}}, stream=())
    assert judge(replace(facts, sheet=sheet)).outcome == UNPROVEN


def test_only_those_heard_together_are_compared(tmp_path):
    """In between this computer's clock may have been put right."""
    facts = studied(tmp_path, stream(5, 0, 12), stream(6, 90, 12, start=13))
    assert judge(facts).outcome == UNPROVEN
    sheet = replace(shows.sheet(), limits={"sample-clock": {"together_share": -2}}, stream=())
    assert judge(replace(facts, sheet=sheet)).outcome == CAUTION


@pytest.mark.parametrize(("ppm", "outcome"), [(900, CAUTION), (1100, UNPROVEN)])
def test_frames_of_another_pace_are_not_meant_to_have_the_same(tmp_path, ppm, outcome):
    assert judge(studied(tmp_path, counted(5, 0), counted(6, ppm))).outcome == outcome


def test_speech_video_and_coded_audio_have_clocks_of_their_own(tmp_path):
    for hz, media in ((8000, 1152), (90_000, 1152), (48_000, 160)):
        assert (
            judge(studied(tmp_path, stream(5, 0, 12, hz, media=media), stream(6, 150, 12, hz, media=media)))
            is None
        )


def test_rates_that_differ_are_told_with_who_has_another(tmp_path):
    finding = judge(
        studied(tmp_path, stream(5, 0, 3), stream(6, 0, 3), stream(7, 0, 3, 96_000), stream(8, 0, 3, 44_100))
    )
    assert finding.outcome == CAUTION
    assert finding.headline == (
        "The streams have different sample rates: 2 streams at 48 kHz, 1 stream at 44.1 kHz, 1 stream at 96 "
        "kHz."
    )
    assert set(finding.culprits) == {mac(7), mac(8)}
    assert "233.252.0.7" in told(finding) and "233.252.0.5 " not in told(finding)
    assert finding.measured["rates_hz"] == [44_100, 48_000, 96_000]


def test_rates_that_the_sheet_plans_are_judged_by_it(tmp_path):
    facts = studied(tmp_path, stream(5, 0, 3), stream(6, 0, 3), stream(7, 0, 3, 96_000))
    planned = replace(shows.sheet().stream[0], group="233.252.0.7", udp_port=5004, sample_rate_hz=96_000)
    assert judge(facts).outcome == CAUTION
    finding = judge(replace(facts, sheet=replace(shows.sheet(), stream=(planned,))))
    assert finding.outcome != CAUTION


def test_an_uneven_beginning_makes_no_other_rate(tmp_path):
    """The first 100 packets take half as long again, as at 32 kHz; then it catches up."""
    uneven = [(at * 1.5 if at < 0.1 else max(at, 0.15), data) for at, data in stream(5, 0, 12)]
    finding = judge(studied(tmp_path, uneven, stream(6, 0, 12)))
    assert finding.outcome == PASS and finding.measured["rates_hz"] == [48_000]


def test_without_audio_it_says_nothing(tmp_path):
    assert judge(studied(tmp_path, every(0.01, lambda n: rtp(5, "233.252.0.5", n)[:20], 0, 1))) is None
    assert judge(Facts()) is None


@pytest.fixture(scope="module")
def sixteen(tmp_path_factory) -> Facts:
    return studied(tmp_path_factory.mktemp("some"), *(stream(n, 0, 1.0) for n in range(20, 36)))


def running(
    facts: Facts, *ppm: float, unsure_ppm: float = 0.1, spans: dict[int, tuple[float, float]] | None = None
) -> Facts:
    """So many of the streams, each so much quicker than 48 kHz by this capture's clock, from 0 s to 10 s
    unless `spans` tell."""
    ordered = sorted(facts.tally.streams, key=lambda each: facts.tally.flows[each.flow].source)
    made = [
        replace(
            each,
            clock_hz=48_000,
            course=Course(48_000 * (1 + off / 1e6), unsure_ppm, *(spans or {}).get(at, (0.0, 10.0))),
        )
        for at, (each, off) in enumerate(zip(ordered, ppm, strict=False))
    ]
    return replace(facts, tally=replace(facts.tally, streams=tuple(made), counted=()))


@pytest.mark.parametrize(
    ("ppm", "unsure_ppm", "outcome"),
    [
        ((0, 9.9), 0.01, PASS),
        ((0, 10.1), 0.01, CAUTION),
        ((0, -10.1), 0.01, CAUTION),
        ((0, 9.0), 1.0, UNPROVEN),  # it may be more
        ((0, 100), 20.0, CAUTION),
        ((0, 80), 20.0, UNPROVEN),
    ],
)
def test_what_is_apart_and_how_certain_it_is(sixteen, ppm, unsure_ppm, outcome):
    """Ten parts in a million, and thrice what it may be off; both clocks' doubts add up as squares do."""
    finding = judge(running(sixteen, *ppm, unsure_ppm=unsure_ppm))
    assert finding.outcome == outcome, finding.headline


def test_the_most_that_they_can_be_apart_is_told(sixteen):
    finding = judge(running(sixteen, 0, 1, unsure_ppm=0.5))
    bound = 1 + 3 * 0.5 * 2**0.5
    assert (
        finding.headline
        == f"2 senders run at one sample clock: none drifts from another by more than {bound:.1f} ppm."
    )
    assert judge(running(sixteen, 0, 0, unsure_ppm=0.001)).headline.endswith("by more than 0.1 ppm.")
    unsure = judge(running(sixteen, 0, 1, unsure_ppm=10))
    assert "2 senders may drift apart by up to 43 ppm" in unsure.headline
    figures = finding.measured
    assert (figures["senders_compared"], figures["most_apart_ppm"]) == (2, 1.0)
    assert figures["clocks"][1] == {
        "sender": mac(21), "to": "233.252.0.21:5004", "unit": "sample", "per_s": 48000.048, "meant_per_s": 48000,
        "ppm_by_the_captures_clock": 1.0, "unsure_ppm": 0.5,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("ppm", "words", "culprits"),
    [
        ((0, 30), "do not run at one clock: they drift apart by 30 ppm.", (20, 21)),
        ((0, 0, 30), "does not run at the others' clock: it drifts by 30 ppm.", (22,)),
        (
            (0, 30, 60),
            "No two of 3 senders run at one clock: they drift apart by up to 60 ppm.",
            (20, 21, 22),
        ),
        (
            (0, 0, 30, 50),
            "2 of 4 senders do not run at the others' clock: they drift by up to 50 ppm.",
            (22, 23),
        ),
    ],
)
def test_who_is_said_to_drift(sixteen, ppm, words, culprits):
    finding = judge(running(sixteen, *ppm))
    assert finding.outcome == CAUTION and finding.headline.endswith(words)
    assert set(finding.culprits) == {mac(n) for n in culprits}


def test_the_furthest_comes_first_and_eight_are_shown(sixteen):
    finding = judge(running(sixteen, *[0] * 7, *(20 * n for n in range(1, 10))))
    assert finding.headline.startswith("9 of 16 senders") and "by up to 180 ppm" in finding.headline
    strays = [each.text for each in finding.evidence if " against " in each.text]
    assert len(strays) == 8 and "180.0 ± 0.1 ppm too fast" in strays[0] and "40.0 ± 0.1" in strays[7]
    assert any(each.text == "and 1 more sender" for each in finding.evidence) and len(finding.culprits) == 9
    eight = judge(running(sixteen, *[0] * 8, *(20 * n for n in range(1, 9))))
    assert not any("more sender" in each.text for each in eight.evidence)


def test_how_often_a_sample_is_too_many_or_too_few(sixteen):
    """48 000 a second and 50 ppm: 2.4 a second, one each 0.42 s."""
    fast, slow = judge(running(sixteen, 0, 0, 50)), judge(running(sixteen, 0, 0, -50))
    assert "50.0 ± 0.1 ppm too fast against" in told(fast) and "a sample too many each 0.42 s" in told(fast)
    assert "50.0 ± 0.1 ppm too slow against" in told(slow) and "a sample too few each 0.42 s" in told(slow)


@pytest.mark.parametrize(
    ("ppm", "words"),
    [(0.49, "within 0.5 ppm"), (0.51, "0.5 ± 0.5 ppm too fast"), (-0.51, "0.5 ± 0.5 ppm too slow")],
)
def test_each_by_the_clock_of_this_capture(sixteen, ppm, words):
    finding = judge(running(sixteen, ppm, unsure_ppm=0.5))
    assert finding.outcome == UNPROVEN and f": 48 kHz, {words} by the clock of this capture" in told(finding)
    many = judge(running(sixteen, *[0] * 12))
    assert sum("which may itself be off" in each.text for each in many.evidence) == 8


@pytest.mark.parametrize(
    ("span", "together"),
    [((0.0, 10.0), True), ((1.0, 10.0), True), ((1.1, 10.0), False), ((0.0, 9.0), True), ((0.0, 8.9), False), ((0.0, 11.1), True), ((0.0, 11.2), False)],
)  # fmt: skip
def test_nine_tenths_of_the_longer_time_have_to_be_common(sixteen, span, together):
    finding = judge(running(sixteen, 0, 30, spans={1: span}))
    assert finding.outcome == (CAUTION if together else UNPROVEN)


def test_of_each_sender_the_surest_stream_counts(sixteen):
    facts = running(sixteen, 0, 30)
    other = next(each for each in facts.tally.streams if facts.tally.flows[each.flow].source == mac(21))
    surer = replace(other, course=Course(48_000.0, 0.05, 0.0, 10.0))
    both = replace(facts, tally=replace(facts.tally, streams=(*facts.tally.streams, surer)))
    assert judge(both).outcome == PASS
    doubtful = replace(other, course=Course(48_000.0, 0.2, 0.0, 10.0))
    both = replace(facts, tally=replace(facts.tally, streams=(*facts.tally.streams, doubtful)))
    assert judge(both).outcome == CAUTION


def test_many_other_rates(tmp_path):
    """Of nine streams of another rate eight are shown."""
    frames = [stream(n, 0, 1.5) for n in range(20, 31)] + [stream(n, 0, 1.5, 96_000) for n in range(40, 49)]
    finding = judge(studied(tmp_path, *frames))
    assert (
        finding.headline
        == "The streams have different sample rates: 11 streams at 48 kHz, 9 streams at 96 kHz."
    )
    assert (
        sum(each.text.endswith(": 96 kHz") for each in finding.evidence) == 8 and len(finding.culprits) == 9
    )
    assert any(each.text == "and 1 more stream" for each in finding.evidence)
