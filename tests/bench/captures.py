"""The captures that are measured, made by NumPy from templates of frames."""

import struct
from pathlib import Path

import numpy as np

from tests.tally.captures import announce, arp, broadcast, mac, rtp, udp

AT_ONCE = 20_000
SECOND = 10**9
START_S = 1_700_000_000
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1)
# Where things stand in a record: after its head of 16 bytes, the headers of Ethernet, IPv4 and UDP.
SEQUENCE, STAMP, SOUND = 16 + 44, 16 + 46, 16 + 54


def rtp_frame(number: int, size: int) -> bytes:
    """An RTP packet of stream `number` to a group of its own, cut or filled to `size` bytes."""
    return rtp(number % 200 + 1, f"233.252.{number // 200}.{16 + number % 200}", 0, bytes(size))[:size]


def records(template: np.ndarray, at_ns: np.ndarray) -> np.ndarray:
    """Records of a pcap with microseconds, one for each row of `template`."""
    size = template.shape[1]
    head = np.stack(
        [START_S + at_ns // SECOND, at_ns % SECOND // 1000, at_ns * 0 + size, at_ns * 0 + size], axis=1
    )
    block = np.empty((len(at_ns), 16 + size), np.uint8)
    block[:, :16] = head.astype("<u4").view(np.uint8).reshape(-1, 16)
    block[:, 16:] = template
    return block


def number(block: np.ndarray, sequence: np.ndarray) -> None:
    """Write RTP sequence numbers, and timestamps of 48 samples a packet."""
    block[:, SEQUENCE : SEQUENCE + 2] = (sequence & 0xFFFF).astype(">u2").view(np.uint8).reshape(-1, 2)
    if block.shape[1] >= STAMP + 4:
        block[:, STAMP : STAMP + 4] = (sequence * 48 & 0xFFFFFFFF).astype(">u4").view(np.uint8).reshape(-1, 4)


def streams(path: Path, size: int, frames: int, gap_ns: int, count: int = 8) -> None:
    """`frames` frames of `size` bytes, one every `gap_ns`, `count` streams taking turns."""
    template = np.array([np.frombuffer(rtp_frame(n, size), np.uint8) for n in range(count)])
    with path.open("wb") as file:
        file.write(HEADER)
        for start in range(0, frames, AT_ONCE):
            index = np.arange(start, min(start + AT_ONCE, frames))
            block = records(template[index % count], index * gap_ns)
            number(block, index // count)
            file.write(block.tobytes())


def show(path: Path, milliseconds: int, audio: int = 64, flows: int = 2000) -> int:
    """A show as a mirror port sees it; returns its frames. Every millisecond a packet of each of `audio`
    streams with sound in it; of each of 16 senders the beat of a counter that is no RTP; 24 frames of `flows`
    flows in turn, of four sizes; and now and then ARP, clock announcements, mDNS and a description."""
    sound = np.random.default_rng(1)
    voices = np.array([np.frombuffer(rtp_frame(n, 342), np.uint8) for n in range(audio)])
    beats = np.array([np.frombuffer(broadcast(200 + n, 0, 110), np.uint8) for n in range(16)])
    others = [
        np.array([np.frombuffer(other(n, size), np.uint8) for n in range(size % 7, flows, 4)])
        for size in (74, 130, 590, 1466)
    ]
    control = [
        arp(7, 9), arp(9, 7), announce(3, 1),
        udp(5, "224.0.0.251", 5353, bytes.fromhex("000084000000000100000000") + b"\4desk\5local\0\0\1\0\1\0\0\0x\0\4\xc0\0\2\5"),
    ]  # fmt: skip
    frames = 0
    with path.open("wb") as file:
        file.write(HEADER)
        for ms in range(milliseconds):
            at = ms * 1_000_000
            block = records(voices, at + np.arange(audio) * 5_000)
            number(block, np.full(audio, ms))
            block[:, SOUND:] = sound.integers(0, 256, (audio, block.shape[1] - SOUND), np.uint8)
            parts: list[np.ndarray] = [block]
            block = records(beats, at + 400_000 + np.arange(16) * 2_000)
            block[:, 30:34] = np.full(16, ms).astype(">u4").view(np.uint8).reshape(-1, 4)
            parts.append(block)
            for kind, template in enumerate(others):
                index = np.arange(ms * 6, ms * 6 + 6) % len(template)
                block = records(template[index], at + 500_000 + kind * 90_000 + np.arange(6) * 14_000)
                block[:, 16 + 42 : 16 + 46] = np.full(6, ms).astype(">u4").view(np.uint8).reshape(-1, 4)
                parts.append(block)
            if ms % 50 == 0:
                frame = np.frombuffer(control[ms // 50 % len(control)], np.uint8)[None]
                parts.append(records(frame, np.array([at + 950_000])))
            frames += sum(len(part) for part in parts)
            file.write(b"".join(part.tobytes() for part in parts))
    return frames


def other(number: int, size: int) -> bytes:
    """A frame from one station to another."""
    to, port = number % 61 + 2, 20000 + number
    return udp(number % 59 + 70, f"192.0.2.{to}", port, bytes(size - 42), mac(to))[:size].ljust(size, b"\0")
