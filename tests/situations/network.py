"""More of what happens on networks: other people's gear, addresses, loops and losses in a long run, captures
with holes."""

import struct
from random import Random

from tests.situations import rigs
from tests.situations.rigs import Frames, Span
from tests.situations.table import NOT_ALARMED, READY, faulty, healthy, span

STORMS = ("loop", "broadcast-storm", "multicast-storm")


def _shifted(frames: Frames, from_s: float, by_s: float) -> list[rigs.Timed]:
    """Frames from a moment on come so much later: a hole in between."""
    return [(at + by_s if at >= from_s else at, data) for at, data in frames]


def _without(frames: Frames, start_s: float, end_s: float) -> list[rigs.Timed]:
    return [(at, data) for at, data in frames if not start_s <= at < end_s]


def _arp(device: int, address: str, target: str) -> bytes:
    return rigs.raw.arp(rigs.mac(device), address, target)


def _circling(random: Random, start_s: float, end_s: float, apart_s: float, frames: list[bytes]) -> Frames:
    for n, frame in enumerate(frames):
        yield from Span(start_s + n * apart_s / 7, end_s, random).every(apart_s, frame, phase=False)


# -- in order ------------------------------------------------------------------------------------------------


@healthy(
    "tagged streams of two VLANs at a trunk's mirror", NOT_ALARMED, (*STORMS, "frame-size", "stream-health")
)
def _(random):
    s = span(random)
    for n, vlan in ((11, 10), (12, 20)):
        yield [(at, rigs.raw.tagged(data, vlan, 5)) for at, data in rigs.rtp(s, n, period_s=0.004)]
    yield rigs.ptp(s, 11)


@healthy("a boundary clock passes the grandmaster on", NOT_ALARMED, (*STORMS, "clock"))
def _(random):
    from tests.checks.ptp import announce, syncs

    s = span(random, 20.0)
    yield s.every(1.0, announce(201, grandmaster=99, steps=1))
    yield syncs(201, 0.1, 20.0)
    yield rigs.rtp(s, 11, period_s=0.004)


@healthy("IEEE 802.1AS at a mirror beside PTP over UDP", NOT_ALARMED, (*STORMS, "clock"))
def _(random):
    yield from rigs.playing(random, 20.0)
    s = span(random, 20.0)
    yield from (rigs.gptp(s, n) for n in (11, 12, 13))


@healthy("a computer slept in mid-capture", NOT_ALARMED, STORMS)
def _(random):
    yield from (_shifted(some, 6.0, 60.0) for some in rigs.playing(random))


@healthy("days between two parts of a capture", NOT_ALARMED, STORMS)
def _(random):
    yield from (_shifted(some, 6.0, 3 * 86400.0) for some in rigs.playing(random))


@healthy("two captures put end to end", NOT_ALARMED, STORMS)
def _(random):
    yield from rigs.playing(random, 8.0)
    yield from (_shifted(some, 0.0, 1000.0) for some in rigs.playing(Random(random.random()), 8.0))


for _per_s in (2, 20, 200):

    @healthy(f"questions and answers between a desk and a box, {_per_s} a second")
    def _(random, per_s=_per_s):
        yield from rigs.playing(random)
        s = span(random)

        def asks(n: int, one: int, other: int, port: int) -> bytes:
            body = struct.pack(">I", n) + rigs.noise(random, random.randrange(10, 90))
            return rigs.raw.udp(
                rigs.mac(one), rigs.mac(other), (rigs.ip(one), port), (rigs.ip(other), 13000 - port), body
            )

        yield s.every(1 / per_s, lambda n: asks(n, 21, 22, 6000), jitter_s=0.3 / per_s)
        yield s.every(1 / per_s, lambda n: asks(n, 22, 21, 7000), jitter_s=0.3 / per_s)


@healthy("a burst of 8 ms when a scene is recalled", NOT_ALARMED, (*STORMS, "beat-health", "stream-health"))
def _(random):
    yield from rigs.playing(random)
    for start in (3.0, 7.5):
        yield [
            (
                start + n * 27e-6,
                rigs.raw.ethernet("93:00:00:00:00:16", rigs.mac(22), 0x88B6, rigs.noise(random, 300)),
            )
            for n in range(300)
        ]


@healthy("frames captured with their check sequence", NOT_ALARMED, (*STORMS, "frame-size"))
def _(random):
    yield from rigs.playing(random)
    s = span(random)
    long = rigs.raw.ethernet(rigs.mac(12), rigs.mac(11), rigs.AUDIO, bytes(1500)) + bytes(4)
    yield s.every(0.3, long)
    yield s.every(0.7, rigs.raw.tagged(long, 5))


@healthy(
    "bits flipped in some frames of a damaged capture", NOT_ALARMED, (*STORMS, "address-clash", "stray-dhcp")
)
def _(random):
    for some in rigs.playing(random):
        for at, data in some:
            if random.random() < 0.003:
                hit = random.randrange(len(data))
                data = data[:hit] + bytes([data[hit] ^ 1 << random.randrange(8)]) + data[hit + 1 :]
            yield [(at, data)]


@healthy(
    "a sleep proxy answers for a box that sleeps, and the box comes back", NOT_ALARMED, ("address-clash",)
)
def _(random):
    yield from rigs.playing(random, 24.0)
    for at, n in ((2.0, 11), (9.0, 40), (17.0, 11)):
        yield [(at, rigs.raw.arp(rigs.mac(n), rigs.ip(50), rigs.ip(50)))]


@healthy("devices numbered from a range of the internet talk to one another", NOT_ALARMED, ("house-network",))
def _(random):
    s = span(random)
    yield from rigs.playing(random)
    for one, other in ((21, 22), (22, 21)):
        home = (f"192.31.196.{one}", 6000), (f"192.31.196.{other}", 6000)
        yield s.every(0.1, rigs.raw.udp(rigs.mac(one), rigs.mac(other), *home, rigs.noise(random, 40)))


@faulty("a rapid switch holds a port back: no edge port", troubles=("spanning-tree",))
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 20.0)
    yield [(0.3 + 2 * n, bpdu(flags=0x0E if n < 7 else 0x1C)) for n in range(10)]


@healthy("two rapid switches come to terms at once", NOT_ALARMED, ("spanning-tree", *STORMS))
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 20.0)
    yield [(0.3 + 2 * n, bpdu(flags=0x0E if n < 1 else 0x3C)) for n in range(10)]


@healthy("a mirror of three ports shows frames three times", NOT_ALARMED, STORMS)
def _(random):
    frames = [frame for some in rigs.playing(random) for frame in some]
    for later in (0.0, 8e-6, 17e-6):
        yield [(at + later, data) for at, data in frames]


@healthy(
    "RTP for ten minutes in small packets, group reports and no querier",
    NOT_ALARMED,
    ("multicast-control", *STORMS),
)
def _(random):
    from tests.wire import groups

    s = span(random, 400.0)
    yield rigs.rtp(s, 11, period_s=0.02, rate=8000)
    yield rigs.ptp(s, 11)
    yield [(1.0 + n * 0.1, groups.report(n, "233.252.0.11", version=2)) for n in (12, 13)]
    yield from (rigs.talk(s, n) for n in (12, 13))


@healthy("a rig with IGMP querier, reports and streams", NOT_ALARMED, ("multicast-control", *STORMS))
def _(random):
    from tests.wire import groups

    yield from rigs.playing(random, 60.0)
    s = span(random, 60.0)
    yield s.every(20.0, groups.query(9, version=2), phase=False)
    for n, group in ((203, "233.252.0.201"), (204, "233.252.0.202")):
        yield s.every(20.0, groups.report(n, group, version=2))


@healthy("one address plan of /8: devices in many of its parts that ask for one another", READY)
def _(random):
    s = span(random, 15.0)
    for n in (11, 12, 13, 14):
        yield rigs.layer2(s, n, f"93:00:00:00:00:{n:02x}", 0.002, 300)
        yield s.every(4.0, _arp(n, f"10.{n}.0.{n}", f"10.{n % 4 + 11}.0.{n % 4 + 11}"))


@healthy("devices with a link-local address beside their fixed one", READY)
def _(random):
    yield from rigs.playing(random)
    for n in (11, 12):
        yield rigs.says(
            1.0 + n / 10, _arp(n, rigs.ip(n), rigs.ip(201)), _arp(n, f"169.254.3.{n}", "169.254.3.1")
        )


@healthy("all on link-local addresses", READY)
def _(random):
    s = span(random)
    for n in (11, 12, 13):
        yield rigs.layer2(s, n, rigs.mac(n + 1), 0.002, 300)
        yield s.every(5.0, _arp(n, f"169.254.{n}.7", f"169.254.{n + 1}.7"), jitter_s=0.2)


@healthy("control by TCP between the desk and its boxes", READY)
def _(random):
    yield from rigs.playing(random)
    s = span(random)
    for one, other, port in ((21, 22, 5000), (22, 21, 49000)):

        def segment(n: int, one: int = one, other: int = other, port: int = port) -> bytes:
            head = struct.pack(">HHIIBBHHH", port, 54000 - port, n * 40, n * 40, 0x50, 0x18, 8000, 0, 0)
            packet = rigs.raw.ipv4(rigs.ip(one), rigs.ip(other), 6, head + rigs.noise(random, 40))
            return rigs.raw.ethernet(rigs.mac(other), rigs.mac(one), 0x0800, packet)

        yield s.every(0.05, segment, jitter_s=0.01)


for _count in (16, 64):

    @healthy(f"{_count} streams of 4 ms packets and a clock", READY)
    def _(random, count=_count):
        s = span(random, 4.0)
        yield from (rigs.rtp(s, n, period_s=0.004) for n in range(20, 20 + count))
        yield rigs.ptp(s, 20)


for _rate in (250, 1000, 3000):

    @healthy(f"layer-2 audio by unicast from four boxes to the desk, {_rate} a second", READY)
    def _(random, rate=_rate):
        s = span(random, 4.0)
        yield from (rigs.layer2(s, n, rigs.mac(10), 1 / rate, 240) for n in (11, 12, 13, 14))
        yield from (rigs.layer2(s, 10, rigs.mac(n), 1 / rate, 240) for n in (11, 12, 13, 14))


@healthy("a box boots: it asks by ARP, announces itself and its names, and begins to send", NOT_ALARMED)
def _(random):
    yield from rigs.playing(random, 20.0)
    yield rigs.says(6.0, *[_arp(30, "0.0.0.0", rigs.ip(30))] * 3)
    yield rigs.says(8.0, *[_arp(30, rigs.ip(30), rigs.ip(30))] * 2)
    yield rigs.rtp(span(random, 20.0, 9.0), 30, period_s=0.004)


@healthy("a stream switched off by hand: its sender talks on", NOT_ALARMED, STORMS)
def _(random):
    yield from rigs.playing(random, 20.0)
    yield rigs.rtp(span(random, 9.0), 30, period_s=0.004)
    yield span(random, 20.0).every(1.0, lambda n: _arp(30, rigs.ip(30), rigs.ip(100 + n)))


for _later_s in (0.003, 0.03):

    @healthy(f"a sender that sends each packet twice, {_later_s * 1000:g} ms apart", NOT_ALARMED, STORMS)
    def _(random, later=_later_s):
        s = span(random, 8.0)
        for n in (11, 12):
            packets = list(rigs.rtp(s, n, period_s=0.004))
            yield packets
            yield [(at + later, data) for at, data in packets]


# -- wrong ---------------------------------------------------------------------------------------------------


@faulty("a box fell back to a link-local address", fails=("one-subnet",))
def _(random):
    yield from rigs.playing(random)
    yield from (rigs.talk(span(random), n) for n in (11, 12))
    yield span(random).every(4.0, _arp(13, "169.254.7.7", "169.254.7.1"))


@faulty("two address plans mixed", fails=("one-subnet",))
def _(random):
    yield from rigs.playing(random)
    s = span(random)
    yield from (s.every(5.0, _arp(n, rigs.ip(n), rigs.ip(201)), jitter_s=0.2) for n in (11, 12, 13))
    yield from (s.every(5.0, _arp(n, f"198.51.100.{n}", "198.51.100.1"), jitter_s=0.2) for n in (21, 22))


@faulty("a wrong mask, told by broadcasts to its subnet", fails=("one-subnet",))
def _(random):
    yield from rigs.playing(random)
    s = span(random)
    for n, to in ((11, "192.0.2.255"), (12, "192.0.2.255"), (13, "192.0.2.127")):
        yield s.every(
            2.0,
            lambda k, n=n, to=to: rigs.raw.udp(
                rigs.mac(n), rigs.ALL, (rigs.ip(n), 7000), (to, 7000), bytes([k])
            ),
        )


@faulty("a wireless router by its LAN port: its tablets talk in their own subnet", fails=("one-subnet",))
def _(random):
    yield from rigs.playing(random)
    s = span(random)
    yield from (s.every(5.0, _arp(n, rigs.ip(n), rigs.ip(201)), jitter_s=0.2) for n in (11, 12, 13))
    yield from (s.every(3.0, _arp(n, f"203.0.113.{n}", "203.0.113.1"), jitter_s=0.5) for n in (31, 32))


@faulty("the desk asks for an address 15 times in vain", troubles=("asked-in-vain",))
def _(random):
    yield from rigs.playing(random, 20.0)
    yield span(random, 17.0, 1.0).every(1.0, _arp(10, rigs.ip(10), rigs.ip(77)), jitter_s=0.05)


@faulty("a box looks for a gateway that is not there, gives up, and tries again", troubles=("asked-in-vain",))
def _(random):
    yield from rigs.playing(random, 20.0)
    for start in (0.5, 7.5, 14.5):
        yield Span(start, start + 4.5, random).every(
            1.0, _arp(11, rigs.ip(11), rigs.ip(254)), jitter_s=0.05, phase=False
        )


@healthy("a desk forgets a box each eight seconds and asks for it again", NOT_ALARMED, ("asked-in-vain",))
def _(random):
    s = span(random, 90.0)
    for n in (11, 12):
        here = (rigs.ip(n), 7000), ("192.0.2.255", 7000)
        yield s.every(1.0, rigs.raw.udp(rigs.mac(n), rigs.ALL, *here, b"here"), jitter_s=0.1)
    yield s.every(8.0, _arp(11, rigs.ip(11), rigs.ip(77)), jitter_s=0.5)


@faulty("a router by its outer port asks for an address and dials in", troubles=("house-network",))
def _(random):
    yield from rigs.playing(random, 40.0)
    yield [(at, rigs.raw.dhcp_discover(rigs.mac(60), 9, "home-router")) for at in (1.0, 5.0, 13.0, 29.0)]
    yield span(random, 40.0).every(
        10.0, rigs.raw.ethernet(rigs.ALL, rigs.mac(60), 0x8863, bytes.fromhex("11090000000401010000"))
    )


@faulty("a PPPoE server answers", fails=("house-network",))
def _(random):
    yield from rigs.playing(random)
    asks = rigs.raw.ethernet(rigs.ALL, rigs.mac(60), 0x8863, bytes.fromhex("11090000000401010000"))
    answers = rigs.raw.ethernet(rigs.mac(60), rigs.mac(61), 0x8863, bytes.fromhex("11070000000401010000"))
    yield rigs.says(2.0, asks, answers)


@faulty("access points look for their controller", fails=("wifi-bridge",))
def _(random):
    yield from rigs.playing(random)
    yield span(random).every(
        3.0,
        lambda n: rigs.raw.udp(
            rigs.mac(60), rigs.ALL, (rigs.ip(60), 40000), ("255.255.255.255", 5246), bytes([0, n])
        ),
    )


@faulty("a Wi-Fi station looks for a direct link", fails=("wifi-bridge",))
def _(random):
    yield from rigs.playing(random)
    yield rigs.says(2.0, rigs.raw.ethernet(rigs.mac(62), rigs.mac(61), 0x890D, b"\x02\x0c\x0a\x01"))


for _hsrp_to, _port in (("224.0.0.2", 1985), ("224.0.0.102", 1985)):

    @faulty(f"a pair of routers talks to {_hsrp_to}", troubles=("house-network",))
    def _(random, to=_hsrp_to, port=_port):
        yield from rigs.playing(random)
        yield span(random).every(
            3.0,
            rigs.raw.udp(
                rigs.mac(60), rigs.raw.multicast_mac(to), (rigs.ip(60), port), (to, port), bytes(20)
            ),
        )


@faulty("an RTP stream goes for most of the capture", fails=("stream-health",))
def _(random):
    yield from rigs.playing(random, 30.0)
    yield _without(rigs.rtp(span(random, 30.0), 11, period_s=0.004), 4.0, 27.0)


for _to in ("93:00:00:00:00:0b", rigs.mac(12)):

    @faulty(f"layer-2 audio to {_to} goes for three seconds", fails=("stream-health",))
    def _(random, to=_to):
        yield from rigs.playing(random, 20.0)
        yield _without(rigs.layer2(span(random, 20.0), 11, to, 0.002, 300), 8.0, 11.0)

    @faulty(f"layer-2 audio to {_to} stops and its sender falls silent", fails=("stream-health",))
    def _(random, to=_to):
        yield from rigs.playing(random, 20.0)
        yield rigs.layer2(span(random, 12.0), 11, to, 0.002, 300)

    @faulty(f"layer-2 audio to {_to} loses bursts of 20", fails=("stream-health",))
    def _(random, to=_to):
        yield from rigs.playing(random, 20.0)
        lost = {n for start in range(500, 9000, 1300) for n in range(start, start + 20)}
        yield rigs.layer2(span(random, 20.0), 11, to, 0.002, 300, lost=lambda n: n in lost)


for _share in (0.005, 0.1):

    @faulty(f"UDP audio that is not RTP loses {_share:.1%}", fails=("stream-health",))
    def _(random, share=_share):
        yield from rigs.playing(random, 15.0)
        frames = list(rigs.udp_audio(span(random, 15.0), 11, "233.252.0.40", 0.001))
        yield [frame for frame in frames if random.random() >= share]

    @faulty(f"AVTP loses {_share:.1%}", fails=("stream-health",))
    def _(random, share=_share):
        s = span(random, 4.0)
        yield rigs.avtp(s, 11, loses=share)
        yield rigs.avtp(s, 12)
        yield rigs.talk(s, 13)


@faulty("a block of paced bursts is missing now and then", fails=("beat-health",))
def _(random):
    yield from rigs.playing(random, 20.0)
    gone = {n for n in range(100, 1800, 40)}
    kept = []
    for n, at in enumerate(_grid(0.0, 20.0, 0.0107)):
        if n not in gone:
            for k in range(16):
                body = struct.pack(">H", k) + rigs.noise(random, 700)
                kept.append(
                    (at + k * 2e-4, rigs.raw.ethernet("93:00:00:00:00:0b", rigs.mac(11), rigs.AUDIO, body))
                )
    yield kept


def _grid(start: float, end: float, step: float) -> list[float]:
    return [start + n * step for n in range(int((end - start) / step))]


for _apart_s in (20e-6, 300e-6, 0.005, 0.03):

    @faulty(
        f"a loop of what three devices ask, copies {_apart_s * 1000:g} ms apart, in a long run",
        fails=("loop",),
    )
    def _(random, apart=_apart_s):
        yield from rigs.playing(random, 25.0)
        end = 10.0 + min(3.0, 3000 * apart)
        yield _circling(random, 10.0, end, apart, [_arp(n, rigs.ip(n), rigs.ip(1)) for n in (12, 13, 14)])


@faulty("a loop of 30 ms", fails=("loop",))
def _(random):
    yield from rigs.playing(random)
    yield _circling(random, 5.0, 5.03, 50e-6, [_arp(n, rigs.ip(n), rigs.ip(1)) for n in (12, 13)])


@faulty("a loop of one content at a high pace", fails=("loop",))
def _(random):
    yield from rigs.playing(random)
    yield _circling(random, 5.0, 6.0, 40e-6, [_arp(12, rigs.ip(12), rigs.ip(1))])


@faulty(
    "a loop in the middle of a long run; a stream lost packets long before", fails=("loop", "stream-health")
)
def _(random):
    yield from rigs.playing(random, 40.0)
    lost = set(range(1000, 1040))
    yield rigs.rtp(span(random, 40.0), 11, period_s=0.004, lost=lambda n: n in lost)
    yield _circling(random, 30.0, 31.0, 100e-6, [_arp(n, rigs.ip(n), rigs.ip(1)) for n in (12, 13)])


@faulty("a storm at a port with a few unicast flows", fails=("broadcast-storm",))
def _(random):
    yield from rigs.playing(random, 6.0)
    s = span(random, 6.0)
    yield from (rigs.udp_audio(s, n, n + 1, 0.01) for n in (11, 12))
    yield s.every(
        1 / 1200, lambda n: rigs.raw.arp(rigs.mac(30), rigs.ip(30), f"192.0.2.{n % 250}"), jitter_s=0.0004
    )


@faulty("the switch reboots: nothing for 25 s, and the listener lost none", troubles=("stream-health",))
def _(random):
    yield from (_without(some, 10.0, 35.0) for some in rigs.playing(random, 50.0))


@faulty("one MAC address is copied: two devices answer for one address", fails=("address-clash",))
def _(random):
    yield from rigs.playing(random)
    for at in (1.0, 2.0, 3.0, 4.0):
        yield rigs.answers(11, 60, 201, at)
        yield rigs.answers(14, 60, 202, at + 0.4)


@faulty(
    "an RTP stream through a leg of 100 Mb/s: packets drop in bursts each second", fails=("stream-health",)
)
def _(random):
    yield from rigs.playing(random, 15.0)
    yield rigs.rtp(span(random, 15.0), 11, lost=lambda n: n % 1000 < 6 and n > 1000)


@faulty("the clock's leader is lost and comes back twice", troubles=("clock",))
def _(random):
    s = span(random, 40.0)
    yield rigs.rtp(s, 11, period_s=0.004)
    clock = list(rigs.ptp(s, 201))
    yield _without(_without(clock, 10.0, 16.0), 25.0, 31.0)


@faulty(
    "an IGMP querier falls silent and the streams stop after it",
    troubles=("multicast-control", "stream-health"),
)
def _(random):
    from tests.wire import groups

    s = span(random, 400.0)
    yield rigs.rtp(span(random, 300.0), 11, period_s=0.02, rate=8000)
    yield rigs.ptp(s, 201)
    yield [(t, groups.query(9, version=2)) for t in (1.0, 21.0, 41.0)]
    yield [(t + 2, groups.report(12, "233.252.0.11", version=2)) for t in (1.0, 21.0, 41.0)]


@faulty("a chatty box: 300 broadcasts a second of every length", troubles=("broadcast-storm",))
def _(random):
    yield from rigs.playing(random)
    yield rigs.telemetry(span(random), 30, 300)


@faulty("large frames from one side", troubles=("frame-size",))
def _(random):
    yield from rigs.playing(random)
    yield span(random).every(0.5, rigs.raw.ethernet(rigs.mac(12), rigs.mac(11), rigs.AUDIO, bytes(8900)))


@faulty("redirects of a router", fails=("stray-router",))
def _(random):
    from tests.wire.routers import redirect4

    yield from rigs.playing(random)
    yield rigs.says(3.0, bytes(redirect4()))


@faulty("a DHCP server over IPv6", troubles=("stray-dhcp",))
def _(random):
    from tests.wire.samples import advertise, solicit

    yield from rigs.playing(random)
    yield rigs.says(3.0, bytes(solicit()), bytes(advertise()))


for _round_s in (0.025, 0.055):

    @faulty(
        f"a loop by a full 10 Mb/s bridge: packets of two streams come round each {_round_s * 1000:g} ms, "
        "and some are lost",
        fails=("loop",),
    )
    def _(random, round_s=_round_s):
        s = span(random, 10.0)
        for n in (11, 12):
            for at, data in rigs.rtp(s, n, period_s=0.004):
                yield [(at, data)]
                while 4.0 < at < 7.0 and random.random() < 0.75:
                    at += round_s * random.uniform(0.95, 1.05)
                    yield [(at, data)]
