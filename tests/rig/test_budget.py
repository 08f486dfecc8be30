"""The budget's arithmetic beside published numbers, sums done by hand and the lab's measured load; failures
of small rigs."""

from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.checks import judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.facts import Facts
from preflight.rig.budget import on_the_wire, packet, plan
from preflight.rig.picture import svg
from preflight.rig.read import parse
from preflight.rig.sheet import Sheet, Stream
from preflight.rig.template import TEMPLATE
from preflight.study import study
from tests.rig.rigs import FOH, RIG, SNOOPS, STAGE, TRUNK, cable, device, planned, sheet, stream

CAPTURES = Path(__file__).parents[2] / "captures"


def judged(rig: Sheet) -> dict[str, Finding]:
    return {finding.check: finding for finding in judge_all(planned(rig))}


# RFC 5180 appendix A.1 and RFC 2544 appendix B: frames a second that gigabit carries, by bytes with check
# sequence.
@pytest.mark.parametrize(
    ("frame", "per_s"),
    [
        (64, 1488095),
        (128, 844594),
        (256, 452898),
        (512, 234962),
        (1024, 119731),
        (1280, 96153),
        (1518, 81274),
    ],
)
def test_frame_rates_of_rfc_5180(frame, per_s):
    assert int(1e9 / 8 / on_the_wire(frame)) == per_s


def test_a_packet_of_eight_channels_worked_by_hand():
    """AES67's usual packet: 48 samples of 8 channels of 24 bit are 48 * 8 * 3 = 1152 bytes of audio. With RTP
    12, UDP 8, IPv4 20, Ethernet 14 and check sequence 4: 1210. With preamble 8 and gap 12: 1230 bytes, 1000
    times a second: 9.84 Mb/s. A VLAN tag is 4 bytes more: 9.872 Mb/s."""
    one = packet(Stream("s", "a", ("b",), channels=8))
    assert (one.media, one.ip, one.frame, one.wire()) == (1152, 1192, 1210, 1230)
    assert one.bits_per_s() == 9_840_000 and one.bits_per_s(tagged=True) == 9_872_000


def test_other_packets_worked_by_hand():
    """2 channels of 125 us: 6 * 2 * 3 = 36 bytes, 94 in the frame, 114 on the cable, 8000 a second. 1 channel
    of 16 bit at 48 kHz and 125 us: 12 bytes; 70 in the frame, which is more than the 64 of the smallest."""
    short = packet(Stream("s", "a", ("b",), channels=2, packet_time_ms=0.125))
    assert (short.media, short.frame, short.wire(), short.per_s) == (36, 94, 114, 8000)
    assert short.bits_per_s() == 114 * 8 * 8000
    assert packet(Stream("s", "a", ("b",), channels=1, bits=16, packet_time_ms=0.125)).frame == 70
    assert packet(Stream("s", "a", ("b",), channels=1, sample_rate_hz=8000, packet_time_ms=0.125)).frame == 64


def test_the_measured_load_of_the_lab_within_one_percent():
    """66 streams of 10 channels to the desk's port, as tests/lab recorded them."""
    streams = [stream(f"s{n}", "left" if n % 2 else "right", "desk", channels=10) for n in range(66)]
    [to_desk] = [way for way in plan(sheet(*RIG, TRUNK, *streams)).ways if way.receiver == "desk"]
    facts = study(str(CAPTURES / "link-load.pcap.zst"))
    streamed = {s.flow for s in facts.tally.streams}
    flows = [flow for number, flow in enumerate(facts.tally.flows) if number in streamed]
    seconds = max(f.last_s for f in flows) - min(f.first_s for f in flows)
    measured_mbps = sum(flow.bytes for flow in flows) * 8 / 1e6 / seconds
    assert len(flows) == 66
    assert to_desk.bits_per_s / 1e6 == pytest.approx(measured_mbps, rel=0.01)
    assert to_desk.share == pytest.approx(0.801, abs=0.001)
    assert judged(sheet(*RIG, TRUNK, *streams))["trunk-budget"].outcome == Outcome.FAIL


def test_a_stream_crosses_each_link_once_however_many_get_it():
    known = (FOH + SNOOPS, STAGE + SNOOPS, *RIG[2:], TRUNK)
    budget = plan(sheet(*known, stream("s", "left", "desk", "engine", also='group = "233.252.0.1"')))
    loaded = {way.name: way.bits_per_s for way in budget.ways if way.streams}
    assert loaded == dict.fromkeys(
        ("left to stage", "stage to foh", "foh to desk", "foh to engine"), 9_840_000
    )


def test_a_switch_without_snooping_floods_it():
    rig = (FOH + "igmp_snooping = false\n", STAGE + SNOOPS, *RIG[2:], TRUNK)
    budget = plan(sheet(*rig, stream("s", "engine", "desk", also='group = "233.252.0.1"')))
    loaded = {way.name for way in budget.ways if way.streams}
    # The stage switch snoops, and passes it on to nobody.
    assert loaded == {"engine to foh", "foh to desk", "foh to stage"}


def test_the_delay_of_a_path_worked_by_hand():
    """1218 bytes with preamble take 9.744 us at each of three hops; 50 m of cable take 0.25 us. At worst a
    largest frame, 1538 bytes or 12.304 us, goes first at each hop."""
    [path] = plan(sheet(*RIG, TRUNK, stream("s", "left", "desk"))).paths
    assert path.hops == ("left", "stage", "foh", "desk")
    assert path.delay_us == pytest.approx(3 * 9.744 + 0.25)
    assert path.worst_us == pytest.approx(3 * (9.744 + 12.304) + 0.25)
    assert not path.lengths_known


def test_the_worst_burst_delays_the_others():
    two = plan(sheet(*RIG, TRUNK, stream("s", "left", "desk"), stream("t", "right", "desk")))
    trunk = next(way for way in two.ways if way.name == "stage to foh")
    assert trunk.burst_us == pytest.approx(2 * 1230 * 8 / 1000)
    one = plan(sheet(*RIG, TRUNK, stream("s", "left", "desk")))
    # The other stream's packet goes first on the two links that both take.
    assert two.paths[0].worst_us - one.paths[0].worst_us == pytest.approx(2 * 9.84)


def test_a_second_run_with_spanning_tree_survives():
    second = cable("foh 7", "stage 7", 80)
    guarded = (FOH + "spanning_tree = true\n", STAGE + "spanning_tree = true\n", *RIG[2:], TRUNK, second)
    budget = plan(sheet(*guarded, stream("s", "left", "desk")))
    runs = [failure for failure in budget.failures if failure.kind == "cable"]
    assert len(runs) == 2 and not any(f.lost_streams or f.lost_devices for f in runs)
    assert (
        sum(way.bits_per_s for way in budget.ways if way.name == "stage to foh") == 9_840_000
    )  # one of them waits


def test_a_ring_of_three_switches():
    third = '[[switch]]\nname = "roof"\nports = 8\n'
    ring = (TRUNK, cable("stage 7", "roof 1"), cable("roof 2", "foh 7"))
    [(names, safe)] = plan(sheet(*RIG, third, *ring)).rings
    assert set(names) == {"foh", "stage", "roof"} and not safe


def test_an_engine_and_its_spare():
    streams = (
        stream("in", "left", "engine", "engine b", also='group = "233.252.0.1"'),
        stream("out", "engine", "desk"),
    )
    spare = device("engine b", "stage 3", "spare", 'spare_for = "engine"\n')
    [failure] = [f for f in plan(sheet(*RIG, TRUNK, spare, *streams)).failures if f.kind == "engine"]
    assert failure.takes_over == "engine b" and not failure.lost_streams

    [failure] = [
        f for f in plan(sheet(*RIG, TRUNK, stream("out", "engine", "desk"))).failures if f.kind == "engine"
    ]
    assert failure.takes_over is None and failure.lost_streams == (("out", "desk"),)


def test_the_empty_sheet_and_the_template_are_planned():
    assert plan(Sheet("x")).ways == ()
    assert {f.outcome for f in judged(Sheet("x")).values()} <= {Outcome.PASS, Outcome.UNPROVEN}
    assert not any(f.headline.startswith("This check broke") for f in judged(Sheet("x")).values())
    found = judged(parse(TEMPLATE))
    assert {check for check, f in found.items() if f.outcome != Outcome.PASS} == {"topology"}


def test_plan_checks_stay_silent_where_the_network_is_judged():
    rig = sheet(*RIG, cable("foh 8", "stage 8", 300))
    assert "cable-length" not in {f.check for f in judge_all(Facts(sheet=rig))}


def test_the_picture_is_a_document_with_everything_in_it():
    rig = sheet(
        *RIG,
        TRUNK,
        device("<b>&", "stage 6"),
        '[[device]]\nname = "loose"\nkind = "box"\n',
        stream("s", "left", "desk"),
    )
    drawn = ElementTree.fromstring(svg(rig, plan(rig)))
    words = " ".join(drawn.itertext())
    for name in ("desk", "engine", "left", "<b>&", "loose", "50 m copper", "1.0% to foh", "not plugged in"):
        assert name in words
    width, height = (float(each) for each in drawn.get("viewBox").split()[2:])
    for box in drawn.iter("{http://www.w3.org/2000/svg}rect"):
        assert float(box.get("x", 0)) + float(box.get("width")) <= width
        assert float(box.get("y", 0)) + float(box.get("height")) <= height


@st.composite
def trees(draw):
    """A rig without rings: switches in a random tree, devices on them, streams between."""
    switches = draw(st.integers(1, 5))
    parts = [f'[[switch]]\nname = "s{n}"\nports = 64\n{SNOOPS}' for n in range(switches)]
    parts += [cable(f"s{n} {n}", f"s{draw(st.integers(0, n - 1))} {20 + n}") for n in range(1, switches)]
    devices = draw(st.integers(2, 6))
    parts += [device(f"d{n}", f"s{draw(st.integers(0, switches - 1))} {40 + n}") for n in range(devices)]
    for n in range(draw(st.integers(1, 5))):
        sender, *receivers = draw(st.permutations(range(devices)))[: draw(st.integers(2, devices))]
        parts.append(
            stream(
                f"x{n}", f"d{sender}", *(f"d{each}" for each in receivers), channels=draw(st.integers(1, 10))
            )
        )
    return sheet(*parts)


@settings(max_examples=60, deadline=None)
@given(trees())
def test_a_way_carries_what_starts_on_one_side_of_it_and_is_wanted_on_the_other(rig):
    """Without graph algorithms: take the cable away, and see by flooding who is on which side."""
    budget = plan(rig)
    edges = [(way.sender, way.receiver) for way in budget.ways]
    for way in budget.ways:
        side, waiting = {way.sender}, [way.sender]
        while waiting:
            at = waiting.pop()
            for a, b in edges:
                if a == at and b not in side and {a, b} != {way.sender, way.receiver}:
                    side.add(b)
                    waiting.append(b)
        crossing = [s for s in rig.stream if s.sender in side and not side.issuperset(s.receivers)]
        assert set(way.streams) == {s.name for s in crossing}
        # Sums by hand once more: 144 bytes of audio a channel, 78 beside it.
        assert way.bits_per_s == sum((144 * s.channels + 78) * 8 * 1000 for s in crossing)
    for path in budget.paths:
        assert 0 < path.delay_us < path.worst_us
    assert len(budget.paths) == sum(len(s.receivers) for s in rig.stream)


FIRST = cable("foh 8", "stage 8", 50, 'lag = "run"\nname = "the long run"\n')
SECOND = cable("foh 7", "stage 7", 50, 'lag = "run"\n')


def test_two_cables_that_act_as_one():
    """80 streams of 9.84 Mb/s are 787.2 Mb/s: 39.4 % of both, 78.7 % of the one that is left when the other
    fails."""
    rig = sheet(*RIG, FIRST, SECOND, *(stream(f"s{n}", "left", "desk") for n in range(40)), *(stream(f"t{n}", "right", "engine") for n in range(40)))  # fmt: skip
    budget = plan(rig)
    trunk = next(way for way in budget.ways if way.name == "stage to foh")
    assert trunk.capacity_mbps == 2000 and trunk.share == pytest.approx(0.3936)
    assert budget.rings == () and budget.free_ports == {"foh": 4, "stage": 4}
    runs = [failure for failure in budget.failures if failure.kind == "cable"]
    assert [failure.lost_streams for failure in runs] == [(), ()]
    assert [failure.busiest.share for failure in runs] == [pytest.approx(0.7872)] * 2
    finding = judged(rig)["trunk-budget"]
    assert finding.outcome == Outcome.CAUTION
    assert "If the long run (foh 8 to stage 8) fails, stage to foh is 78.7% full" in finding.headline
    assert "2 cables as one" in svg(rig, budget) and "stands by" not in svg(rig, budget)


def test_the_time_of_each_hop():
    """As above: 9.744 us to send at each of three hops, and 0.25 us for 50 m."""
    [path] = plan(sheet(*RIG, TRUNK, stream("s", "left", "desk"))).paths
    assert path.hop_us == pytest.approx((9.744, 9.744 + 0.25, 9.744))
