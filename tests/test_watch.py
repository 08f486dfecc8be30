"""A standing watch on made-up hours: silent while all is well, one alarm a fault, memory that stays."""

import gc
import re
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from preflight.checks import judge_all
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.host.facts import Adapter, Counters, HostFacts
from preflight.live.keeper import Keeper
from preflight.live.standby import NS, Event
from preflight.live.watch import Watch
from tests.checks import ptp
from tests.host.trees import Tree
from tests.pieces import PIECE_NS, pieces
from tests.tally.captures import Timed, arp, broadcast, ethernet, every, mac, rtp, sap, sdp, write
from tests.wire import samples

ADAPTER = Adapter(
    "eth0", kind="ethernet", enabled=True, carrier=True, speed_mbps=1000, duplex="full", bus="pci",
    counters=Counters(carrier_changes=2),
)  # fmt: skip
HOST = HostFacts("Linux", (ADAPTER,))
TOP = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def _wall_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def healthy(start: float, end: float, first: int = 0) -> list[Timed]:
    """A clock, a stream of 20 ms packets whose numbers begin with `first`, and devices that look one another
    up."""
    sound = every(0.02, lambda n: rtp(1, "233.252.0.1", first + n, bytes(100), 960), start, end)
    talk = every(3.0, lambda n: arp(2 + n % 4, 1 + n % 5), start + 0.3, end)
    return ptp.master(20, start, end) + sound + talk


def watched(folder: Path, *frames: list[Timed]) -> tuple[Watch, list[Event]]:
    path = write(folder / "show.pcap", [one for some in frames for one in some])
    watch = Watch("eth0", HOST)
    return watch, list(events(watch, path))


def events(watch: Watch, path: Path, rounds: int = 1) -> Iterator[Event]:
    for now, batch in pieces(path, rounds):
        if batch is not None:
            watch.add(batch)
        yield from watch.judge(now, lambda: 0, lambda: 0.0)


def test_no_alarm_in_ten_healthy_minutes_and_the_status_tells_how_it_stands(tmp_path: Path) -> None:
    """All that comes repeats each minute, and so do the windows' beginnings: only the stream's numbers tell a
    minute from the next. They and its timestamps begin anew in this time, after 129 s and 478 s. Each window
    is judged at a few of its moments, never at the same ones: as on a busy computer."""
    watch, chance = Watch("eth0", HOST), Random(1)
    for now, batch in pieces(write(tmp_path / "show.pcap", healthy(0, 600, first=4_450_000))):
        if batch is not None:
            watch.add(batch)
        if now <= 20 * NS or chance.random() < 1 / 4:  # it learns first
            assert list(watch.judge(now, lambda: 0, lambda: 0.0)) == []
    status = watch.status
    assert (status.streams, status.clock, status.alarms) == (1, "ICANN 53:14", ())
    assert 50 <= status.frames_s <= 65 and status.link == "up, 1000 Mb/s, full duplex"


def test_no_alarm_while_a_recorded_rig_goes_on_and_on() -> None:
    """Two minutes of the bundled healthy rig; an hour of it gives none either: to the windows it repeats each
    20 s. Its streams begin anew every four seconds, and so does what its master says the time is, which is
    told, once."""
    watch = Watch("eth0", HOST)
    told = list(events(watch, TOP / "captures/clean-rig.pcap.gz", rounds=30))
    assert [(event.check, "jumped by 4 s" in event.headline) for event in told] == [("clock", True)]
    assert watch.status.seconds == 120 and watch.status.frames_s > 2000


def test_a_storm_is_told_once_and_when_it_is_over_and_told_again(tmp_path: Path) -> None:
    storms = [every(0.001, lambda n: broadcast(3, n), at, at + 2) for at in (30.0, 90.0)]
    _, told = watched(tmp_path, healthy(0, 120), *storms)
    said = [(event.kind, event.check) for event in told]
    assert said == [("alarm", "broadcast-storm"), ("cleared", "broadcast-storm")] * 2
    assert 30 < told[0].at_ns / NS <= 32 and 90 < told[2].at_ns / NS <= 92
    assert told[0].culprits == (mac(3),) and told[0].grave
    assert [event.severity for event in told] == ["alarm", "cleared"] * 2
    assert 42 <= told[1].at_ns / NS <= 45 and "Not seen since 00:00:3" in told[1].headline
    assert told[1].lasted_s is not None and 2 <= told[1].lasted_s < 5 and told[1].was == told[0].headline


def test_a_second_fault_of_the_kind_by_another_device_is_told_too(tmp_path: Path) -> None:
    storms = [
        every(0.001, lambda n, who=who: broadcast(who, n), at, at + 2) for who, at in ((3, 30.0), (4, 35.0))
    ]
    _, told = watched(tmp_path, healthy(0, 50), *storms)
    assert [event.culprits for event in told if event.kind == "alarm"][:1] == [(mac(3),)]
    assert any(mac(4) in event.culprits for event in told)


def test_a_lost_clock_and_lost_packets_are_told(tmp_path: Path) -> None:
    sound = every(0.02, lambda n: rtp(1, "233.252.0.1", n, bytes(100), 960), 0, 90)
    gap = [frame for frame in sound if not 60 <= frame[0] < 60.5]
    _, told = watched(tmp_path, ptp.master(20, 0, 40), gap)
    alarms = {event.check: event.at_ns / NS for event in told if event.kind == "alarm"}
    assert set(alarms) == {"clock", "stream-health"}
    assert [event.headline for event in told if event.check == "clock" and event.kind == "alarm"] == [
        "The clock was lost. It has not come back."
    ]
    assert 42 <= alarms["clock"] <= 44.5  # the last is announced at 39 s; given up after three seconds
    assert 60.5 <= alarms["stream-health"] <= 62.5


def stream(sender: int, group: str, start: float, end: float) -> list[Timed]:
    first = int(start * 50)
    return every(0.02, lambda n: rtp(sender, group, n + first, bytes(100), 960), start, end)


def test_an_alarm_stands_until_what_stopped_is_back_and_says_so(tmp_path: Path) -> None:
    """A stream of two stops and comes back when no window remembers it; the clock goes and comes back;
    another stream stays away."""
    others = ptp.master(20, 0, 40) + ptp.master(20, 55, 130) + stream(2, "233.252.0.2", 0, 130)
    back = stream(1, "233.252.0.1", 0, 30) + stream(1, "233.252.0.1", 90, 130)
    watch, told = watched(tmp_path, others, back, stream(3, "233.252.0.3", 0, 100))
    cleared = {event.check: event for event in told if event.severity == "cleared"}
    assert set(cleared) == {"clock", "stream-health"}
    assert re.fullmatch(rf"the clock .*\({mac(20)}\) is back\.", cleared["clock"].headline)
    assert cleared["clock"].was == "The clock was lost."
    assert cleared["clock"].lasted_s == pytest.approx(16, abs=1) and cleared["clock"].at_ns < 62 * NS
    stopped, again = (event for event in told if event.check == "stream-health" and event.kind == "alarm")
    assert "233.252.0.1 port" in stopped.seen and stopped.seen.endswith("stopped at 00:00:30")
    assert "233.252.0.1 port" in cleared["stream-health"].headline
    assert cleared["stream-health"].headline.endswith("is back.")
    assert cleared["stream-health"].lasted_s == pytest.approx(60, abs=2)
    assert "233.252.0.3 port" in again.seen and watch.status.alarms == (again,)
    assert watch.status.state == "alarm"  # its sender is not heard any more, either


def test_names_that_were_told_long_ago_are_still_known(tmp_path: Path) -> None:
    """A stream is announced, and a device tells its name, minutes before the stream stops and comes back."""
    told_once = [
        (1.0, sap(1, sdp("Monitors", "233.252.0.1"))),
        (2.0, bytes(samples.lldp(src=mac(1), name="box-left"))),
    ]
    sound = stream(1, "233.252.0.1", 0, 60) + stream(1, "233.252.0.1", 70, 90)
    _, told = watched(tmp_path, told_once, sound, stream(2, "233.252.0.2", 0, 90), ptp.master(20, 0, 90))
    events = [event for event in told if event.check == "stream-health"]
    assert "“Monitors” to 233.252.0.1 port 5004 from box-left" in events[0].seen
    assert events[0].headline.startswith("“Monitors” (1 of 2 streams) ")
    assert events[-1].headline.startswith("“Monitors” to 233.252.0.1 port 5004 from box-left")
    assert events[-1].headline.endswith("is back.")


def test_a_name_that_is_learnt_is_no_other_fault(tmp_path: Path) -> None:
    """A stream is announced by another after it has stopped: the alarm has its name from then on, and is not
    told again."""
    sound = stream(1, "233.252.0.1", 0, 30), stream(2, "233.252.0.2", 0, 36), ptp.master(20, 0, 36)
    watch, told = watched(tmp_path, *sound, [(33.0, sap(9, sdp("Monitors", "233.252.0.1")))])
    (alarm,) = (event for event in told if event.check == "stream-health")
    assert "233.252.0.1 port 5004 (1 of 2 streams)" in alarm.headline
    (now,) = (event for event in watch.status.alarms if event.check == "stream-health")
    assert now.headline.startswith("“Monitors” (1 of 2 streams)") and now.at_ns == alarm.at_ns


def test_a_graver_fault_in_the_same_check_is_told_and_the_milder_one_again_is_not(tmp_path: Path) -> None:
    """A stream pauses, and then loses packets."""
    sound = [frame for frame in stream(1, "233.252.0.1", 0, 90) if not 60 <= frame[0] < 60.5]
    paused = [(at + (0.3 if at >= 55 else 0), frame) for at, frame in sound]
    _, told = watched(tmp_path, ptp.master(20, 0, 90), paused, stream(2, "233.252.0.2", 0, 90))
    said = [event.severity for event in told if event.check == "stream-health"]
    assert said == ["caution", "alarm", "cleared"]


def numbered(end: float, lost: set[int]) -> list[Timed]:
    """A flow of no standard kind, with a counter of 16 bits: that it counts shows after 300 frames."""
    noise = Random(1)

    def frame(n: int) -> bytes:
        return ethernet(
            "01:00:5e:90:10:07", mac(7), 0x88B5, b"\1\2" + n.to_bytes(2, "big") + noise.randbytes(600)
        )

    return [(n / 200, frame(n)) for n in range(int(end * 200)) if n not in lost]


def test_a_flow_that_is_known_to_count_only_later_is_one_fault(tmp_path: Path) -> None:
    """Packets are missing before the watch knows that the flow counts them: another check tells of them then.
    Later ones are another fault."""
    lost, later = {*range(140, 145), *range(180, 189)}, {*range(7000, 7020)}
    _, told = watched(tmp_path, stream(2, "233.252.0.2", 0, 50), numbered(50, lost | later))
    said = [(event.severity, event.check, event.at_ns // (10 * NS)) for event in told]
    assert said == [
        ("alarm", "beat-health", 0),
        ("cleared", "beat-health", 1),
        ("alarm", "stream-health", 3),
        ("cleared", "stream-health", 4),
    ]


def test_a_stranger_that_keeps_quiet_is_not_over(tmp_path: Path) -> None:
    """A DHCP server answers once, and is then heard by ARP only; when that ends, too, it counts as gone."""
    server = [(30.0, bytes(samples.offer())), *every(4.0, lambda _: arp(66, 1), 31.0, 100)]
    _, told = watched(tmp_path, healthy(0, 150), server)
    said = [(event.severity, event.at_ns / NS) for event in told if event.check == "stray-dhcp"]
    assert [severity for severity, _ in said] == ["alarm", "cleared"]
    assert said[0][1] <= 32 and 110 <= said[1][1] <= 125
    assert told[-1].headline.startswith("Not heard since 00:01:35: ") and mac(66) in told[-1].headline


def test_frames_that_are_handed_over_a_moment_late_are_not_uneven(tmp_path: Path) -> None:
    """The system hands frames over in blocks, a tenth of a second late. Windows begin meanwhile."""
    sound = every(0.001, lambda n: rtp(1, "233.252.0.1", n, bytes(288)), 0, 32)
    path = write(tmp_path / "show.pcap", ptp.master(20, 0, 32) + sound)
    watch, told = Watch("eth0", HOST), []
    for now, batch in pieces(path):
        if batch is not None:
            watch.add(batch)
        told += watch.judge(now + NS // 10, lambda: 0, lambda: 0.0)
    assert told == [] and watch.status.streams == 1


def test_nothing_is_well_where_nothing_is_heard(tmp_path: Path) -> None:
    watch = Watch("eth0", HOST)
    assert watch.status.state == "listening"
    path = write(tmp_path / "show.pcap", [*healthy(0, 30), *healthy(80, 100)])
    told, last = [], 0
    for now, batch in pieces(path):
        for at in range(last + PIECE_NS, now + 1, PIECE_NS):  # time goes on
            if at == now and batch is not None:
                watch.add(batch)
            told += watch.judge(at, lambda: 0, lambda: 0.0)
        last = now
    silence = [event for event in told if event.kind == "silence"]
    assert [event.severity for event in silence] == ["caution", "cleared"]
    assert 59 <= silence[0].at_ns / NS <= 62 and silence[1].lasted_s == pytest.approx(50, abs=1.5)


def test_new_devices_are_told_and_a_flood_of_them_is_not_listed(tmp_path: Path) -> None:
    late = [(30.0, arp(9, 1))]
    flood = [
        (40 + n / 1000, arp(0, 1)[:6] + bytes((2, 0, 0x5E, 0, 0x53, n)) + arp(0, 1)[12:]) for n in range(60)
    ]
    _, told = watched(tmp_path, healthy(0, 50), late, flood)
    assert "00:00:5e:00:53:09" in told[0].headline and told[0].kind == "device"
    assert sum(event.kind == "device" for event in told) == 11 and "51 more" in told[10].headline


def test_what_the_link_does_is_told() -> None:
    def now(**changes) -> HostFacts:
        return HostFacts("Linux", (replace(ADAPTER, **changes),))

    watch = Watch("eth0", HOST)
    said = [
        [event.headline for event in watch.look(host, 0)]
        for host in (
            now(), now(speed_mbps=100), now(speed_mbps=100, counters=Counters(carrier_changes=4)), now(carrier=False),
            now(carrier=False), HostFacts("Linux"), now(),
        )
    ]  # fmt: skip
    assert said == [
        [],
        ["The link fell from 1000 to 100 Mb/s."],
        ["The link went down and came back."],
        ["The link of eth0 is down."],
        [],
        ["The adapter eth0 is gone."],
        ["The link is up again: up, 1000 Mb/s, full duplex."],
    ]


def test_a_link_that_loses_speed_is_told_from_the_systems_own_files(tmp_path: Path) -> None:
    def now(speed: int) -> HostFacts:
        tree = Tree(tmp_path / str(speed))
        tree.add("eth0", {"carrier": 1, "speed": speed, "duplex": "full"})
        return tree.read()

    fast = now(1000)
    watch = Watch("eth0", fast)
    assert watch.look(fast, 0) == []
    [event] = watch.look(now(100), 5 * NS)
    assert (event.headline, event.kind, event.grave) == ("The link fell from 1000 to 100 Mb/s.", "link", True)


def test_queues_are_reckoned_with_the_rate_of_the_link_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A burst at 600 Mb/s, in the first window and in one that began after the link had fallen from 1000 to
    100 Mb/s."""
    judged: list[Facts] = []
    monkeypatch.setattr(
        "preflight.live.watch.judge_all",
        lambda facts, **more: judged.append(facts) or judge_all(facts, **more),
    )
    bursts = [every(20e-6, lambda n: rtp(1, "233.252.0.1", n, bytes(1446)), at, at + 0.01) for at in (1, 25)]
    path = write(tmp_path / "show.pcap", [*healthy(0, 28), *bursts[0], *bursts[1]])
    slow = HostFacts("Linux", (replace(ADAPTER, speed_mbps=100),))
    watch = Watch("eth0", HOST)
    for now, batch in pieces(path):
        if batch is not None:
            watch.add(batch)
        if now == 2 * NS:
            watch.look(slow, now)
        watch.judge(now, lambda: 0, lambda: 0.0)
    held = [facts.tally.rates.queue_bytes for facts in judged if facts.tally]
    assert max(held[:4]) < 3000 and held[-1] > 500_000, held
    for host, least, most in ((HOST, 0, 3000), (slow, 500_000, 1_000_000)):
        watch = Watch("eth0", host)
        list(events(watch, path))
        tally = watch.whole(SourceFacts("live", "eth0", 1)).tally
        assert tally is not None and least <= tally.rates.queue_bytes < most


def test_memory_is_that_of_its_windows_however_long_it_stands(tmp_path: Path) -> None:
    path = write(tmp_path / "show.pcap", healthy(0, 20))
    watch = Watch("eth0", HOST)
    keeper = Keeper(tmp_path / "kept", "eth0", 0, 0)
    sizes, now = [], 0
    try:
        for now, batch in pieces(path, rounds=8):  # the stream begins anew in each
            if now == 60 * NS:  # by now each window was made anew; what was held before is no growth
                tracemalloc.start()
            if batch is not None:
                watch.add(batch)
                keeper.add(batch, now)
            if now % NS == 0:
                watch.judge(now, lambda: 0, lambda: 0.0)
            if now % (20 * NS) == 0:
                gc.collect()
                sizes.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    keeper.close(now)
    # Less than a kilobyte a second, in the minute after all that goes by turns was made anew once more.
    assert len(sizes) == 8 and max(sizes[5:]) - sizes[4] < 50_000, sizes


@pytest.mark.parametrize(("ppm", "told"), [(60, True), (0, False)])
def test_senders_that_run_free_are_told_as_soon_as_it_is_certain(
    tmp_path: Path, ppm: float, told: bool
) -> None:
    def sound(sender: int, off: float) -> list[Timed]:
        random = Random(sender)
        packets = every(0.004, lambda n: rtp(sender, f"233.252.0.{sender}", n, bytes(768), 192), 0.1, 40)
        return [(at * (1 - (off - 30) * 1e-6) + random.expovariate(2e4), data) for at, data in packets]

    _, seen = watched(tmp_path, ptp.master(20, 0, 40), sound(1, 0), sound(2, ppm), sound(3, 0))
    alarms = [event for event in seen if event.check == "sample-clock"]
    assert len(alarms) == told
    if told:
        assert alarms[0].at_ns / NS < 21 and "does not run at the others' clock" in alarms[0].headline
