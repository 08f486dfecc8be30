"""The table of the drill: each fault, what must be found and who is to blame, in several sizes and places,
and healthy variants that look like trouble. All of it is written by hand, from what is done to the rig or to
the computer.
"""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from preflight.facts import Facts
from tests.lab import bundled, faults, frames, live, record, scene, senders
from tests.lab.computers import AUDIO, CONTROL, computer
from tests.lab.live import linechecked
from tests.lab.record import Capture
from tests.lab.rig import DEVICES, Rig, mac

BEGINS_S = 1.0  # a timed fault begins this long after the recording
# What a loop takes with it.
DROWNED = ("broadcast-storm", "multicast-storm", "link-load", "stream-health", "beat-health", "clock")

# What is judged: a recording, a computer, or the result of a line check as scripts get it.
Material = Capture | Facts | Mapping


@dataclass(frozen=True)
class Variant:
    """`must` are the culprits to name, `may` others that can be named rightly; with neither, nobody is to
    blame."""

    label: str
    make: Callable[[], Material]
    must: frozenset[str] = frozenset()
    may: frozenset[str] = frozenset()
    short: bool = False


@dataclass(frozen=True)
class Fault:
    """`check` must end in `outcome`; `symptoms` are checks that may fail with it. `timed` where it begins
    `BEGINS_S` after the recording, so that the listening it took can be told."""

    name: str
    check: str
    variants: tuple[Variant, ...]
    symptoms: tuple[str, ...] = ()
    outcome: str = "fail"
    timed: bool = True


def heard(
    break_it: Callable[[Rig], object] | None = None,
    *,
    places: tuple[tuple[str, str], ...] = (("desk", "eth0"),),
    seconds: float = 4.0,
    streams: dict[str, str] | None = None,
    clock: bool = False,
    wait_s: float | None = None,
    count: int | None = None,
    snap: int = record.FULL,
    **rig_options: bool,
) -> Callable[[], Capture]:
    """A recording of the show, broken by `break_it`. Two places are merged as a mirror port would."""

    def make() -> Capture:
        with Rig(**rig_options) as rig:
            settle = wait_s if wait_s is not None else scene.CLOCK_WAIT_S if clock else 1.5
            scene.play(rig, seconds, streams=streams or {}, clock=clock, wait_s=settle)

            def during() -> None:
                time.sleep(BEGINS_S)
                if break_it:
                    break_it(rig)

            captures = record.listen(rig, places, seconds, during=during, snap=snap)
            capture = captures[0] if len(captures) == 1 else record.merge(captures)
            return capture.first(count) if count else capture

    return make


def macs(*names: str) -> frozenset[str]:
    return frozenset(mac(DEVICES[name][2]) for name in names)


MIRROR = (("foh", "trunk"), ("foh", "desk"))
TRUNK = (("foh", "trunk"),)
ON_STAGE = (("box-right", "eth0"),)
STATIONS = frozenset({faults.STATION, faults.OTHER_STATION})
POCKETS = frozenset(faults.POCKETS)
THIS = frozenset({AUDIO})
VETH = frozenset({"eth0"})
FOH, DESK_PORT = frozenset({mac(0xF0)}), frozenset({mac(0xF1)})


def gap(rig: Rig) -> None:
    faults.stream(rig, skip=list(range(1000, 1030)))


def slow_loop(rig: Rig, **way: float) -> None:
    """Devices ask for one another while the slow second cable is in."""
    for name in ("box-drums", "guest"):
        asks = frames.arp(rig[name].mac, rig[name].ip, rig["engine-b"].ip).hex()
        senders.send(rig, name, {"plan": "listed", "raw": [asks], "every_s": 0.7, "rounds": 5})
    faults.slow_second_cable(rig, **way)


def another_plan(rig: Rig) -> None:
    for name, octet in (("box-right", 32), ("box-drums", 33)):
        faults.another_subnet(rig, name, f"198.51.100.{octet}/24", "198.51.100.20")


def better_clock(rig: Rig) -> None:
    faults.second_clock(rig, priority=90)


ON_THE_WIRE = (
    Fault(
        "second cable between switches", "loop",
        (
            Variant("for 30 ms", heard(faults.second_cable, second_cable=True, count=6000), short=True),
            Variant(
                "for 5 ms, streams running",
                heard(
                    lambda rig: faults.second_cable(rig, 0.005),
                    second_cable=True, count=9000, streams=scene.STREAMS,
                ),
            ),
            Variant(
                "heard on stage",
                heard(faults.second_cable, second_cable=True, count=6000, places=ON_STAGE),
            ),
            Variant(
                "for 5 ms, while linecheck listens",
                linechecked(lambda rig, _: faults.second_cable(rig, 0.005), second_cable=True),
            ),
        ),
        symptoms=DROWNED,
    ),
    Fault(
        "both ends of a cable in one switch", "loop",
        (
            Variant("beside the desk", heard(faults.cable_in_one_switch, count=6000), short=True),
            Variant("heard on stage", heard(faults.cable_in_one_switch, count=6000, places=ON_STAGE)),
        ),
        symptoms=DROWNED,
    ),
    Fault(
        "slow loop", "loop",
        (
            Variant("copies 20 ms apart at 10 Mb/s", heard(slow_loop, seconds=5), short=True),
            Variant(
                "copies 5 ms apart at 10 Mb/s, beside streams",
                heard(lambda rig: slow_loop(rig, delay_s=0.005), seconds=5, streams=scene.STREAMS),
            ),
            Variant(
                "copies 50 ms apart at 100 Mb/s, heard on stage",
                heard(lambda rig: slow_loop(rig, mbps=100, delay_s=0.05), seconds=5, places=ON_STAGE),
            ),
            Variant(
                "copies 20 ms apart, while linecheck listens",
                linechecked(lambda rig, _: slow_loop(rig), seconds=6), short=True,
            ),
        ),
        symptoms=DROWNED,
    ),
    Fault(
        "chatty box", "broadcast-storm",
        (
            Variant("2000/s from stage", heard(faults.chatty_box), macs("box-drums"), short=True),
            Variant(
                "1300/s beside two streams",
                heard(lambda rig: faults.chatty_box(rig, rate=1300, seconds=2.5), streams=scene.STREAMS),
                macs("box-drums"),
            ),
            Variant(
                "5000/s from front of house",
                heard(lambda rig: faults.chatty_box(rig, "guest", 5000, 2)), macs("guest"),
            ),
            Variant("2000/s on a mirror", heard(faults.chatty_box, places=MIRROR), macs("box-drums")),
            Variant(
                "2000/s while linecheck listens",
                linechecked(lambda rig, _: faults.chatty_box(rig)), macs("box-drums"),
            ),
        ),
    ),
    Fault(
        "address look-ups without end", "broadcast-storm",
        (
            Variant("1500/s from stage", heard(faults.lookups_without_end), macs("box-drums")),
            Variant(
                "3000/s beside two streams",
                heard(lambda rig: faults.lookups_without_end(rig, "guest", 3000, 2), streams=scene.STREAMS),
                macs("guest"),
            ),
        ),
    ),
    Fault(
        "discovery flood", "multicast-storm",
        (
            Variant(
                "four devices", heard(faults.discovery_flood),
                macs("box-left", "box-right", "box-drums", "engine-b"), short=True,
            ),
            Variant(
                "one device, 3000/s beside streams",
                heard(lambda rig: faults.discovery_flood(rig, ("guest",), 3000, 2), streams=scene.STREAMS),
                macs("guest"),
            ),
            Variant(
                "two devices, on the trunk",
                heard(lambda rig: faults.discovery_flood(rig, ("box-left", "box-drums"), 2400), places=TRUNK),
                macs("box-left", "box-drums"),
            ),
        ),
    ),
    Fault(
        "stray DHCP server", "stray-dhcp",
        (
            Variant("guest answers the spare desk", heard(faults.stray_dhcp), macs("guest"), short=True),
            Variant(
                "on stage, seen from a mirror",
                heard(lambda rig: faults.stray_dhcp(rig, "box-drums"), places=MIRROR, streams=scene.STREAMS),
                macs("box-drums"),
            ),
            Variant(
                "answers the listening desk",
                heard(lambda rig: faults.stray_dhcp(rig, "guest", "desk")), macs("guest"),
            ),
            Variant(
                "while linecheck listens",
                linechecked(lambda rig, _: faults.stray_dhcp(rig), seconds=6), macs("guest"),
            ),
        ),
    ),
    Fault(
        "stray DHCP server whose answers pass elsewhere", "stray-dhcp",
        (
            Variant(
                "named by its client", heard(lambda rig: faults.stray_dhcp(rig, heard_by_all=False)),
                may=macs("guest") | {"192.0.2.66"},
            ),
            Variant(
                "on stage, its client too",
                heard(lambda rig: faults.stray_dhcp(rig, "box-drums", "box-right", heard_by_all=False)),
                may=macs("box-drums") | {"192.0.2.33"},
            ),
        ),
    ),
    Fault(
        "two DHCP servers", "stray-dhcp",
        (
            Variant(
                "guest and a box", heard(faults.two_dhcp_servers), macs("guest", "box-drums"), short=True
            ),
            Variant(
                "on the trunk, beside streams",
                heard(faults.two_dhcp_servers, places=TRUNK, streams=scene.STAGE_STREAMS),
                macs("guest", "box-drums"),
            ),
        ),
    ),
    Fault(
        "this computer hands out addresses", "stray-dhcp",
        (
            Variant(
                "while linecheck listens",
                linechecked(lambda rig, _: faults.stray_dhcp(rig, "desk"), seconds=6),
                macs("desk"),
            ),
        ),
    ),
    Fault(
        "stray DHCP server of IPv6", "stray-dhcp",
        (
            Variant(
                "answers the listening desk",
                heard(lambda rig: faults.stray_dhcp6(rig, client="desk"), seconds=5), macs("guest"),
            ),
            Variant("named by its client", heard(faults.stray_dhcp6, seconds=5), macs("guest")),
        ),
    ),
    Fault(
        "a request nobody answers (proof of absence)", "stray-dhcp",
        (
            Variant("asks three times", heard(faults.unanswered_client, seconds=21), short=True),
            Variant(
                "from stage, beside streams",
                heard(
                    lambda rig: faults.unanswered_client(rig, "box-right"), seconds=21, streams=scene.STREAMS
                ),
            ),
        ),
        outcome="pass",
    ),
    Fault(
        "access point bridged in", "wifi-bridge",
        (
            Variant(
                "update frames, a hand-held client, a gateway",
                heard(faults.access_point, snooping=False), may=STATIONS | macs("guest"), short=True,
            ),
            Variant("update frames alone", heard(faults.stations_associate), may=STATIONS),
            Variant(
                "LLDP, heard beside the access point",
                heard(faults.announce_access_point, places=(("foh", "guest"),), seconds=5), macs("guest"),
            ),
            Variant(
                "on stage, heard on the trunk",
                heard(lambda rig: faults.stations_associate(rig, "box-drums"), places=TRUNK), may=STATIONS,
            ),
        ),
    ),
    Fault(
        "home router with Wi-Fi", "wifi-bridge",
        (
            Variant(
                "a gateway and three hand-held clients",
                heard(faults.wifi_router, snooping=False), POCKETS | macs("guest"),
            ),
            Variant(
                "on stage, beside streams",
                heard(
                    lambda rig: faults.wifi_router(rig, "box-drums"), snooping=False, streams=scene.STREAMS
                ),
                POCKETS | macs("box-drums"),
            ),
        ),
    ),
    Fault(
        "Wi-Fi device roams", "wifi-bridge",
        (Variant("between two access points", heard(faults.roaming), may=STATIONS | macs("guest")),),
    ),
    Fault(
        "too many streams for the port", "link-load",
        (Variant("80 % for 1.2 s", bundled.link_load, macs("box-left", "box-right")),),
        symptoms=("stream-health",), timed=False,
    ),
    Fault(
        "nothing is heard", "loop",
        (Variant("an idle port", lambda: Capture([]), short=True),),
        outcome="unproven", timed=False,
    ),
    Fault(
        "dead network", "heard-enough",
        (
            Variant("the switch speaks, nobody else", live.linechecked_before(streams={}, beats=False), short=True),
            Variant("the desk asks, and nobody answers", live.linechecked_before(live.alone), short=True),
            Variant("the link is up, and nothing comes", live.linechecked_before()),
        ),
        outcome="unproven", timed=False,
    ),
    Fault(
        "wrong adapter", "right-adapter",
        (
            Variant(
                "the audio cable is out, the control network answers",
                live.linechecked_before(live.audio_cable_out, command=live.CHOOSING), short=True,
            ),
            Variant(
                "the same, and the control network has no gateway",
                live.linechecked_before(
                    lambda rig: live.audio_cable_out(rig, gateway=False), command=live.CHOOSING
                ),
            ),
        ),
        outcome="unproven", timed=False,
    ),
    Fault(
        "mixed subnets", "one-subnet",
        (
            Variant("a box fell back to link-local", heard(faults.another_subnet, seconds=6, streams=scene.STREAMS),
                    macs("box-drums"), short=True),
            Variant(
                "two boxes have another plan's addresses, while linecheck listens",
                linechecked(lambda rig, _: another_plan(rig), seconds=8),
                macs("box-right", "box-drums"),
            ),
        ),
        symptoms=("asked-in-vain",),
    ),
    Fault(
        "router by its outer port", "house-network",
        (
            Variant("asks for an address, and dials", heard(faults.router_by_its_outer_port),
                    macs("guest"), short=True),
            Variant("on stage, while linecheck listens",
                    linechecked(lambda rig, _: faults.router_by_its_outer_port(rig, "box-drums"), seconds=6),
                    macs("box-drums")),
        ),
        outcome="caution",
    ),
)  # fmt: skip

OF_THE_CAPTURE = (
    Fault(
        "time steps back", "capture-quality",
        (
            Variant("by 0.7 s", lambda: faults.step_back(heard(streams=scene.STREAMS)()), short=True),
            Variant("by an hour", lambda: faults.step_back(heard(streams=scene.STREAMS)(), 3600)),
            Variant("by 50 ms on a mirror", lambda: faults.step_back(heard(places=MIRROR)(), 0.05)),
        ),
        outcome="caution", timed=False,
    ),
    Fault(
        "frames dropped by the system", "capture-quality",
        (
            Variant(
                "a pcapng that says so",
                lambda: replace(heard(streams=scene.STREAMS)(), dropped=5000), short=True,
            ),
            Variant("linecheck cannot keep up", linechecked(live.stalled, seconds=8), short=True),
        ),
        outcome="caution", timed=False,
    ),
    Fault(
        "frames are cut", "capture-quality",
        (
            Variant("after 96 bytes", heard(streams=scene.STREAMS, snap=96)),
            Variant("after 60 bytes, on a mirror", heard(streams=scene.STAGE_STREAMS, snap=60, places=MIRROR)),
        ),
        outcome="caution", timed=False,
    ),
    Fault(
        "nothing comes for a while", "capture-quality",
        (
            Variant("the capture paused for 0.8 s", lambda: faults.hole(heard(streams=scene.STREAMS)())),
            Variant("the switch hangs while linecheck listens", linechecked(live.hung)),
        ),
        symptoms=("stream-health",), outcome="caution", timed=False,
    ),
)  # fmt: skip

OF_THE_COMPUTER = (
    Fault(
        "no link", "link-up",
        (
            Variant("cable out", computer({"carrier": 0, "speed": -1, "duplex": "unknown"}), THIS, short=True),
            Variant("turned off", computer({"flags": "0x1002", "carrier": b"", "speed": b""}), THIS, short=True),
            Variant("the only adapter, which nobody named",
                    live.linechecked_before(lambda rig: rig.link(*rig.port("desk"), up=False), command=live.CHOOSING),
                    VETH, short=True),
        ),
    ),
    Fault(
        "cable pulled while listening", "link-up",
        (
            Variant("pulled", linechecked(live.pulled()), VETH, short=True),
            Variant("pulled, and plugged in again", linechecked(live.pulled(back_after_s=0.8)), VETH),
            Variant("adapter turned off", linechecked(live.turned_off), VETH),
            Variant("pulled, nothing else to hear", linechecked(live.pulled(), streams={}), VETH),
        ),
        symptoms=("stream-health",),
    ),
    Fault(
        "100 Mb/s", "link-speed",
        (
            Variant("100", computer({"speed": 100}), THIS, short=True),
            Variant("10", computer({"speed": 10}), THIS, short=True),
        ),
    ),
    Fault(
        "half duplex", "duplex",
        (
            Variant("at 100 Mb/s", computer({"speed": 100, "duplex": "half"}), THIS, short=True),
            Variant(
                "with late collisions",
                computer(
                    {
                        "speed": 100, "duplex": "half",
                        "statistics/collisions": 900, "statistics/tx_window_errors": 40,
                    }
                ),
                THIS, short=True,
            ),
            Variant("at 1000 Mb/s", computer({"duplex": "half"}), THIS, short=True),
        ),
        symptoms=("link-speed",),
    ),
    Fault(
        "MTU too small", "mtu",
        tuple(
            Variant(str(size), computer({"mtu": size}), THIS, short=True) for size in (576, 1400, 1492, 1499)
        ),
    ),
    Fault(
        "MTU too large", "mtu",
        tuple(Variant(str(size), computer({"mtu": size}), THIS, short=True) for size in (1501, 4088, 9000)),
        outcome="caution",
    ),
    Fault(
        "audio by an adapter that is no cable", "adapter-kind",
        (
            Variant("Wi-Fi", computer({"speed": b""}, folders=["wireless"]), THIS, short=True),
            Variant("a tunnel", computer({"tun_flags": "0x1002"}, bus=None), THIS, short=True),
            Variant("a VLAN", computer({"uevent": "DEVTYPE=vlan"}, bus=None), THIS, short=True),
        ),
    ),
    Fault(
        "two adapters in one subnet", "addressing",
        (
            Variant("neighbours", computer(control=("192.0.2.77", 24)), THIS, short=True),
            Variant("the same address", computer(control=("192.0.2.10", 24)), THIS, short=True),
            Variant("masks that overlap where it is", computer(control=("192.0.2.5", 16)), THIS, short=True),
        ),
    ),
    Fault(
        "subnets that overlap", "addressing",
        (Variant("somewhere else", computer(control=("192.0.1.5", 16)), THIS, short=True),),
        outcome="caution",
    ),
    Fault(
        "two default gateways", "addressing",
        (Variant("one on the audio LAN", computer(gateway="192.0.2.1"), THIS, short=True),),
    ),
    Fault(
        "leased address", "addressing",
        (Variant("by DHCP", computer(leased=True), THIS, short=True),),
        outcome="caution",
    ),
    Fault(
        "forwarding on", "shared-connection",
        (Variant("to the control network", computer(forwarding=True), THIS, short=True),),
    ),
    Fault(
        "adapter bridged", "shared-connection",
        (Variant("with the control network", computer(bridged=(AUDIO, CONTROL)), THIS, short=True),),
    ),
)  # fmt: skip

# What streams, beats, clocks, switches and addresses suffer from.
OF_THE_SHOW = (
    Fault(
        "streams end in the middle", "stream-health",
        (
            Variant("the switch passes no more of them to linecheck", linechecked(live.cut_off), may=macs("engine-a", "box-left")),
            Variant("the sender's cable is pulled", heard(faults.unplugged, streams=scene.STREAMS), may=macs("engine-a")),
        ),
        timed=False,
    ),
    Fault(
        "a plug that does not sit", "falls-silent",
        (
            Variant("an engine's", heard(faults.loose_plug, streams=scene.STREAMS, seconds=6), macs("engine-a"), short=True),
            Variant("the engine's that has the clock",
                    heard(faults.loose_plug, streams=scene.STREAMS, seconds=6, clock=True), macs("engine-a")),
            Variant("of the cable between the switches",
                    heard(lambda rig: faults.loose_plug(rig, port="trunk"), streams=scene.STREAMS, seconds=6),
                    macs("box-left")),
            Variant("an engine's, while linecheck listens",
                    linechecked(lambda rig, _: faults.loose_plug(rig), seconds=8), macs("engine-a")),
        ),
        symptoms=("stream-health", "beat-health", "clock"), timed=False,
    ),
    Fault(
        "stream with loss", "stream-health",
        (
            Variant("every hundredth packet", heard(faults.lossy), short=True),
            Variant("every hundredth, heard on the trunk", heard(faults.lossy, places=TRUNK)),
            Variant("every hundredth, on a mirror", heard(faults.lossy, places=MIRROR)),
            Variant(
                "every five hundredth of 250 microseconds, beside streams",
                heard(lambda rig: faults.lossy(rig, 500, packet_us=250), streams=scene.STREAMS),
            ),
        ),
    ),
    Fault(
        "one gap of 30 packets", "stream-health",
        (
            Variant("in the only stream", heard(gap)),
            Variant("in one of three streams", heard(gap, streams=scene.STREAMS)),
        ),
    ),
    Fault(
        "layer-2 audio with loss", "stream-health",
        (
            Variant("every hundredth frame", heard(lambda rig: faults.lossy_layer2(rig, skip=range(50, 1250, 100))),
                    short=True),
            Variant("30 in a row, beside streams",
                    heard(lambda rig: faults.lossy_layer2(rig, skip=range(600, 630)), streams=scene.STREAMS)),
            Variant("in paced bursts, every hundredth frame",
                    heard(lambda rig: faults.lossy_layer2(rig, plan="blocks", skip=range(50, 1800, 100))), short=True),
            Variant("every fiftieth, while linecheck listens",
                    linechecked(lambda rig, _: faults.lossy_layer2(rig, skip=range(50, 1250, 50)), seconds=6)),
        ),
    ),
    Fault(
        "missing beats", "beat-health",
        (
            Variant("three and one", heard(faults.missing_beats), short=True),
            Variant("beside streams, on the trunk",
                    heard(faults.missing_beats, streams=scene.STAGE_STREAMS, places=TRUNK)),
        ),
    ),
    Fault(
        "a stream is not what is announced", "stream-names",
        (
            Variant("channels", heard(lambda rig: faults.announced_stream(rig, channels=8)),
                    macs("box-left"), short=True),
            Variant("payload type, beside streams",
                    heard(lambda rig: faults.announced_stream(rig, kind=98), streams=scene.STREAMS),
                    macs("box-left")),
        ),
    ),
    Fault(
        "two clocks at once", "clock",
        (
            Variant("a worse one never yields", heard(faults.second_clock, clock=True, seconds=13),
                    macs("box-drums"), short=True),
            Variant("a worse one at front of house, heard on the trunk",
                    heard(lambda rig: faults.second_clock(rig, "guest"), clock=True, seconds=13,
                          streams=scene.STAGE_STREAMS, places=TRUNK),
                    macs("guest")),
        ),
    ),
    Fault(
        "clock handed over", "clock",
        (
            Variant("a better one comes", heard(better_clock, clock=True, seconds=10), macs("box-drums")),
            Variant("heard on the trunk", heard(better_clock, clock=True, seconds=10, places=TRUNK),
                    macs("box-drums")),
        ),
        outcome="caution",
    ),
    Fault(
        "clock lost", "clock",
        (
            Variant("cable pulled", heard(faults.unplugged, clock=True, seconds=8)),
            Variant("cable pulled, streams running, heard on the trunk",
                    heard(faults.unplugged, clock=True, seconds=8, streams=scene.STAGE_STREAMS, places=TRUNK)),
        ),
    ),
    Fault(
        # It may ask every 125 s only: six seconds prove nothing.
        "no querier", "multicast-control",
        (Variant("snooping on", heard(querier=False, streams=scene.STREAMS, seconds=6)),),
        outcome="unproven", timed=False,
    ),
    Fault(
        "querier falls silent", "multicast-control",
        (Variant("turned off", heard(faults.querier_off, streams=scene.STREAMS, seconds=12), FOH),),
    ),
    Fault(
        "two queriers", "multicast-control",
        (
            Variant("switch and guest", heard(faults.second_querier), macs("guest") | FOH, short=True),
            Variant("heard on the trunk", heard(faults.second_querier, places=TRUNK), macs("guest") | FOH),
        ),
        outcome="caution",
    ),
    Fault(
        "spare cable takes over", "spanning-tree",
        (
            Variant("trunk pulled",
                    heard(faults.topology_change, seconds=12, stp=True, second_cable=True, wait_s=14)),
        ),
        outcome="caution",
    ),
    Fault(
        "the switch says another duplex of the port", "neighbours",
        (
            Variant("half, while linecheck listens",
                    linechecked(lambda rig, _: faults.port_said_otherwise(rig, 15)), VETH, short=True),
        ),
    ),
    Fault(
        "the switch says another speed of the port", "neighbours",
        (
            Variant("100 Mb/s, while linecheck listens",
                    linechecked(lambda rig, _: faults.port_said_otherwise(rig, 16)), VETH),
        ),
        outcome="caution",
    ),
    Fault(
        "pause storm", "pause-frames",
        (
            Variant("200 a second", heard(faults.pause_storm), DESK_PORT, short=True),
            Variant("1000 a second, beside streams",
                    heard(lambda rig: faults.pause_storm(rig, 1000), streams=scene.STREAMS), DESK_PORT),
        ),
    ),
    Fault(
        "tagged frames at an access port", "vlan-tags",
        (
            Variant("a stream in VLAN 20, linecheck listens",
                    linechecked(lambda rig, _: faults.stream(rig, tag=20)), macs("box-left"), short=True),
        ),
    ),
    Fault(
        "tagged frames", "vlan-tags",
        (
            Variant("a stream in VLAN 20", heard(lambda rig: faults.stream(rig, tag=20)), macs("box-left")),
            Variant("on the trunk, beside streams",
                    heard(lambda rig: faults.stream(rig, tag=20), streams=scene.STAGE_STREAMS, places=TRUNK),
                    macs("box-left")),
        ),
        outcome="caution",
    ),
    Fault(
        "jumbo frames", "frame-size",
        tuple(
            Variant(f"{size} bytes", heard(lambda rig, size=size: faults.odd_sizes(rig, size)), macs("box-right"))
            for size in (1600, 4000, 9014)
        ),
    ),
    Fault(
        "runts", "frame-size",
        (
            Variant("40 bytes, beside padded frames", heard(faults.runts, querier=False, places=ON_STAGE),
                    macs("box-drums")),
        ),
        outcome="caution",
    ),
    Fault(
        "wrong priority marks", "priority",
        (
            # One that is not marked at all makes nothing wait on a link as empty as the lab's: that is told,
            # and no fault.
            Variant("another than the rest",
                    heard(lambda rig: faults.stream(rig, dscp=10), streams=scene.STREAMS), macs("box-left"), short=True),
        ),
        outcome="caution",
    ),
    Fault(
        "one address at two devices", "address-clash",
        (
            Variant("guest takes a box's", heard(faults.address_clash), macs("guest", "box-left"), short=True),
            Variant("a box takes an engine's, heard on stage, beside streams",
                    heard(lambda rig: faults.address_clash(rig, "box-drums", "engine-a"),
                          streams=scene.STREAMS, places=ON_STAGE),
                    macs("box-drums", "engine-a")),
        ),
    ),
    Fault(
        "unicast between others", "unicast-flood",
        (
            Variant("500/s to linecheck, which knows its own address",
                    linechecked(lambda rig, _: faults.unicast_between_others(rig, seconds=3)),
                    macs("box-left"), short=True),
        ),
        timed=False,
    ),
    Fault(
        "IPv6 router", "stray-router",
        (
            Variant("advertises", heard(faults.stray_router), macs("guest"), short=True),
            Variant("on stage, heard on the trunk, beside streams",
                    heard(lambda rig: faults.stray_router(rig, "box-drums"), streams=scene.STAGE_STREAMS,
                          places=TRUNK),
                    macs("box-drums")),
        ),
    ),
    Fault(
        "ICMP redirect", "stray-router",
        (Variant("to the desk", heard(faults.redirected), macs("guest")),),
    ),
    Fault(
        "house network joined", "house-network",
        (
            Variant("a gateway at work", heard(faults.house_joined), macs("guest"), short=True),
            Variant("on stage, beside streams",
                    heard(lambda rig: faults.house_joined(rig, "box-drums"), streams=scene.STREAMS),
                    macs("box-drums")),
        ),
    ),
)  # fmt: skip

FAULTS = ON_THE_WIRE + OF_THE_CAPTURE + OF_THE_COMPUTER + OF_THE_SHOW

HEALTHY = (
    Variant("two streams, clock, names", heard(scene.talk, streams=scene.STREAMS, clock=True), short=True),
    Variant("quiet", heard(), short=True),
    Variant("spare cable held by spanning tree",
            heard(scene.talk, streams=scene.STREAMS, second_cable=True, stp=True, wait_s=6), short=True),
    Variant("the same, heard on stage",
            heard(scene.talk, streams=scene.STREAMS, second_cable=True, stp=True, wait_s=6, places=ON_STAGE)),
    Variant("the same, heard on the trunk",
            heard(scene.talk, streams=scene.STAGE_STREAMS, second_cable=True, stp=True, wait_s=6, places=TRUNK)),
    Variant("spanning tree without a spare cable", heard(scene.talk, stp=True, wait_s=6)),
    Variant("mirror of both directions",
            heard(scene.talk, streams=scene.STAGE_STREAMS, places=MIRROR), short=True),
    Variant("mirror, quiet", heard(places=MIRROR)),
    Variant("mirror, many streams", heard(lambda rig: faults.many_streams(rig, 2), places=MIRROR)),
    Variant("audio that is not IP, in paced bursts", heard(lambda rig: faults.lossy_layer2(rig, plan="blocks")), short=True),
    Variant("two boxes in paced bursts, beside streams",
            heard(lambda rig: [faults.lossy_layer2(rig, name, plan="blocks", seconds=1.2, block_s=0.0053, frames_each=4)
                               for name in ("box-right", "box-drums")], streams=scene.STREAMS)),
    Variant("one stream", heard(streams={"box-left": "233.252.0.1"})),
    Variant("short frames, as virtual cables have them", heard(lambda rig: faults.odd_sizes(rig, 40))),
    Variant("unicast between others, at a port that nobody knows", heard(faults.unicast_between_others)),
    Variant("many streams", heard(faults.many_streams, seconds=5)),
    Variant("many streams, heard on the trunk", heard(faults.many_streams, seconds=5, places=TRUNK)),
    Variant("streams of 125 microseconds",
            heard(lambda rig: faults.many_streams(rig, 1, channels=2, packet_us=125))),
    Variant("no snooping, all streams everywhere", heard(scene.talk, streams=scene.STREAMS, snooping=False)),
    Variant("heard on stage", heard(scene.talk, streams=scene.STREAMS, places=ON_STAGE)),
    Variant("heard on the trunk", heard(scene.talk, streams=scene.STAGE_STREAMS, places=TRUNK)),
    Variant("devices join in the middle", heard(faults.devices_join, streams=scene.STREAMS), short=True),
    Variant("a box joins, heard on the trunk",
            heard(lambda rig: faults.devices_join(rig, ("box-drums",)), places=TRUNK)),
    Variant("four devices join a quiet rig",
            heard(lambda rig: faults.devices_join(rig, ("box-drums", "box-right", "engine-b", "spare")),
                  seconds=5)),
    Variant("three quick announcements", heard(faults.announce_thrice), short=True),
    Variant("equal keep-alives, 200 a second", heard(faults.keep_alives)),
    Variant("broadcast below the limit, 60 a second",
            heard(lambda rig: faults.chatty_box(rig, rate=60), streams=scene.STREAMS)),
    Variant("a file goes to the desk", heard(faults.file_copy, streams=scene.STREAMS)),
    Variant("a made-up hardware address", heard(faults.made_up_address)),
    Variant("a stream that is what is announced", heard(faults.announced_stream), short=True),
    Variant("a stream with a priority tag", heard(lambda rig: faults.stream(rig, tag=0))),
    Variant("a clock in another domain",
            heard(lambda rig: faults.second_clock(rig, domain=5), clock=True, seconds=12)),
    Variant("engine B takes over the beat", heard(faults.second_beat, streams=scene.STREAMS)),
    Variant("linecheck on the show", linechecked(lambda rig, _: scene.talk(rig)), short=True),
    Variant("linecheck on a quiet rig", linechecked(streams={})),
    Variant("linecheck while a box joins",
            linechecked(lambda rig, _: faults.devices_join(rig, ("box-drums",)))),
    Variant("computer as it should be", computer(), short=True),
    Variant("computer with a link-local audio address", computer(audio=("169.254.7.7", 16)), short=True),
    Variant("computer with a USB adapter", computer(bus="usb"), short=True),
    Variant("computer at 2500 Mb/s", computer({"speed": 2500}), short=True),
    Variant("computer whose link came and went before", computer({"carrier_changes": 40}), short=True),
)  # fmt: skip
