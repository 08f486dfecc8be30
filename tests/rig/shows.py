"""A sheet of a small invented show, and what it sounds like at the desk's port."""

import struct

from preflight.rig.read import parse
from preflight.rig.sheet import Sheet
from tests.tally.captures import Timed, arp, ethernet, every, mac, rtp, udp

DESK, SPARE, ENGINE, ENGINE_B, LEFT, RIGHT, SWITCH = 10, 11, 20, 21, 31, 32, 0xE0
NAMES = {
    DESK: "desk",
    SPARE: "spare desk",
    ENGINE: "engine",
    ENGINE_B: "engine b",
    LEFT: "left",
    RIGHT: "right",
}
KINDS = {DESK: "desk", SPARE: "spare", ENGINE: "engine", ENGINE_B: "spare", LEFT: "box", RIGHT: "box"}
SPARE_FOR = {SPARE: "desk", ENGINE_B: "engine"}
STREAMS = {LEFT: "233.252.0.1", ENGINE: "233.252.0.2"}


def sheet(
    *, also: str = "", switch: str = f'hardware = "{mac(SWITCH)}"', speaks: dict[int, float] | None = None
) -> Sheet:
    """The show's sheet; `also` goes at its end, `speaks` are the devices' speaks_every_s."""
    lines = ['name = "Lantern Tour"', "[[switch]]", 'name = "stage"', "ports = 8", switch]
    for number, name in NAMES.items():
        lines += [
            "[[device]]",
            f'name = "{name}"',
            f'kind = "{KINDS[number]}"',
            f'hardware = "{mac(number)}"',
        ]
        lines.append(f'address = "192.0.2.{number}"')
        if number in SPARE_FOR:
            lines.append(f'spare_for = "{SPARE_FOR[number]}"')
        if speaks and number in speaks:
            lines.append(f"speaks_every_s = {speaks[number]}")
    for number, group in STREAMS.items():
        lines += [
            "[[stream]]",
            f'name = "of {NAMES[number]}"',
            f'sender = "{NAMES[number]}"',
            'receivers = ["desk"]',
        ]
        lines += ["channels = 8", f'group = "{group}"']
    return parse("\n".join(lines) + "\n" + also)


def stream(
    number: int, seconds: float, packet_ms: float = 1.0, samples: int = 48, channels: int = 8
) -> list[Timed]:
    """One of the show's streams: 24 bit, as the sheet has it unless told otherwise."""
    media = bytes(samples * channels * 3)
    made = lambda n: rtp(number, STREAMS[number], n, media, samples)  # noqa: E731
    return every(packet_ms / 1000, made, 0.0, seconds)


def hum(number: int, seconds: float, period_s: float = 1.0) -> list[Timed]:
    """A device's own regular multicast: it goes on as long as the device is on."""
    made = lambda n: udp(number, "224.0.1.129", 320, struct.pack(">I", n))  # noqa: E731
    return every(period_s, made, 0.01 * number, seconds)


def hello(number: int, at: float = 0.5) -> list[Timed]:
    return [(at, arp(number, number))]


def bpdu(at: float = 0.2) -> list[Timed]:
    return [(at, ethernet("01:80:c2:00:00:00", mac(SWITCH + 3), 38, bytes.fromhex("424203") + bytes(35)))]
