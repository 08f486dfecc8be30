"""PTP messages byte for byte (IEEE 1588-2008 clause 13, IEEE 1588-2002 for version 1), for the tests of the
clock."""

import struct

from tests.tally.captures import Timed, ethernet, every, mac, udp

GROUP = "224.0.1.129"
ANNOUNCE, SYNC, FOLLOW_UP, DELAY_REQUEST = 11, 0, 8, 1
TWO_STEP = 0x0200


def identity(clock: int) -> bytes:
    return bytes.fromhex("00005efffe0053") + bytes([clock])


def message(
    clock: int, kind: int, body: bytes, *, log2: int = 0, domain: int = 0, flags: int = 0, **where
) -> bytes:
    head = struct.pack(">BBHBBH8x4x", kind | where.get("sdo", 0) << 4, 2, 34 + len(body), domain, 0, flags)
    head += identity(where.get("identity_of", clock)) + struct.pack(">HHBb", where.get("port", 1), 0, 5, log2)
    if where.get("udp"):
        return udp(clock, GROUP, 319 if kind < 8 else 320, head + body)
    return ethernet("01:1b:19:00:00:00", mac(clock), 0x88F7, head + body)


def announce(
    clock: int,
    *,
    priority1: int = 128,
    clock_class: int = 248,
    grandmaster: int | None = None,
    steps: int = 0,
    **more,
) -> bytes:
    quality = struct.pack(">BBBHB", priority1, clock_class, 0xFE, 0xFFFF, 128)
    leader = identity(clock if grandmaster is None else grandmaster)
    return message(
        clock, ANNOUNCE, bytes(13) + quality + leader + struct.pack(">HB", steps, 0xA0), **{"log2": 0, **more}
    )


def announces(clock: int, start: float, end: float, **more) -> list[Timed]:
    """An Announce every second, from `start` to before `end`."""
    return every(1.0, announce(clock, **more), start, end)


def syncs(
    clock: int,
    start: float,
    end: float,
    *,
    period_s: float = 0.25,
    log2: int = -2,
    flags: int = TWO_STEP,
    follow: bool = True,
    **more,
) -> list[Timed]:
    """Two-step Syncs, said to come four times a second, each with its follow-up."""
    beats = every(period_s, message(clock, SYNC, bytes(10), log2=log2, flags=flags, **more), start, end)
    ups = [(at + 0.0005, message(clock, FOLLOW_UP, bytes(10), log2=log2, **more)) for at, _ in beats]
    return beats + (ups if follow else [])


def master(clock: int, start: float, end: float, **more) -> list[Timed]:
    return announces(clock, start, end, **more) + syncs(clock, start + 0.01, end)


def sync_v1(clock: int) -> bytes:
    head = struct.pack(">HH16sBBHI", 1, 1, b"_DFLT".ljust(16, b"\0"), 1, 1, 0, 0)[:22]
    head += bytes.fromhex(mac(clock).replace(":", "")) + struct.pack(">HHB", 1, 0, 0)
    return udp(clock, GROUP, 319, head.ljust(124, b"\0"))
