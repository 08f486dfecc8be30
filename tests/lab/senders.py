"""Bounded senders, each a process of its own inside a namespace.

A plan is a generator of (due in seconds, frame); `send` starts a process that merges its plans by time and
puts each frame on the adapter when it is due. Every plan ends by a count or a time that it is given, and
`LONGEST_S` and `MOST_FRAMES` bound them all. Frames go out through AF_PACKET: what is written is what is
seen.
"""

import contextlib
import errno
import heapq
import json
import math
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence

from tests.lab import frames
from tests.lab.rig import Node, Rig

LONGEST_S = 120.0
MOST_FRAMES = 400_000
RATE_HZ = 48_000
Plan = Iterator[tuple[float, bytes]]


def rtp(
    node: Node,
    *,
    group: str,
    seconds: float,
    channels: int = 2,
    port: int = 5004,
    ssrc: int = 0x53000001,
    packet_us: int = 1000,
    rate_hz: int = RATE_HZ,
    dscp: int = 34,
    skip: Sequence[int] = (),
    tag: int | None = None,
) -> Plan:
    """Linear 24-bit audio (RFC 3190): a sine whose period divides the packet, so that files stay
    small. `skip` lists packets that are lost on the way."""
    samples = rate_hz * packet_us // 1_000_000
    sine = [int(4_000_000 * math.sin(2 * math.pi * n / samples)) for n in range(samples)]
    audio = b"".join((value & 0xFFFFFF).to_bytes(3, "big") * channels for value in sine)
    missing, to_mac = set(skip), frames.multicast_mac(group)
    for number in range(int(seconds * 1_000_000 / packet_us)):
        if number in missing:
            continue
        head = frames.rtp_header(number + 1000, number * samples + 77_000, ssrc)
        frame = frames.udp(
            node.mac,
            to_mac,
            (node.ip, port),
            (group, port),
            head + audio,
            ttl=15,
            dscp=dscp,
            ident=number & 0xFFFF,
        )
        yield number * packet_us / 1e6, frames.tagged(frame, tag) if tag is not None else frame


def beat(
    node: Node,
    *,
    seconds: float,
    period_s: float = 0.01,
    to: str = "01:00:5e:90:10:01",
    size: int = 96,
    skip: Sequence[int] = (),
) -> Plan:
    """A periodic multicast that is not IP: a counter under a local experimental EtherType."""
    missing = set(skip)
    for number in range(int(seconds / period_s)):
        if number not in missing:
            body = struct.pack("!4sI", b"BEAT", number).ljust(size, b"\0")
            yield number * period_s, frames.ethernet(to, node.mac, frames.BEAT_ETHERTYPE, body)


def blocks(
    node: Node,
    *,
    seconds: float,
    block_s: float = 0.0107,
    frames_each: int = 8,
    apart_s: float = 0.0002,
    to: str = "01:00:5e:90:10:06",
    size: int = 700,
    skip: Sequence[int] = (),
) -> Plan:
    """Audio that is not IP, in paced bursts: a few frames for each block of samples, then a pause to the
    next."""
    missing = set(skip)
    for number in range(int(seconds / block_s) * frames_each):
        if number not in missing:
            block, at = divmod(number, frames_each)
            body = struct.pack("!4sI", b"BLCK", number).ljust(size, b"\0")
            yield block * block_s + at * apart_s, frames.ethernet(to, node.mac, frames.BEAT_ETHERTYPE, body)


def chatter(node: Node, *, rate: float, count: int, start: int = 0) -> Plan:
    """Broadcasts, each with a number of its own, so that none is a copy."""
    for number in range(start, start + count):
        data = b"status of a box " + struct.pack("!I", number)
        yield (
            (number - start) / rate,
            frames.udp(
                node.mac,
                frames.BROADCAST,
                (node.ip, 40000),
                ("192.0.2.255", 40000),
                data,
                ident=number & 0xFFFF,
            ),
        )


def discovery(node: Node, *, rate: float, count: int) -> Plan:
    """Questions for services without end, each for another name."""
    for number in range(count):
        name = f"box-{number:05d}._tallylamp._udp.local"
        yield number / rate, frames.mdns_question(node.mac, node.ip, name)


def copy(node: Node, *, to: dict, rate: float, count: int) -> Plan:
    """A file on its way to one device: unicast, every part another one."""
    end = Node(**to)
    for number in range(count):
        part = struct.pack("!I", number) + bytes(1400)
        ident = number & 0xFFFF
        yield number / rate, frames.udp(node.mac, end.mac, (node.ip, 6001), (end.ip, 6001), part, ident=ident)


def listed(
    _: Node, *, raw: Sequence[str], every_s: float = 0.0, after_s: float = 0.0, rounds: int = 1
) -> Plan:
    """Frames given as hexadecimal text."""
    for number in range(rounds * len(raw)):
        yield after_s + number * every_s, bytes.fromhex(raw[number % len(raw)])


PLANS = {plan.__name__: plan for plan in (rtp, beat, blocks, chatter, discovery, copy, listed)}


def send(rig: Rig, name: str, *plans: dict, dev: str | None = None) -> subprocess.Popen:
    """Start a sender in the namespace of `name`. Each plan is {"plan": its name, and what it takes}."""
    node = rig[name]
    order = {"node": node.__dict__, "dev": dev or node.dev, "plans": plans}
    return rig.start(name, sys.executable, "-m", "tests.lab.senders", json.dumps(order), stderr=None)


def once(rig: Rig, name: str, *raw: bytes, every_s: float = 0.0, dev: str | None = None) -> None:
    """Send a few frames now, and wait until they are out."""
    plan = {"plan": "listed", "raw": [frame.hex() for frame in raw], "every_s": every_s}
    send(rig, name, plan, dev=dev).wait(LONGEST_S)


def join(rig: Rig, name: str, groups: Sequence[str], seconds: float) -> subprocess.Popen:
    """Have a device's kernel be a member of groups for a time, as a receiver of their streams would."""
    order = {"join": groups, "ip": rig[name].ip, "seconds": seconds}
    return rig.start(name, sys.executable, "-m", "tests.lab.senders", json.dumps(order), stderr=None)


def call(rig: Rig, name: str, *addresses: str) -> None:
    """Have a device's kernel look each address up and send it one datagram."""
    rig.run(name, sys.executable, "-m", "tests.lab.senders", json.dumps({"call": addresses}))


def _pace(dev: str, plan: Plan) -> None:
    with contextlib.suppress(PermissionError):  # a busy machine would make bunches of a steady beat
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as out:
        out.bind((dev, 0))
        start = time.monotonic()
        for number, (due, frame) in enumerate(plan):
            if due > LONGEST_S or number >= MOST_FRAMES:
                return
            early = start + due - time.monotonic()
            if early > 0:
                time.sleep(early)
            try:
                out.send(frame)
            except OSError as error:
                if error.errno != errno.ENOBUFS:  # a full adapter, as in a loop, loses the frame
                    raise


def _hold(groups: Sequence[str], ip: str, seconds: float) -> None:
    held = []
    for group in groups:  # a socket each: the kernel allows 20 groups on one
        member = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        member.setsockopt(
            socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(group) + socket.inet_aton(ip)
        )
        held.append(member)
    time.sleep(min(seconds, LONGEST_S))


def _main(order: dict) -> None:
    if "join" in order:
        return _hold(order["join"], order["ip"], order["seconds"])
    if "call" in order:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            for address in order["call"]:
                out.sendto(b"are you there", (address, 9))
        return None
    node = Node(**order["node"])
    plans = [PLANS[plan.pop("plan")](node, **plan) for plan in order["plans"]]
    return _pace(order["dev"], heapq.merge(*plans, key=lambda item: item[0]))


if __name__ == "__main__":
    _main(json.loads(sys.argv[1]))
