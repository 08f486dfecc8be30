"""Streams over links: 9.84 Mb/s each, as tests/rig/test_budget.py works out by hand."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Finding, Outcome
from tests.checks.asked import asked
from tests.rig.rigs import FOH, RIG, SNOOPS, STAGE, TRUNK, cable, device, planned, sheet, stream

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
    """10 channels at 1 ms are 1440 bytes of audio, 1480 with headers; 11 are 1624. 60 of 32 bit at 125 µs are
    1480, 61 are 1504."""
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


def test_no_streams_prove_nothing():
    assert found(TRUNK).outcome == Outcome.UNPROVEN


# A box of 100 Mb/s that gets one stream, beside nine that are not for it: 9.84 Mb/s each.
NINE = [stream(f"s{n}", "left", "desk", "engine", also=f'group = "233.252.0.{n + 1}"\n') for n in range(9)]
BOX = (
    device("small", "foh 3"),
    cable("small", "foh 3", 5, "speed_mbps = 100\n"),
    stream("own", "left", "small", also='group = "233.252.0.100"\n'),
)
UNMANAGED = "managed = false\n"


def flooded(foh: str, stage: str = SNOOPS, *more: str) -> Finding:
    rig = sheet(FOH + foh, STAGE + stage, *RIG[2:], TRUNK, *BOX, *NINE, *more)
    return judge(planned(rig))


@pytest.mark.parametrize("known", ["igmp_snooping = false\n", UNMANAGED])
def test_a_box_of_100_mbps_drowns_behind_a_switch_that_does_not_snoop(known):
    finding = flooded(known)
    assert finding.outcome == Outcome.FAIL
    assert finding.headline == "foh to small is 98.4% full (98.4 of 100 Mb/s)."
    assert finding.measured["too_full"] == ["foh to small"]


@pytest.mark.parametrize("known", [SNOOPS, SNOOPS + UNMANAGED, SNOOPS + "managed = true\n"])
def test_a_box_of_100_mbps_is_well_behind_one_that_does(known):
    finding = flooded(known)
    assert finding.outcome == Outcome.PASS and "taken not to" not in finding.headline


@pytest.mark.parametrize("unknown", ["", "managed = true\n"])
def test_where_the_sheet_does_not_tell_the_worse_case_is_said_with_its_if(unknown):
    finding = flooded(unknown)
    assert finding.outcome == Outcome.CAUTION
    assert finding.headline == "If foh does not snoop, foh to small is 98.4% full (98.4 of 100 Mb/s)."
    assert finding.fixes[0].startswith("foh: is IGMP snooping on? Write igmp_snooping = true")
    assert "managed = false" in finding.fixes[0]
    assert (finding.measured["too_full"], finding.measured["too_full_if_flooded"]) == ([], ["foh to small"])


def test_who_lies_on_the_way_of_the_flood_is_named():
    """Behind the stage switch it takes both."""
    far = (device("far", "stage 3"), cable("far", "stage 3", 5, "speed_mbps = 100\n"))
    back = [
        stream(f"b{n}", "engine", "desk", "small", also=f'group = "233.252.1.{n + 1}"\n') for n in range(8)
    ]
    finding = flooded("", "", *far, *back)
    far_away = next(each.text for each in finding.evidence if "stage to far" in each.text)
    assert far_away.startswith("If foh, stage do not snoop, stage to far is ")
    assert "stage to far" not in str(flooded("", SNOOPS, *far, *back))


def test_what_fits_even_when_flooded_passes_and_says_what_was_taken():
    more = (TRUNK, *NINE, stream("t", "engine", "left", also='group = "233.252.0.99"\n'))
    finding = judge(planned(sheet(*RIG, *more)))
    assert finding.outcome == Outcome.PASS
    assert finding.headline.startswith("The fullest link, foh to desk is 9.8% full")
    assert finding.headline.endswith(" foh: taken not to snoop, for the sheet does not tell.")
    known = judge(planned(sheet(FOH + SNOOPS, STAGE + SNOOPS, *RIG[2:], *more)))
    assert "8.9% full" in known.headline and "snoop" not in known.headline


def test_unicast_is_not_flooded():
    one = [stream(f"s{n}", "left", "desk") for n in range(60)]
    rig = sheet(*RIG, TRUNK, *BOX[:2], *one)
    assert judge(planned(rig)).outcome == Outcome.PASS


def test_steps_are_those_that_the_switches_can_do():
    plain = flooded(UNMANAGED, UNMANAGED)
    assert not any("snooping on" in step for step in plain.fixes)
    assert any(step.startswith("It sends multicast to every port.") for step in plain.fixes)
    known = flooded("igmp_snooping = false\nmanaged = true\n", SNOOPS + "managed = true\n")
    assert any(step.startswith("Turn IGMP snooping on") for step in known.fixes)
    assert not any("It sends multicast to every" in step for step in known.fixes)


def test_a_sheet_that_plugs_nothing_in_shows_no_stream_without_a_way():
    """As one that was learned, which knows no ports."""
    loose = [f'[[device]]\nname = "{name}"\nkind = "box"\n' for name in ("a", "b")]
    finding = judge(planned(sheet(FOH, *loose, stream("s", "a", "b"))))
    assert finding.outcome == Outcome.UNPROVEN
    assert finding.fixes == ("Write each device's port on the rig sheet.",)
    one = found(TRUNK, loose[0], stream("s", "left", "desk", "a"))
    assert one.outcome == Outcome.FAIL and one.headline == "“s” has no way to a."
    assert one.fixes == ("Write each device's port on the rig sheet.",)


def test_at_the_share_itself_a_link_is_not_too_full():
    """Seven streams of 9.84 Mb/s on 100 Mb/s: 0.6888 exactly. So in what is sure, and in what fails."""
    sent = [stream(f"s{n}", "left", "desk") for n in range(7)]
    [way] = [each for each in planned(sheet(*RIG, SLOW, *sent)).budget.ways if each.name == "stage to foh"]
    assert way.share == pytest.approx(0.6888) and found(SLOW, *sent).measured["busiest_share"] == 0.6888
    assert found(SLOW, *sent, limits={"share": way.share}).outcome == Outcome.PASS
    assert found(SLOW, *sent, limits={"share": way.share - 1e-6}).outcome == Outcome.FAIL


def test_at_the_share_itself_no_failure_fills_it():
    spare = device("engine b", "stage 3", "spare", 'spare_for = "engine"\n')
    out = [stream(f"o{n}", "engine", "desk") for n in range(9)]
    rig = sheet(*RIG, SLOW, spare, *out)
    [share] = {each.surest.sure_share for each in planned(rig).budget.failures if each.what == "engine"}
    assert share == pytest.approx(9 * 0.0984)
    assert found(SLOW, spare, *out, limits={"share": share}).outcome == Outcome.PASS
    assert found(SLOW, spare, *out, limits={"share": share - 1e-6}).outcome == Outcome.CAUTION


def test_at_the_share_itself_no_flood_fills_it():
    rig = sheet(FOH, STAGE + SNOOPS, *RIG[2:], TRUNK, *BOX, *NINE)
    [way] = [each for each in planned(rig).budget.ways if each.name == "foh to small"]

    def at(share: float) -> Finding:
        return judge(planned(replace(rig, limits={"trunk-budget": {"share": share}})))

    assert way.share == pytest.approx(0.984) and at(way.share).outcome == Outcome.PASS
    assert at(way.share - 1e-6).outcome == Outcome.CAUTION


def test_the_fullest_of_several_leads():
    other = device("slower", "stage 3"), cable("slower", "stage 3", 5, "speed_mbps = 10\n")
    finding = found(SLOW, *other, *(stream(f"s{n}", "slower", "desk") for n in range(8)))
    assert finding.outcome == Outcome.FAIL and finding.headline.startswith("slower to stage is 787.2% full")
    assert finding.measured["too_full"] == ["slower to stage", "stage to foh"]
    assert finding.measured["busiest_share"] == 7.872
