"""Clocks, streams and address plans as rigs of other habits have them: in VLANs, in pairs, switched off in
order, set while they play."""

import struct

from tests.checks.ptp import DELAY_REQUEST, FOLLOW_UP, announces, master, message, sync_v1, syncs
from tests.situations import rigs
from tests.situations.rigs import Frames, raw
from tests.situations.table import NOT_ALARMED, READY, faulty, healthy, span
from tests.tally.captures import sap, sdp


def _in_vlan(frames: Frames, vlan: int) -> list[rigs.Timed]:
    return [(at, raw.tagged(data, vlan)) for at, data in frames]


def _igmp(sender: int, kind: int, group: str, to: str) -> bytes:
    """RFC 2236: a report (0x16) or a leave (0x17)."""
    body = struct.pack(">BBH4B", kind, 0, 0, *map(int, group.split(".")))
    body = body[:2] + struct.pack(">H", raw.checksum(body)) + body[4:]
    packet = raw.ipv4(rigs.ip(sender), to, 2, body, ttl=1)
    return raw.ethernet(raw.multicast_mac(to), rigs.mac(sender), 0x0800, packet)


def _told(leader: int, end_s: float, jump_at_s: float, jump_s: float) -> Frames:
    """A master whose follow-ups tell its time (IEEE 1588-2008 clause 13.7), which jumps once."""
    yield from announces(leader, 0.2, end_s)
    yield from syncs(leader, 0.1, end_s, follow=False)
    for n in range(int((end_s - 0.1) * 4)):
        at = 0.1 + n / 4
        told = 1_700_000_000 + at + (jump_s if at >= jump_at_s else 0.0)
        stamp = struct.pack(">HII", 0, int(told), int(told % 1 * 1e9))
        yield at + 0.0005, message(leader, FOLLOW_UP, stamp, log2=-2)


def _numbered(random, end_s: float, jump: int) -> Frames:
    """A stream whose timestamps jump by so many samples at half its time, while its packets go on."""
    for n in range(int(end_s / 0.004)):
        late = jump if n * 0.004 > end_s / 2 else 0
        data = raw.rtp_header(n, 192 * n + late, 21) + rigs.noise(random, 768)
        yield n * 0.004, _to_group(21, data)


def _to_group(sender: int, data: bytes) -> bytes:
    group = f"233.252.0.{sender}"
    return raw.udp(
        rigs.mac(sender), raw.multicast_mac(group), (rigs.ip(sender), 5004), (group, 5004), data, dscp=34
    )


def _half(random, ssrc: int, sender: int, address: str, group: str) -> Frames:
    """A stream in one of the two networks of a pair: the numbers and the identifier are the same in both
    (SMPTE ST 2022-7)."""
    for n in range(3000):
        data = raw.rtp_header(n, 192 * n, ssrc) + rigs.noise(random, 768)
        places = rigs.mac(sender), raw.multicast_mac(group), (address, 5004), (group, 5004)
        yield n * 0.004 + random.random() * 0.0002, raw.udp(*places, data, dscp=34)


def _in_fragments(random, sender: int, end_s: float) -> Frames:
    """12 channels of 1 ms: each packet is too long for a frame, and goes in two (RFC 791)."""
    to = f"233.252.0.{sender}"
    for n in range(int(end_s / 0.004)):
        data = struct.pack(">HHHH", 5004, 5004, 1748, 0) + raw.rtp_header(n, 48 * n, 9)
        data += rigs.noise(random, 1728)
        for at in (0, 1480):
            part, cut = data[at : at + 1480], (0 if at else 0x2000) | at // 8
            head = struct.pack(">BBHHHBBH", 0x45, 34 << 2, 20 + len(part), n, cut, 64, 17, 0)
            head += bytes([192, 0, 2, sender, 233, 252, 0, sender])
            frame = raw.ethernet(raw.multicast_mac(to), rigs.mac(sender), 0x0800, head + part)
            yield n * 0.004 + at * 2e-8, frame


def _speech(random, end_s: float) -> Frames:
    """One side of a call that sends nothing between two sentences (RFC 3551 section 4.1: the marker begins
    each)."""
    at, number = 0.0, 0
    while at < end_s:
        for n in range(random.randrange(40, 120)):
            data = struct.pack(">BBHII", 0x80, 0x80 if n == 0 else 0, number & 0xFFFF, int(at * 8000), 9)
            yield (
                at,
                raw.udp(
                    rigs.mac(22), rigs.mac(23), (rigs.ip(22), 16384), (rigs.ip(23), 16384),
                    data + rigs.noise(random, 160), dscp=46,
                ),
            )  # fmt: skip
            at, number = at + 0.02, number + 1
        at += 0.02 * random.randrange(25, 150)


# -- in order ------------------------------------------------------------------------------------------------


@healthy("each VLAN of a trunk has its own clock in the same PTP domain", NOT_ALARMED, ("clock",))
def _(random):
    s = span(random)
    for leader, vlan in ((11, 10), (12, 20)):
        yield _in_vlan(rigs.ptp(s, leader), vlan)
        yield _in_vlan(rigs.rtp(s, leader, period_s=0.004), vlan)


@healthy("a box that starts announces itself until it has heard the clock that leads", READY)
def _(random):
    yield from rigs.playing(random, 20.0)
    yield announces(210, 8.0, 10.5, priority1=200)


@healthy("an older box keeps the time of PTP version 2 and gives it on as version 1", READY)
def _(random):
    s = span(random)
    yield from (rigs.rtp(s, n, period_s=0.004) for n in (201, 202))
    yield from (announces(201, 0.1, 12.0, udp=True), syncs(201, 0.1, 12.0, udp=True))
    asks = message(203, DELAY_REQUEST, bytes(10), log2=127, udp=True)
    yield from (s.every(0.25, sync_v1(203)), s.every(1.0, asks, 0.1))


@healthy("a tap of both networks of a box that sends each frame by two (PRP)", READY)
def _(random):
    for some in rigs.playing(random):
        for number, (at, data) in enumerate(some):
            for network, late_s in ((10, 0.0), (11, 4e-6)):
                told = struct.pack(">HHH", number & 0xFFFF, network << 12 | len(data) - 8, 0x88FB)
                yield [(at + late_s, data + told)]


@healthy("the clocks choose who leads before the streams begin", READY)
def _(random):
    yield master(202, 0.0, 8.0, priority1=200)
    yield rigs.ptp(span(random, 40.0, 7.0), 201)
    yield from (rigs.rtp(span(random, 40.0, 20.0), n, period_s=0.004) for n in (201, 202))


@healthy("a clock tells each of its followers the time by unicast, each at its pace", READY)
def _(random):
    yield from (rigs.rtp(span(random), n, period_s=0.004) for n in (201, 202))
    yield announces(201, 0.1, 12.0)
    for n in range(3):
        yield syncs(201, 0.1 + 0.02 * n, 12.0, flags=0x0400 | 0x0200)


@healthy("a sender takes its announcement back, stops, and is switched off", READY)
def _(random):
    yield from rigs.playing(random, 40.0)
    yield rigs.rtp(span(random, 22.0), 5, "233.252.0.5", period_s=0.004)
    words = sdp("Break music", "233.252.0.5", ptime="4")
    yield [(1.0, sap(5, words)), (21.5, sap(5, b"o=- 1 1 IN IP4 192.0.2.5\r\n", flags=4))]


@healthy("the only listener leaves a group, and its stream comes here no more", READY)
def _(random):
    yield from rigs.playing(random, 40.0)
    yield rigs.rtp(span(random, 22.0), 31, "233.252.0.31", period_s=0.004)
    yield [
        (1.0, _igmp(41, 0x16, "233.252.0.31", "233.252.0.31")),
        (21.0, _igmp(41, 0x17, "233.252.0.31", "224.0.0.2")),
    ]


@healthy("a call whose ends send nothing while nobody speaks", READY)
def _(random):
    yield from rigs.playing(random, 30.0)
    yield _speech(random, 30.0)


@healthy(
    "both networks of a redundant pair in one capture, untagged", NOT_ALARMED, ("stream-health", "clock")
)
def _(random):
    for n in (11, 12):
        yield _half(random, n, n, rigs.ip(n), f"233.252.0.{n}")
        yield _half(random, n, n + 100, f"198.51.100.{n}", f"233.252.1.{n}")
    yield rigs.ptp(span(random), 11)


@healthy(
    "both networks of a redundant pair in one capture, each with its own leader", NOT_ALARMED, ("clock",)
)
def _(random):
    for n in (11, 12):
        yield _half(random, n, n, rigs.ip(n), f"233.252.0.{n}")
        yield _half(random, n, n + 100, f"198.51.100.{n}", f"233.252.1.{n}")
    yield from (rigs.ptp(span(random), leader) for leader in (11, 111))


@healthy("switches choose their root while a rig starts, before any audio", NOT_ALARMED, ("spanning-tree",))
def _(random):
    from tests.wire.samples import bpdu

    yield [(2.0 * n, bytes(bpdu(root=0xF2 if n < 4 else 0xF1))) for n in range(30)]
    yield from (rigs.rtp(span(random, 60.0, 45.0), n, period_s=0.004) for n in (201, 202))


@healthy("pictures by RTP, the packets of each sent evenly over its time", READY)
def _(random):
    yield from rigs.playing(random)
    for n in range(12 * 25 * 20):
        stamp = n // 20 * 3600
        data = struct.pack(">BBHII", 0x80, 96 | 0x80 * (n % 20 == 19), n & 0xFFFF, stamp, 5)
        yield [(n * 0.0019 + n // 20 * 0.002, _to_group(25, data + rigs.noise(random, 1000)))]


@healthy("notes by RTP: a packet where there is one, by a clock of its own", READY)
def _(random):
    yield from rigs.playing(random, 20.0)
    at = 0.0
    for n in range(110):
        at += random.choice((0.01, 0.02, 0.1, 0.5))
        data = struct.pack(">BBHII", 0x80, 97 | 0x80, n, int(at * 10000), 5)
        yield [(at, _to_group(25, data + b"\x03\x90\x3c\x40"))]


@healthy("tablets that ask for an address under the name of their kind", NOT_ALARMED, ("name-clash",))
def _(random):
    yield from rigs.playing(random)
    for n in (1, 2, 3):
        yield [(float(n), raw.dhcp_discover(f"da:00:11:22:{n:02x}:01", n, "tablet"))]


@healthy("an IPv6 address that many boxes answer for by design (anycast)", READY)
def _(random):
    from tests.wire.routers import is_at

    yield from rigs.playing(random)
    for sender in (22, 23):
        shared = is_at("2001:db8::16", rigs.mac(sender), f"fe80::{sender}", O=0)
        yield [(2.0 * n + 0.001 * sender, shared) for n in range(6)]


# -- wrong ---------------------------------------------------------------------------------------------------


for _jump_s in (1.0, -37.0):

    @faulty(f"the leading clock is set by {_jump_s:g} s while the show plays", fails=("clock",))
    def _(random, jump_s=_jump_s):
        yield from (rigs.rtp(span(random, 20.0), n, period_s=0.004) for n in (201, 202))
        yield _told(201, 20.0, 9.0, jump_s)


@faulty("the timestamps of a stream jump while its packets go on", troubles=("stream-health",))
def _(random):
    yield from rigs.playing(random, 20.0)
    yield _numbered(random, 20.0, 1_000_000)


@faulty("a box restarts again and again", troubles=("stream-health",))
def _(random):
    yield from rigs.playing(random, 40.0)
    for n in range(5):
        start = 8.0 * n
        yield rigs.rtp(span(random, start + 6.0, start), 22, period_s=0.004, ssrc=n, first=n * 9000)


@faulty("one in six packets lost on the way to one box, and none of the clock's", fails=("stream-health",))
def _(random):
    s = span(random, 20.0)
    yield from (rigs.rtp(s, n, period_s=0.004, loses=0.16) for n in (201, 202, 203))
    yield rigs.ptp(s, 201)


def _wrapped(frames: Frames, tag: bytes) -> Frames:
    """Each frame with a header before its type that hides what follows (IEEE 802.1AE: the rest is a
    cipher's)."""
    for n, (at, data) in enumerate(frames):
        yield at, data[:12] + tag + struct.pack(">I", n) + data[12:]


@faulty("a port whose frames are encrypted (MACsec)", verdicts=("unproven",), quiet=("all",))
def _(random):
    for some in rigs.playing(random):
        yield _wrapped(some, bytes.fromhex("88e52c00"))


@faulty("an IPv6 address at two boxes, both of which answer for it", fails=("address-clash",))
def _(random):
    from tests.wire.routers import is_at

    yield from rigs.playing(random)
    for sender in (22, 23):
        yield [(2.0 * n + 0.001 * sender, is_at("2001:db8::16", rigs.mac(sender))) for n in range(6)]


@faulty("a querier that pauses, and streams that are away until it asks again", fails=("multicast-control",))
def _(random):
    from tests.wire.groups import query, report

    yield rigs.ptp(span(random, 60.0), 201)
    for n in (201, 202):
        sent = rigs.rtp(span(random, 60.0), n, period_s=0.004)
        yield [(at, data) for at, data in sent if not 31.3 < at < 50.4]
        yield [(at + 0.3, report(41, f"233.252.0.{n}")) for at in (1.0, 50.0)]
    yield [(at, query(9, interval=10)) for at in (1.0, 50.0)]


@faulty("a stream of so many channels that its packets go in fragments", troubles=("frame-size",))
def _(random):
    yield from rigs.playing(random)
    yield _in_fragments(random, 25, 12.0)


FLAPS = ((6.0, 8.5), (13.0, 16.0), (21.0, 22.0))


def _away(frames: Frames) -> list[rigs.Timed]:
    return [(at, data) for at, data in frames if not any(start < at < end for start, end in FLAPS)]


@faulty("a box whose plug does not sit", fails=("falls-silent",))
def _(random):
    s = span(random, 30.0)
    yield from rigs.playing(random, 30.0)
    yield _away([*rigs.rtp(s, 203, period_s=0.004), *rigs.talk(s, 203, 1.0)])


@faulty("a switch that restarts, and two boxes and the clock behind it", fails=("falls-silent",))
def _(random):
    yield from map(_away, rigs.playing(random, 30.0))
    yield rigs.rtp(span(random, 30.0), 203, period_s=0.004)


@healthy("a capture of five seconds each minute, put into one file", NOT_ALARMED, ("clock", "beat-health"))
def _(random):
    for some in rigs.playing(random, 185.0):
        yield [(at, data) for at, data in some if at % 60.0 < 5.0]


@healthy("a desk that takes a box's stream off, and on again, and off and on")
def _(random):
    away = ((6.0, 9.0), (15.0, 19.0))
    yield from rigs.playing(random, 30.0)
    sent = rigs.rtp(span(random, 30.0), 203, period_s=0.004)
    yield [(at, data) for at, data in sent if not any(start < at < end for start, end in away)]
    group = "233.252.0.203"
    for off, on in ((0.0, 0.1), *away):
        yield rigs.says(off - 0.05, _igmp(204, 0x17, group, "224.0.0.2")) if off else ()
        yield rigs.says(on - 0.01, _igmp(204, 0x16, group, group))
