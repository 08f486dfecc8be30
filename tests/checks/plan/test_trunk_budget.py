"""Streams over links: 9.84 Mb/s each, as tests/rig/test_budget.py works out by hand."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from tests.checks.asked import asked
from tests.rig.rigs import FOH, RIG, TRUNK, cable, device, planned, sheet, stream

judge = asked("trunk-budget")
SLOW = cable("foh 8", "stage 8", 50, "speed_mbps = 100\n")


def found(*parts: str, limits: dict[str, float] | None = None) -> Finding:
    return judge(planned(replace(sheet(*RIG, *parts), limits={"trunk-budget": limits or {}})))


@pytest.mark.parametrize(("count", "outcome"), [(7, Outcome.PASS), (8, Outcome.FAIL)])
def test_seven_tenths_of_a_link(count, outcome):
    """Seven are 68.88 % of 100 Mb/s, eight 78.72 %."""
    finding = found(SLOW, *(stream(f"s{n}", "left", "desk") for n in range(count)))
    assert finding.outcome == outcome and f"stage to foh is {count * 9.84:.1f}% full" in finding.headline
    assert finding.measured["too_full"] == (["stage to foh"] if outcome == Outcome.FAIL else [])
    if outcome == Outcome.PASS:
        assert "Up to 70%, 1.1% are left." in finding.headline


def test_the_sheets_own_share_decides_and_is_told():
    streams = [stream(f"s{n}", "left", "desk") for n in range(7)]
    assert found(SLOW, *streams, limits={"share": 0.68}).outcome == Outcome.FAIL
    assert "Up to 69%, 0.1% are left." in found(SLOW, *streams, limits={"share": 0.69}).headline


def test_a_link_that_is_filled_when_another_thing_fails():
    """The spare's output then crosses the run: nine streams, all from the engine to the desk."""
    spare = device("engine b", "stage 3", "spare", 'spare_for = "engine"\n')
    for count, outcome in ((7, Outcome.PASS), (9, Outcome.CAUTION)):
        finding = found(SLOW, spare, *(stream(f"o{n}", "engine", "desk") for n in range(count)))
        assert finding.outcome == outcome
    assert (
        finding.headline == "If engine fails, stage to foh is 88.6% full (88.6 of 100 Mb/s)."
        and finding.fixes
    )


def test_a_link_that_is_full_today_is_not_told_for_each_failure():
    finding = found(SLOW, *(stream(f"s{n}", "left", "desk") for n in range(9)))
    assert finding.outcome == Outcome.FAIL and not any("If " in each.text for each in finding.evidence)


@pytest.mark.parametrize(("bits", "packet_ms", "channels", "fits"), [(24, 1.0, 10, True), (24, 1.0, 11, False), (32, 0.125, 60, True), (32, 0.125, 61, False)])  # fmt: skip
def test_a_packet_that_is_too_large(bits, packet_ms, channels, fits):
    """10 channels at 1 ms are 1440 bytes of audio, 1480 with headers; 11 are 1624. 60 of 32 bit at 125 µs are 1480, 61 are 1504."""
    also = f"bits = {bits}\npacket_time_ms = {packet_ms}\n"
    finding = found(TRUNK, stream("s", "left", "desk", channels=channels, also=also))
    assert (finding.outcome == Outcome.PASS) is fits
    assert ("“s” does not fit in a packet" in finding.headline) is not fits


def test_the_packet_that_just_fits():
    """1480 bytes are the packet of 10 channels."""
    ten = stream("s", "left", "desk", channels=10)
    assert found(TRUNK, ten, limits={"packet_bytes": 1480}).outcome == Outcome.PASS
    finding = found(TRUNK, ten, limits={"packet_bytes": 1479})
    assert finding.outcome == Outcome.FAIL and "1480 bytes, 1479 is the most" in finding.headline


def test_a_stream_without_a_way():
    finding = found(stream("s", "left", "desk"))
    assert finding.outcome == Outcome.FAIL and finding.headline == "“s” has no way to desk."
    assert finding.measured["streams_cut_off"] == 1


def test_a_sheet_that_plugs_nothing_in_tells_no_way():
    """As one that was drafted from what was heard. Where others are plugged in, one that is not was forgotten."""
    boxes = [f'[[device]]\nname = "{name}"\nkind = "box"\n' for name in ("one", "two")]
    lone = stream("s", "one", "two")
    finding = judge(planned(sheet(FOH, *boxes, lone)))
    assert finding.outcome == Outcome.UNPROVEN and finding.fixes
    assert finding.headline == "The rig sheet does not tell where one, two is plugged in."
    assert found(*boxes, lone).headline == "“s” has no way to two."


def test_no_streams_prove_nothing():
    assert found(TRUNK).outcome == Outcome.UNPROVEN
