"""What rigs look like that nobody here built, and what must be said of each.

A row is a builder and what must come out. `quiet` names checks about which no fail and no caution may be
said; "all" means every one of them. `fails` and `troubles` name checks that must fail, or at least caution.
Adding a situation is a few lines here. Healthy ones stand first.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.situations import rigs
from tests.situations.rigs import Span

# Of a desk: its ports, and what is true of the computer.
Build = Callable[[Random], Iterable[Any]]


@dataclass(frozen=True)
class Situation:
    """`verdicts`: the words that are right; any, where empty."""

    name: str
    build: Build
    verdicts: tuple[str, ...] = ()
    quiet: tuple[str, ...] = ()
    fails: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()


@dataclass(frozen=True)
class AtDesk(Situation):
    """A desk, judged by `preflight linecheck` on each of `systems`: the builder yields its ports, and what is
    true of the computer. `named` is the part of the port that the user names, `chosen` of the one that must
    be listened on ("" where the command refuses). `says` are words that must be read."""

    named: str = ""
    chosen: str = "audio"
    says: tuple[str, ...] = ()
    systems: tuple[str, ...] = ("Linux", "Darwin", "Windows")


READY = ("ready",)
NOT_ALARMED = ("ready", "ready with cautions")
SITUATIONS: list[Situation] = []


def healthy(
    name: str, verdicts: tuple[str, ...] = READY, quiet: tuple[str, ...] = ("all",)
) -> Callable[[Build], Build]:
    def add(build: Build) -> Build:
        SITUATIONS.append(Situation(name, build, verdicts, quiet))
        return build

    return add


def faulty(
    name: str, *, fails: tuple[str, ...] = (), troubles: tuple[str, ...] = (), verdicts: tuple[str, ...] = (),
    quiet: tuple[str, ...] = (),
) -> Callable[[Build], Build]:  # fmt: skip
    def add(build: Build) -> Build:
        SITUATIONS.append(Situation(name, build, verdicts, quiet, fails, troubles))
        return build

    return add


def desk_in_order(
    name: str, verdicts: tuple[str, ...] = READY, quiet: tuple[str, ...] = ("all",), **desk: Any
) -> Callable[[Build], Build]:
    def add(build: Build) -> Build:
        SITUATIONS.append(AtDesk(name, build, verdicts, quiet, **desk))
        return build

    return add


def desk_at_fault(
    name: str, *verdicts: str, fails: tuple[str, ...] = (), troubles: tuple[str, ...] = (), **desk: Any
) -> Callable[[Build], Build]:
    def add(build: Build) -> Build:
        SITUATIONS.append(AtDesk(name, build, verdicts, (), fails, troubles, **desk))
        return build

    return add


def span(random: Random, end_s: float = 12.0, start_s: float = 0.0) -> Span:
    return Span(start_s, end_s, random)


# -- in order, though it looks odd ---------------------------------------------------------------------------


@healthy("layer-2 unicast audio between engines and spares, no clock, no querier")
def _(random):
    s = span(random)
    yield from (rigs.layer2(s, n, rigs.mac(n + 1), 0.004) for n in (11, 12, 13, 14))
    yield from (rigs.talk(s, n) for n in range(11, 19))


for _rate in (375, 1000, 2000, 4000):

    @healthy(f"layer-2 audio sent to everybody, {_rate} frames a second")
    def _(random, rate=_rate):
        s = span(random, 6.0)
        yield from (rigs.layer2(s, n, rigs.ALL, 1 / rate, size=200) for n in (11, 12))
        yield rigs.talk(s, 13)


for _rate in (500, 4000):

    @healthy(f"layer-2 multicast audio, {_rate} frames a second")
    def _(random, rate=_rate):
        s = span(random, 5.0)
        yield from (rigs.layer2(s, n, f"93:00:00:00:00:{n:02x}", 1 / rate, 200) for n in (11, 12))
        yield rigs.talk(s, 13)

    @healthy(f"digital silence in layer-2 multicast audio, {_rate} frames a second")
    def _(random, rate=_rate):
        s = span(random, 5.0)
        yield rigs.layer2(s, 11, "93:00:00:00:00:0b", 1 / rate, 200, silent=True)
        yield from (rigs.talk(s, n) for n in (12, 13))


for _block, _frames, _apart in (
    (0.00067, 4, 20e-6),
    (0.0053, 8, 100e-6),
    (0.0107, 16, 200e-6),
    (0.023, 32, 600e-6),
):
    for _to in ("93:00:00:00:00:0b", rigs.mac(12)):

        @healthy(f"audio in bursts of {_frames} each {_block * 1000:g} ms to {_to}")
        def _(random, block=_block, frames=_frames, apart=_apart, to=_to):
            s = span(random, 6.0)
            yield rigs.bursts(s, 11, to, block, frames, apart)
            yield from (rigs.talk(s, n) for n in (12, 13))


for _rate in (250, 1000, 4000):

    @healthy(f"UDP audio that is not RTP to a group, {_rate} a second")
    def _(random, rate=_rate):
        s = span(random, 6.0)
        yield from (rigs.udp_audio(s, n, f"239.192.0.{n}", 1 / rate) for n in (11, 12))
        yield rigs.talk(s, 13)

    @healthy(f"UDP audio that is not RTP to one device, {_rate} a second")
    def _(random, rate=_rate):
        s = span(random, 6.0)
        yield rigs.udp_audio(s, 11, 12, 1 / rate)
        yield from (rigs.talk(s, n) for n in (12, 13))


@healthy("AVTP streams tagged with a reservation VLAN, with gPTP and MSRP beside them")
def _(random):
    s = span(random, 3.0)
    yield from (rigs.avtp(s, n) for n in (11, 12))
    yield from (rigs.gptp(s, n) for n in (11, 12))
    yield rigs.msrp(s, 9)
    yield rigs.talk(s, 13)


@healthy("a power-up: 24 devices ask for addresses and names within two seconds, then calm")
def _(random):
    calm = span(random, 20.0, 2.0)
    for n in range(11, 35):
        yield [(random.random() * 2, rigs.raw.arp(rigs.mac(n), "0.0.0.0", rigs.ip(n))) for _ in range(3)]
        yield [
            (random.random() * 2, rigs.raw.mdns_question(rigs.mac(n), rigs.ip(n), "_http._tcp.local"))
            for _ in range(3)
        ]
        yield rigs.asks_for_an_address(n, random.random() * 2)
    yield rigs.rtp(calm, 11)
    yield rigs.ptp(calm, 11)


@healthy(
    "20 devices with uneven telemetry, a dozen broadcasts a second each",
    NOT_ALARMED,
    ("loop", "multicast-storm"),
)
def _(random):
    s = span(random)
    yield from (rigs.telemetry(s, n, 12) for n in range(11, 31))
    yield rigs.rtp(s, 40)


@healthy("RTP on unmanaged switches for a while, nobody asks for groups")
def _(random):
    s = span(random, 10.0)
    yield from (rigs.rtp(s, n, period_s=0.004) for n in (11, 12))
    yield rigs.ptp(s, 11)
    yield rigs.talk(s, 13)


@healthy("RTP with 48 kHz, packets of 1 ms, marks as they should be")
def _(random):
    s = span(random, 8.0)
    yield rigs.rtp(s, 11)
    yield rigs.ptp(s, 11)
    yield rigs.talk(s, 13)


@healthy("lighting control by multicast, 16 universes")
def _(random):
    s = span(random, 8.0)
    yield rigs.lighting(s, 50, 16, broadcast=False)
    yield rigs.rtp(s, 11)
    yield rigs.ptp(s, 11)


for _universes in (8, 32):

    @healthy(
        f"lighting control by broadcast, {_universes} universes",
        ("ready", "ready with cautions", "not ready"),
        ("beat-health", "loop"),
    )
    def _(random, universes=_universes):
        s = span(random, 8.0)
        yield rigs.lighting(s, 50, universes, broadcast=True)
        yield rigs.rtp(s, 11)


@healthy("a set-up packet some seconds before a flow begins")
def _(random):
    s = span(random, 15.0, 5.0)
    yield [(0.5, rigs.raw.ethernet("93:00:00:00:00:0b", rigs.mac(11), rigs.AUDIO, b"hello"))]
    yield rigs.layer2(s, 11, "93:00:00:00:00:0b", 0.002)
    yield from (rigs.talk(span(random, 15.0), n) for n in (12, 13))


@healthy("two PTP domains on purpose")
def _(random):
    s = span(random, 12.0)
    yield rigs.ptp(s, 11)
    yield rigs.ptp(s, 12, domain=7)
    yield rigs.rtp(s, 11)


@healthy("streams under DSCP 0 on a link that is nearly empty")
def _(random):
    s = span(random, 8.0)
    yield rigs.rtp(s, 11, dscp=0)
    yield rigs.talk(s, 12)


for _marks in ((46, 34), (56, 46)):

    @healthy(f"streams under DSCP {_marks[1]}")
    def _(random, marks=_marks):
        s = span(random, 8.0)
        yield rigs.rtp(s, 11, dscp=marks[1])
        yield rigs.talk(s, 12)


@healthy(
    "a sender held up by its own computer for 0.3 s, then catching up",
    NOT_ALARMED,
    ("loop", "broadcast-storm", "multicast-storm"),
)
def _(random):
    s = span(random, 10.0)
    held = [
        (at if not 5.0 < at < 5.3 else 5.297 + (at - 5.0) / 100, data)
        for at, data in rigs.layer2(s, 11, "93:00:00:00:00:0b", 0.001, 200)
    ]
    yield held
    yield from (rigs.layer2(s, n, f"93:00:00:00:00:{n:02x}", 0.001, 200) for n in (12, 13))


# -- wrong, though it looks right ----------------------------------------------------------------------------


@faulty("nothing but one broadcast frame", verdicts=("unproven",))
def _(random):
    yield [(random.random(), rigs.raw.arp(rigs.mac(11), rigs.ip(11), rigs.ip(12)))]


@faulty("a dead network: only the switch speaks", verdicts=("unproven",))
def _(random):
    yield rigs.tree(span(random, 20.0), 9)


@faulty("a tenth of a second of traffic", verdicts=("unproven",))
def _(random):
    s = span(random, 0.1)
    yield from (rigs.rtp(s, n) for n in (11, 12))


for _share in (0.001, 0.005, 0.1):
    for _to in ("93:00:00:00:00:0b", rigs.mac(12)):

        @faulty(f"layer-2 audio to {_to} loses {_share:.1%}", fails=("stream-health",))
        def _(random, share=_share, to=_to):
            s = span(random, 20.0)
            yield rigs.layer2(s, 11, to, 0.001, 200, loses=share)
            yield rigs.layer2(s, 14, "93:00:00:00:00:0e", 0.001, 200)
            yield rigs.talk(s, 13)


for _share in (0.001, 0.01, 0.1, 0.7, 0.8, 0.95):

    @faulty(f"an RTP stream loses {_share:.1%} of its packets", fails=("stream-health",))
    def _(random, share=_share):
        s = span(random, 15.0)
        yield rigs.rtp(s, 11, loses=share)
        yield rigs.rtp(s, 12)
        yield rigs.ptp(s, 12)


@faulty("two senders into one group and port", fails=("shared-group",))
def _(random):
    s = span(random, 8.0)
    yield from (rigs.rtp(s, n, "233.252.0.99") for n in (11, 12))
    yield rigs.ptp(s, 12)


@faulty("audio that stops and stays away", fails=("stream-health",))
def _(random):
    yield rigs.rtp(span(random, 6.0), 11)
    yield rigs.rtp(span(random, 20.0), 12)
    yield rigs.ptp(span(random, 20.0), 12)


@faulty("a clock that stops and stays away while audio goes on", fails=("clock",))
def _(random):
    yield rigs.ptp(span(random, 8.0), 12)
    yield from (rigs.rtp(span(random, 20.0), n) for n in (11, 12))


for _apart_s in (50e-6, 0.005, 0.05):

    @faulty(f"a loop whose copies are {_apart_s * 1000:g} ms apart", fails=("loop",))
    def _(random, apart=_apart_s):
        s = span(random, 10.0)
        yield rigs.rtp(s, 11, period_s=0.004)
        asked = [rigs.raw.arp(rigs.mac(n), rigs.ip(n), rigs.ip(1)) for n in (12, 13, 14)]
        yield from (Span(4.0, 8.0, random).every(apart, each) for each in asked)


# -- added to a rig at work: in order ------------------------------------------------------------------------


@healthy("a loop-detection frame of a switch, each ten seconds, and its keep-alives")
def _(random):
    s = span(random, 20.0)
    yield from rigs.playing(random, 20.0)
    yield s.every(10.0, rigs.raw.ethernet(rigs.ALL, rigs.mac(9), 0x88B6, b"here I am"))
    yield s.every(1.0, rigs.raw.ethernet("93:00:00:00:00:09", rigs.mac(9), 0x88B6, b"alive"))


for _times in (3, 10):

    @healthy(f"announcements sent {_times} times in quick succession")
    def _(random, times=_times):
        yield from rigs.playing(random)
        for n in range(11, 19):
            at = random.uniform(1, 9)
            said = rigs.raw.arp(rigs.mac(n), rigs.ip(n), rigs.ip(n))
            yield [(at + k * 0.0005, said) for k in range(times)]


@healthy(
    "a mirror of both directions",
    NOT_ALARMED,
    ("loop", "broadcast-storm", "multicast-storm", "stream-health"),
)
def _(random):
    frames = [frame for some in rigs.playing(random) for frame in some]
    yield frames
    yield [(at + 8e-6, data) for at, data in frames]


@healthy("an unmanaged switch passes on the LLDP of stations", NOT_ALARMED, ("neighbours",))
def _(random):
    from tests.wire.samples import lldp

    yield from rigs.playing(random, 40.0)
    for n in (11, 12, 13):
        frame = bytes(lldp(src=rigs.mac(n), name=f"box-{n}".encode(), station_only_enabled=1))
        yield span(random, 40.0).every(30.0, frame)


@healthy("only discovery groups are asked for")
def _(random):
    from tests.wire import groups

    yield from rigs.playing(random, 20.0)
    yield [(random.uniform(1, 15), groups.report(n, "239.255.255.250", version=2)) for n in (11, 12)]


@healthy("boxes with locally administered addresses ask for DHCP at boot", NOT_ALARMED, ("wifi-bridge",))
def _(random):
    yield from rigs.playing(random, 20.0)
    for n in (11, 12, 13):
        yield [(1.0 + n / 10, rigs.raw.dhcp_discover(f"02:00:5e:00:53:{n:02x}", n, f"stage-{n}"))]


@healthy("the spare engine takes a stream over", NOT_ALARMED)
def _(random):
    yield from rigs.playing(random, 16.0)
    yield rigs.rtp(span(random, 8.0), 11, "233.252.0.77", 0.004)
    yield rigs.rtp(span(random, 16.0, 8.4), 12, "233.252.0.77", 0.004, ssrc=12)


@healthy("one change of the spanning tree by a box that boots", NOT_ALARMED, ("loop",))
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 20.0)
    yield [(0.5 + 2 * n, bpdu(flags=0x3C | (n in (4, 5)))) for n in range(10)]


@healthy("a switch that thinks itself root at power-up, then learns better", NOT_ALARMED, ("loop",))
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 20.0)
    yield [
        (0.1 + 2 * n, bpdu(root=0xF2 if n < 1 else 0xF1, bridge=0xF2, flags=0x3C, cost=0 if n < 1 else 20000))
        for n in range(10)
    ]


@healthy("a fail-over of an address to the spare, and back again", NOT_ALARMED, ("address-clash",))
def _(random):
    yield from rigs.playing(random, 20.0)
    for at, n in ((2.0, 11), (8.0, 12), (14.0, 11)):
        yield [(at + k, rigs.raw.arp(rigs.mac(n), rigs.ip(50), rigs.ip(50))) for k in (0.0, 1.0)]


@healthy("frames of 1514 bytes, some with three tags", NOT_ALARMED, ("frame-size", "loop"))
def _(random):
    yield from rigs.playing(random)
    long = rigs.raw.ethernet("93:00:00:00:00:0b", rigs.mac(11), rigs.AUDIO, bytes(1500))
    yield span(random).every(0.5, rigs.raw.tagged(rigs.raw.tagged(rigs.raw.tagged(long, 5), 6), 7))


@healthy(
    "streams held up with their receivers for 0.3 s",
    NOT_ALARMED,
    ("loop", "multicast-storm", "broadcast-storm"),
)
def _(random):
    for some in rigs.playing(random, 12.0):
        yield [(at if not 5.0 < at < 5.3 else 5.294 + (at - 5.0) / 50, data) for at, data in some]


for _ms in (1, 4):

    @healthy(
        f"telephony: ordinary RTP of {20 * _ms} ms packets between two devices",
        NOT_ALARMED,
        ("stream-health", "loop"),
    )
    def _(random, ms=_ms):
        s = span(random)
        for n, to in ((11, 12), (12, 11)):

            def packet(k: int, n: int = n, to: int = to) -> bytes:
                data = rigs.raw.rtp_header(k, k * 160 * ms, n, 0) + rigs.noise(random, 160 * ms)
                return rigs.raw.udp(
                    rigs.mac(n), rigs.mac(to), (rigs.ip(n), 16000), (rigs.ip(to), 16000), data, dscp=46
                )

            yield s.every(0.02 * ms, packet, jitter_s=0.001)


# -- added to a rig at work: wrong ---------------------------------------------------------------------------


@faulty("a DHCP server that answers by broadcast", fails=("stray-dhcp",))
def _(random):
    from tests.wire.samples import dhcp4, offer

    yield from rigs.playing(random)
    yield rigs.says(3.0, bytes(dhcp4("discover")), bytes(offer()))


@faulty("a DHCP server that answers one client and ignores another", fails=("stray-dhcp",))
def _(random):
    from tests.wire.samples import dhcp4, offer

    yield from rigs.playing(random, 40.0)
    yield rigs.asks_for_an_address(11, 1.0, 4)
    yield rigs.says(30.0, bytes(dhcp4("discover")), bytes(offer()))


@faulty("one address at two devices", fails=("address-clash",))
def _(random):
    yield from rigs.playing(random)
    for at in (1.0, 3.0, 5.0, 7.0):
        yield rigs.answers(11, 50, 201, at)
        yield rigs.answers(12, 50, 201, at + 0.3)


@faulty("an IPv6 router", fails=("stray-router",))
def _(random):
    from tests.wire.routers import advertisement

    yield from rigs.playing(random)
    yield rigs.says(3.0, bytes(advertisement()))


@faulty("two clocks lead at once", fails=("clock",))
def _(random):
    yield from rigs.playing(random, 20.0)
    yield rigs.ptp(span(random, 20.0), 12)


@faulty(
    "a chatty device: 2000 broadcasts a second, each one new and of another length",
    fails=("broadcast-storm",),
)
def _(random):
    yield from rigs.playing(random)
    s = span(random, 12.0)
    yield s.every(
        0.0005,
        lambda _: rigs.raw.ethernet(
            rigs.ALL, rigs.mac(11), 0x88B6, rigs.noise(random, random.randrange(50, 900))
        ),
        jitter_s=0.0004,
    )


@faulty("a discovery flood of four devices", fails=("multicast-storm",))
def _(random):
    yield from rigs.playing(random)
    for n in (11, 12, 13, 14):
        yield span(random).every(0.002, rigs.raw.mdns_question(rigs.mac(n), rigs.ip(n), "_http._tcp.local"))


@faulty("an access point: stations associate", fails=("wifi-bridge",))
def _(random):
    yield from rigs.playing(random)
    yield [(random.uniform(1, 9), rigs.raw.layer2_update(f"02:00:5e:00:53:{n:02x}")) for n in (21, 22, 23)]


@faulty("a home gateway that announces itself", troubles=("wifi-bridge",))
def _(random):
    yield from rigs.playing(random)
    yield span(random).every(2.0, lambda n: rigs.raw.gateway_notify(rigs.mac(66), rigs.ip(66), n))


@faulty("pause frames that stop a port", troubles=("pause-frames",))
def _(random):
    yield from rigs.playing(random)
    yield span(random, 9.0, 3.0).every(0.02, rigs.raw.pause(rigs.mac(9), 65535))


@faulty("a jumbo frame", troubles=("frame-size",))
def _(random):
    yield from rigs.playing(random)
    yield rigs.says(4.0, rigs.raw.ethernet("93:00:00:00:00:0b", rigs.mac(11), rigs.AUDIO, bytes(8000)))


@faulty("the root of the tree is taken over", troubles=("spanning-tree",))
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 30.0)
    yield [
        (0.5 + 2 * n, bpdu(root=0xF1 if n < 7 else 0xE0, bridge=0xF1 if n < 7 else 0xE0, flags=0x3C))
        for n in range(15)
    ]


@faulty("a topology change every few seconds", fails=("spanning-tree",))
def _(random):
    from tests.wire.samples import bpdu, topology_change_notice

    yield from rigs.playing(random, 40.0)
    yield [(0.5 + 2 * n, bpdu(flags=0x3C | (n // 2 % 2))) for n in range(20)]
    yield [(4.0 + 4 * n, topology_change_notice()) for n in range(9)]


for _loss_s in (0.3, 1.0, 5.0):

    @faulty(
        f"everything stops for {_loss_s:g} s, and the capture lost nothing",
        troubles=("stream-health",),
        verdicts=("ready with cautions", "not ready"),
    )
    def _(random, silent=_loss_s):
        for some in rigs.playing(random, 20.0):
            yield [(at, data) for at, data in some if not 8.0 <= at < 8.0 + silent]


@faulty("a stream that ends in the middle and another sender's that goes on", fails=("stream-health",))
def _(random):
    yield from rigs.playing(random, 20.0)
    yield rigs.rtp(span(random, 9.0), 11, period_s=0.004)


@faulty("two streams of different sample rates", troubles=("sample-clock",), quiet=("loop",))
def _(random):
    yield from rigs.playing(random)
    yield rigs.rtp(span(random), 11, period_s=0.001, rate=96000)
