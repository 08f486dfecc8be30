"""One sample clock: what drifts for certain, what only seems to, and rates that differ."""

from dataclasses import replace
from random import Random

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
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
        "The streams have different sample rates: 2 streams at 48 kHz, 1 stream at 44.1 kHz, 1 stream at 96 kHz."
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
