"""Short builders for what rigs send: audio of any kind, clocks, discovery, switches, people's devices.

All take times in seconds and a random source, so that rates, phases and jitter differ from play to play.
Addresses are those of RFC 5737 and RFC 7042. Bytes are laid out by hand, with nothing of the readers under
test.
"""

import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np

from tests.lab import frames as raw
from tests.situations import drawn
from tests.tally.captures import Timed, mac

Frames = Iterable[Timed]
ALL = "ff:ff:ff:ff:ff:ff"
AUDIO = 0x88B5  # IEEE 802: local experimental EtherType 1
AVTP, MSRP, GPTP = 0x22F0, 0x22EA, 0x88F7  # IEEE 1722, IEEE 802.1Q, IEEE 802.1AS


def ip(number: int) -> str:
    return f"192.0.2.{number}"


@dataclass(frozen=True)
class Span:
    """From `start_s` to `end_s`, with `random` for phases and jitter."""

    start_s: float
    end_s: float
    random: Random

    def every(
        self, period_s: float, make: bytes | Callable[[int], bytes], jitter_s: float = 0.0, phase: bool = True
    ) -> Iterator[Timed]:
        at = self.start_s + (self.random.random() * period_s if phase else 0.0)
        number = 0
        while at < self.end_s:
            late = abs(self.random.gauss(0, jitter_s)) if jitter_s else 0.0
            yield at + min(late, 0.9 * period_s), make if isinstance(make, bytes) else make(number)
            at += period_s
            number += 1

    def stream(
        self, period_s: float, like: bytes, noise: slice, fields: Callable[[np.ndarray], drawn.Fields], jitter_s: float = 0.0,
        **more: Any,
    ) -> Iterator[Timed]:  # fmt: skip
        """The same of frames like one, each with noise of its own: see `drawn`."""
        first = self.start_s + self.random.random() * period_s
        steps = np.full(int((self.end_s - self.start_s) / period_s) + 3, period_s)
        steps[0] = first
        beats = np.add.accumulate(steps)
        beats = beats[beats < self.end_s]
        yield from drawn.frames(
            self.random, beats, like, noise, fields, jitter_s=jitter_s, most_late_s=0.9 * period_s, **more
        )


def noise(random: Random, size: int) -> bytes:
    return random.randbytes(size)


# -- audio ---------------------------------------------------------------------------------------------------


def rtp(
    span: Span, sender: int, group: str = "", period_s: float = 0.001, dscp: int = 34, port: int = 5004,
    lost: Callable[[int], bool] | None = None, rate: int = 48000, ssrc: int | None = None, first: int = 0,
    loses: float = 0.0,
) -> Iterator[Timed]:  # fmt: skip
    group = group or f"233.252.0.{sender}"
    samples = round(period_s * rate)
    head = raw.rtp_header(0, 0, sender if ssrc is None else ssrc)
    like = raw.udp(
        mac(sender), raw.multicast_mac(group), (ip(sender), port), (group, port), head + bytes(samples * 6), dscp=dscp
    )  # fmt: skip

    def fields(n: np.ndarray) -> drawn.Fields:
        yield 44, (first + n).astype(">u2")
        yield 46, ((first + n) * samples).astype(">u4")

    packets = span.stream(
        period_s, like, slice(54, len(like)), fields, jitter_s=period_s / 20, udp=True, loses=loses
    )
    return _without(packets, lost)


def _without(frames: Iterator[Timed], lost: Callable[[int], bool] | None) -> Iterator[Timed]:
    return (frame for number, frame in enumerate(frames) if not lost(number)) if lost else frames


def drifting(frames: Frames, ppm: float) -> Iterator[Timed]:
    """The same by a clock that is so much quick."""
    return ((at * (1 - ppm * 1e-6), data) for at, data in frames)


def udp_audio(span: Span, sender: int, to: int | str, period_s: float, size: int = 400) -> Iterator[Timed]:
    """UDP that is not RTP, to a group or to a device."""
    target = to if isinstance(to, str) else ip(to)
    hardware = raw.multicast_mac(to) if isinstance(to, str) else mac(to)

    body = struct.pack(">II", 0x10203040, 0) + bytes(size)
    like = raw.udp(mac(sender), hardware, (ip(sender), 6000), (target, 6000), body, dscp=46)

    def fields(n: np.ndarray) -> drawn.Fields:
        yield 46, n.astype(">u4")

    return span.stream(period_s, like, slice(50, 50 + size), fields, jitter_s=period_s / 20, udp=True)


def layer2(
    span: Span, sender: int, to: str, period_s: float, size: int = 600, silent: bool = False,
    lost: Callable[[int], bool] | None = None, ethertype: int = AUDIO, loses: float = 0.0,
) -> Iterator[Timed]:  # fmt: skip
    """Audio straight over Ethernet; digital silence is the same bytes again and again."""
    if silent:
        frames = span.every(
            period_s, raw.ethernet(to, mac(sender), ethertype, bytes(size)), jitter_s=period_s / 20
        )
    else:
        like = raw.ethernet(to, mac(sender), ethertype, struct.pack(">HH", 0x0102, 0) + bytes(size))
        frames = span.stream(
            period_s, like, slice(18, 18 + size), lambda n: [(16, n.astype(">u2"))], jitter_s=period_s / 20, loses=loses
        )  # fmt: skip
    return _without(frames, lost)


def bursts(span: Span, sender: int, to: str, block_s: float, frames: int, apart_s: float) -> Iterator[Timed]:
    """Audio in paced bursts: `frames` of them `apart_s` from one another, then a pause to the next block."""
    like = raw.ethernet(to, mac(sender), AUDIO, bytes(702))
    return span.stream(
        block_s, like, slice(16, 716), lambda n: [(14, (n % frames).astype(">u2"))],
        jitter_s=block_s / 100, burst=frames, apart_s=apart_s,
    )  # fmt: skip


def avtp(
    span: Span, sender: int, vlan: int | None = 2, period_s: float = 0.000125, loses: float = 0.0
) -> Iterator[Timed]:
    """An IEEE 1722 stream of class A, tagged with its reservation VLAN: subtype AAF, a sequence number, the
    stream's identity."""
    to = f"91:e0:f0:00:fe:{sender:02x}"

    head = struct.pack(">BBBB", 0x02, 0x81, 0, 0) + raw.mac_bytes(mac(sender)) + b"\0\1"
    frame = raw.ethernet(to, mac(sender), AVTP, head + struct.pack(">IIHH", 0, 0x02000208, 48, 0) + bytes(48))
    like = raw.tagged(frame, vlan, 3) if vlan else frame
    start = len(like) - len(frame) + 14

    def fields(n: np.ndarray) -> drawn.Fields:
        yield start + 2, n.astype(np.uint8)
        yield start + 12, (n * 6).astype(">u4")

    return span.stream(period_s, like, slice(start + 24, start + 72), fields, loses=loses)


# -- clock, switches, discovery ------------------------------------------------------------------------------


def ptp(span: Span, leader: int, domain: int = 0) -> Iterator[Timed]:
    """PTP version 2 over UDP: announce each second, two-step sync eight times a second (IEEE 1588-2008, from
    memory)."""
    from tests.checks.ptp import announce, syncs

    start = span.start_s + span.random.random()
    yield from ((at, announce(leader, domain=domain)) for at in _grid(start, span.end_s, 1.0))
    yield from syncs(leader, start + 0.01, span.end_s, domain=domain)


def _grid(start: float, end: float, step: float) -> Iterator[float]:
    number = 0
    while (at := start + number * step) < end:
        yield at
        number += 1


def gptp(span: Span, leader: int) -> Iterator[Timed]:
    """IEEE 802.1AS pdelay requests, from one box to the next: they are no announcement."""
    body = (
        struct.pack(">BBHBBHQI", 0x12, 0x02, 54, 0, 0, 0, 0, 0)
        + bytes.fromhex("00005efffe0053")
        + bytes([leader])
    )
    return span.every(1.0, raw.ethernet("01:80:c2:00:00:0e", mac(leader), GPTP, body + bytes(30)))


def msrp(span: Span, sender: int) -> Iterator[Timed]:
    return span.every(
        0.5, lambda n: raw.ethernet("01:80:c2:00:00:0e", mac(sender), MSRP, struct.pack(">I", n))
    )


def tree(span: Span, switch: int) -> Iterator[Timed]:
    from tests.wire.samples import bpdu

    frame = bytes(bpdu())
    return span.every(2.0, frame[:6] + raw.mac_bytes(mac(switch)) + frame[12:])


def talk(span: Span, device: int, per_s: float = 0.2) -> Iterator[Timed]:
    """What an idle device sends: it asks who has an address, now and then."""
    return span.every(1 / per_s, raw.arp(mac(device), ip(device), ip(1)), jitter_s=0.1)


def telemetry(span: Span, device: int, per_s: float) -> Iterator[Timed]:
    def packet(n: int) -> bytes:
        data = struct.pack(">I", n) + noise(span.random, span.random.randrange(20, 200))
        return raw.udp(mac(device), ALL, (ip(device), 7000), ("255.255.255.255", 7000), data)

    return span.every(1 / per_s, packet, jitter_s=0.4 / per_s)


def asks_for_an_address(device: int, at_s: float, times: int = 1) -> Iterator[Timed]:
    """RFC 2131 4.1: again after 4, 8, 16 s."""
    for number in range(times):
        yield at_s, raw.dhcp_discover(mac(device), 0x1000 + device, f"box-{device}")
        at_s += 4 * 2**number


def lighting(span: Span, sender: int, universes: int, broadcast: bool) -> Iterator[Timed]:
    """Lighting control over UDP at 44 a second for each universe (ANSI E1.31 5.5 port; the rate from
    memory)."""
    for universe in range(1, universes + 1):
        target = "255.255.255.255" if broadcast else f"239.255.0.{universe}"
        hardware = ALL if broadcast else raw.multicast_mac(target)

        def packet(n: int, target: str = target, hardware: str = hardware, universe: int = universe) -> bytes:
            data = struct.pack(">HBB", universe, n & 0xFF, 0) + bytes([n // 50 % 256]) * 512
            return raw.udp(mac(sender), hardware, (ip(sender), 5568), (target, 5568), data)

        yield from span.every(1 / 44, packet, jitter_s=0.001)


def playing(random: Random, end_s: float = 12.0) -> Iterator[Frames]:
    """A small rig at work, for what is added to it: two streams, a clock, an idle box."""
    s = Span(0.0, end_s, random)
    yield from (rtp(s, n, period_s=0.004) for n in (201, 202))
    yield ptp(s, 201)
    yield talk(s, 203)


def says(at_s: float, *frames: bytes) -> Iterator[Timed]:
    """Frames one after the other from a moment on."""
    return ((at_s + n * 0.001, bytes(frame)) for n, frame in enumerate(frames))


def answers(device: int, address: int, to: int, at_s: float) -> Iterator[Timed]:
    return says(at_s, raw.arp(mac(device), ip(address), ip(to), reply_to=mac(to)))
