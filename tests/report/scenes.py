"""Captures made for the page: many streams, and a rig whose sheet has a box that is not there."""

import tempfile
from dataclasses import replace
from pathlib import Path

from preflight.study import study
from preflight.verdict import Result, judged
from tests.rig.shows import DESK, ENGINE, LEFT, RIGHT, SPARE, bpdu, hello, hum, sheet, stream
from tests.tally.captures import Timed, mac, rtp, write


def studied(frames: list[Timed], name: str):
    with tempfile.TemporaryDirectory() as folder:
        return study(str(write(Path(folder) / name, frames)))


def many(streams: int = 300, packets: int = 40) -> Result:
    """So many streams of 40 senders, each of its own group; every seventh loses packets."""
    frames = [
        (0.00001 * number + 0.001 * packet, rtp(10 + number % 40, group(number), packet, bytes(144)))
        for number in range(streams)
        for packet in range(packets)
        if number % 7 or packet % 20 != 11
    ]
    return judged(studied(frames, "many.pcap"))


def group(number: int) -> str:
    return f"233.252.{number >> 8}.{number & 255}"


def missing() -> Result:
    """The box at the left is not there although its stream is due, and somebody is who is not on the
    sheet."""
    frames = [
        *stream(ENGINE, 3),
        *(
            frame
            for device in (DESK, SPARE, ENGINE, RIGHT, 99)
            for frame in [*hum(device, 3), *hello(device)]
        ),
        *bpdu(),
    ]
    planned = sheet(speaks={LEFT: 0.5, RIGHT: 1.0, ENGINE: 1.0})
    facts = studied(frames, "show.pcap")
    ports = {device.name: f"stage {number}" for number, device in enumerate(planned.device, 1)}
    plugged = tuple(replace(device, port=ports[device.name]) for device in planned.device)
    return judged(replace(facts, sheet=replace(planned, device=plugged)))


STRANGER = mac(99)
