"""The budget's arithmetic beside the lab: real streams over the long run, measured from frames and by the
adapters' counters.

A sender on a busy machine pauses, so loads are not taken over the clock on the wall: they are the bytes that
came over the time of the audio in them. Its senders send so many seconds of audio, however long that takes,
and RTP's timestamps say the same.
"""

from pathlib import Path

import pytest

from preflight.rig.budget import CHECK_SEQUENCE, GAP, PREAMBLE, plan
from preflight.rig.read import parse
from preflight.study import study
from tests.lab import record, senders
from tests.lab.rig import Rig, wait_until

SECONDS = 5
# sender, group, channels, packet time in µs: of several sizes, for overhead weighs most where packets are
# small.
STREAMS = (
    ("box-left", "233.252.0.1", 8, 1000),
    ("box-right", "233.252.0.2", 2, 1000),
    ("box-drums", "233.252.0.3", 4, 250),
    ("engine-a", "233.252.0.4", 1, 1000),
)
PORTS = {
    "desk": "foh 1",
    "engine-a": "foh 2",
    "box-left": "stage 1",
    "box-right": "stage 2",
    "box-drums": "stage 3",
}
SHEET = "\n".join(
    [
        'name = "lab"',
        *(f'[[switch]]\nname = "{name}"\nports = 8' for name in ("foh", "stage")),
        '[[cable]]\na = "foh 8"\nb = "stage 8"',
        *(f'[[device]]\nname = "{name}"\nkind = "box"\nport = "{port}"' for name, port in PORTS.items()),
        *(
            f'[[stream]]\nname = "of {name}"\nsender = "{name}"\nreceivers = ["desk"]\nchannels = '
            f'{channels}\npacket_time_ms = {us / 1000}\ngroup = "{group}"'
            for name, group, channels, us in STREAMS
        ),
    ]
)  # fmt: skip


def counted(rig: Rig, node: str, dev: str) -> tuple[int, int]:
    """Bytes and frames that an adapter's counters say it got."""
    bytes_, frames = (
        int(rig.run(node, "cat", f"/sys/class/net/{dev}/statistics/rx_{what}")) for what in ("bytes", "packets")
    )  # fmt: skip
    return bytes_, frames


def by_counters(before: tuple[int, int], after: tuple[int, int]) -> float:
    """Bits a second of audio. The counters leave out what the cable carries beside: IEEE 802.3 clause 3, 20
    bytes and the check sequence."""
    size, frames = after[0] - before[0], after[1] - before[1]
    return (size + frames * (PREAMBLE + CHECK_SEQUENCE + GAP)) * 8 / SECONDS


def by_frames(path: Path, come_from: set[str]) -> float:
    """Bits a second of audio that came this way: each stream's bytes over the time that its timestamps span.
    What a capture of both ways holds of the other one is left out by its senders."""
    facts = study(str(path))
    pairs = [(each, facts.tally.flows[each.flow]) for each in facts.tally.streams]
    pairs = [(stream, flow) for stream, flow in pairs if flow.source in come_from]
    assert len(pairs) == len(come_from)
    return sum(
        flow.bytes * 8 / (stream.expected * stream.packet_stamps / senders.RATE_HZ) for stream, flow in pairs
    )


def test_link_loads_agree_within_one_percent(rig: Rig, tmp_path: Path) -> None:
    ways = {way.name: way for way in plan(parse(SHEET)).ways}
    groups = [group for _, group, _, _ in STREAMS]
    senders.join(rig, "desk", groups, 60)
    wait_until(
        lambda: all(each in rig.run("stage", "bridge", "mdb", "show") for each in groups), 20, "no member"
    )
    places = {"foh to desk": ("desk", "eth0"), "stage to foh": ("foh", "trunk")}
    before = {name: counted(rig, *place) for name, place in places.items()}

    def play() -> None:
        sent = [
            senders.send(
                rig,
                name,
                {
                    "plan": "rtp", "group": group, "seconds": SECONDS, "channels": channels, "packet_us": us,
                    "ssrc": 0x53000200 + number,
                },
            )
            for number, (name, group, channels, us) in enumerate(STREAMS)
        ]  # fmt: skip
        assert [each.wait(60) for each in sent] == [0] * len(sent)

    captures = record.listen(rig, list(places.values()), SECONDS + 4, during=play)
    after = {name: counted(rig, *place) for name, place in places.items()}
    for (name, place), capture in zip(places.items(), captures, strict=True):
        path = tmp_path / f"{place[0]}.pcap"
        record.write(path, capture, nano=True)
        come_from = {rig[each.removeprefix("of ")].mac for each in ways[name].streams}
        assert len(come_from) == (4 if name == "foh to desk" else 3)
        planned = ways[name].bits_per_s
        framed, told = by_frames(path, come_from), by_counters(before[name], after[name])
        print(
            f"{name}: planned {planned / 1e6:.3f} Mb/s, by frames {framed / 1e6:.3f}, by counters "
            f"{told / 1e6:.3f}"
        )
        assert framed == pytest.approx(planned, rel=0.01), name
        assert told == pytest.approx(planned, rel=0.01), name
