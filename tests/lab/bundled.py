"""The bundled captures: each recipe records one file from the lab, and says what it shows and what must be
found.

Verdicts and checks are written by hand from what was done to the rig, not taken from what the product says.
"""

import hashlib
import json
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tests.lab import faults, record, scene, senders
from tests.lab.record import Capture
from tests.lab.rig import TOP, Rig

FOLDER = TOP / "captures"
LARGEST = 1_000_000
DESK = [("desk", "eth0")]


@dataclass(frozen=True)
class Recipe:
    """`make` records; `nano` and `lose_end` go to the writer."""

    file: str
    title: str
    shows: str
    make: Callable[[], Capture]
    verdict: str = "ready"
    fail: tuple[str, ...] = ()
    caution: tuple[str, ...] = ()
    writing: dict = field(default_factory=dict)
    edited: str = ""

    @property
    def name(self) -> str:
        return self.file.split(".")[0]


def record_bundled(only: str | None = None) -> None:
    """Record all, or the one called `only`, and renew the manifest."""
    chosen = [recipe for recipe in RECIPES if only in (None, recipe.name)]
    if not chosen:
        raise SystemExit(f"No such capture. There are: {', '.join(recipe.name for recipe in RECIPES)}")
    FOLDER.mkdir(exist_ok=True)
    manifest = FOLDER / "manifest.json"
    known = (
        {entry["file"]: entry for entry in json.loads(manifest.read_text(encoding="utf-8"))}
        if manifest.exists()
        else {}
    )
    for recipe in chosen:
        capture = recipe.make()
        path = FOLDER / recipe.file
        record.write(path, capture, **recipe.writing)
        size = path.stat().st_size
        if size > LARGEST:
            path.unlink()
            raise SystemExit(f"{recipe.file} would be {size} bytes; {LARGEST} is the most")
        known[recipe.file] = {
            "file": recipe.file,
            "title": recipe.title,
            "shows": recipe.shows,
            "expected_verdict": recipe.verdict,
            "expected_fail": list(recipe.fail),
            "expected_caution": list(recipe.caution),
            "made_by": f"python -m tests.lab record {recipe.name}" + recipe.edited,
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        }
        ordered = [known[each.file] for each in RECIPES if each.file in known]
        manifest.write_text(json.dumps(ordered, indent=2) + "\n")
        print(
            f"{recipe.file}: {len(capture.frames)} frames, {size} bytes, {capture.dropped} dropped",
            flush=True,
        )


def clean() -> Capture:
    with Rig() as rig:
        scene.play(rig, 5)
        return record.listen(rig, DESK, 4, during=lambda: scene.talk(rig))[0]


def mirror() -> Capture:
    with Rig() as rig:
        scene.play(rig, 4, streams=scene.STAGE_STREAMS)
        both = record.listen(rig, [("foh", "trunk"), ("foh", "desk")], 3, during=lambda: scene.talk(rig))
        return record.merge([Capture(_passing(here, there)) for here, there in (both, both[::-1])])


def _passing(here: Capture, there: Capture) -> list[record.Frame]:
    """The frames that were seen at both places: those that the mirror copies on the way in and on the way
    out."""
    seen = {frame.data for frame in there.frames}
    return [frame for frame in here.frames if frame.data in seen]


def broken(
    fault: Callable[[Rig], object], seconds: float = 5, streams: Mapping[str, str] | None = None
) -> Callable[[], Capture]:
    """The show at the desk's port, with `fault` from the first second on."""

    def make() -> Capture:
        with Rig() as rig:
            scene.play(rig, seconds + 1, streams=streams or {})
            return record.listen(rig, DESK, seconds, during=lambda: _after(1, fault, rig))[0]

    return make


def loop() -> Capture:
    with Rig(second_cable=True) as rig:
        scene.play(rig, 4, streams={})
        scene.talk(rig)

        def touch() -> None:
            time.sleep(1)
            faults.second_cable(rig)

        return record.listen(rig, DESK, 3, during=touch)[0].first(6000)


def loop_prevented() -> Capture:
    with Rig(second_cable=True, stp=True) as rig:
        scene.play(rig, 5)
        return record.listen(rig, DESK, 4, during=lambda: scene.talk(rig))[0]


def stray_dhcp() -> Capture:
    with Rig() as rig:
        scene.play(rig, 6, streams={})
        return record.listen(rig, DESK, 4, during=lambda: faults.stray_dhcp(rig))[0]


def no_dhcp() -> Capture:
    with Rig() as rig:
        scene.play(rig, 22, streams={})
        return record.listen(rig, DESK, 20, during=lambda: faults.unanswered_client(rig))[0]


def wifi_bridge() -> Capture:
    with Rig(snooping=False) as rig:
        rig.run("foh", "ip", "link", "set", "br0", "type", "bridge", "group_fwd_mask", "0x4000")
        scene.play(rig, 6, streams={})
        faults.announce_access_point(rig)
        return record.listen(rig, DESK, 5, during=lambda: _after(1, faults.access_point, rig))[0]


STREAMS, PACKETS, CHANNELS = 66, 1200, 10


def link_load() -> Capture:
    """66 streams of 10 channels are 801 Mb/s with preamble, gap and check sequence. Sent by tcpreplay from
    two boxes."""
    groups = [f"233.252.0.{number + 1}" for number in range(STREAMS)]
    with Rig() as rig, tempfile.TemporaryDirectory() as folder:
        scene.play(rig, 8, streams={})
        senders.join(rig, "desk", groups, 20)
        sent = []
        for number, group in enumerate(groups):
            box = rig["box-left" if number % 2 else "box-right"]
            stream = senders.rtp(
                box, group=group, seconds=PACKETS / 1000, channels=CHANNELS, ssrc=0x53000100 + number
            )
            sent += [
                record.Frame(int((due + number * 1e-3 / STREAMS) * 1e9), _silent(frame), len(frame))
                for due, frame in stream
            ]
        sent.sort(key=lambda frame: frame.ns)
        path = Path(folder) / "load.pcap"
        record.write(path, Capture(sent), nano=True)
        time.sleep(1)

        def play() -> None:
            time.sleep(0.2)
            rate = str(STREAMS * 1000)
            rig.run(
                "box-left",
                "tcpreplay",
                "-q",
                "--preload-pcap",
                "--pps",
                rate,
                "-i",
                "eth0",
                str(path),
                timeout=90,
            )

        return record.listen(rig, DESK, 8, during=play)[0]


def _silent(frame: bytes) -> bytes:
    """The same frame with digital silence for audio, no check sum of UDP (RFC 768 allows zero)."""
    return frame[:40] + b"\0\0" + frame[42:54] + bytes(len(frame) - 54)


def poor_capture() -> Capture:
    with Rig() as rig:
        scene.play(rig, 5)
        capture = record.listen(rig, DESK, 3, during=lambda: scene.talk(rig), snap=96)[0]
    return faults.step_back(capture)


def _after(seconds: float, fault: Callable[[Rig], object], rig: Rig) -> None:
    time.sleep(seconds)
    fault(rig)


RECIPES = (
    Recipe(
        "clean-rig.pcap.gz", "A rig in order",
        "The Salt Road Revue at the desk's port: two streams, a steady clock, a beat that is not IP. "
        "Nothing is wrong.",
        clean,
    ),
    Recipe(
        "clean-mirror.pcapng.gz", "A rig in order, seen from a mirror port",
        "The same rig from a mirror port that copies what comes in and what goes out: every frame is "
        "there twice, and that is no loop.",
        mirror, writing={"device": "mirror0"},
    ),
    Recipe(
        "broadcast-storm.pcap.gz", "A chatty box",
        "One stage box sends two thousand status broadcasts a second, each one new. There is no loop.",
        broken(faults.chatty_box), "not ready", ("broadcast-storm",),
    ),
    Recipe(
        "multicast-storm.pcap.gz", "A discovery flood",
        "Four devices ask for services five hundred times a second each.",
        broken(faults.discovery_flood), "not ready", ("multicast-storm",),
    ),
    Recipe(
        "loop.pcap.gz", "A second cable between the switches",
        "Someone plugs a second cable between the two switches and pulls it again. Without a spanning tree "
        "the same frames run in circles. The file ends after six thousand frames.",
        loop, "not ready", ("loop", "multicast-storm"), writing={"nano": True},
    ),
    Recipe(
        "loop-prevented.pcap.gz", "The same second cable, with a spanning tree",
        "The second cable is there as a spare; the spanning tree keeps it closed. Nothing is wrong.",
        loop_prevented,
    ),
    Recipe(
        "stray-dhcp.pcapng", "A DHCP server that should not be there",
        "The spare desk asks for an address and a guest's computer hands one out.",
        stray_dhcp, "not ready", ("stray-dhcp",),
    ),
    Recipe(
        "no-dhcp.pcap", "Nobody answers a DHCP client",
        "The spare desk asks for an address again and again and is never answered: there is no DHCP server.",
        no_dhcp,
    ),
    Recipe(
        "wifi-bridge.pcap", "An access point plugged into the audio LAN",
        "Backstage Wi-Fi hangs on the switch at front of house: hand-held devices join by it, and it says "
        "what it is.",
        wifi_bridge, "not ready", ("wifi-bridge",),
    ),
    Recipe(
        "link-load.pcap.zst", "Too many streams for one port",
        "Sixty-six streams of ten channels go out by the desk's port: 80 % of a gigabit link for more than "
        "a second.",
        link_load, "not ready", ("link-load",),
    ),
    Recipe(
        "stream-loss.pcap.gz", "A stream that loses packets",
        "On its way to the desk one stream of the left stage box loses every hundredth packet. Engine A's "
        "stream comes whole.",
        broken(faults.lossy, 4, {"engine-a": "233.252.0.2"}), "not ready", ("stream-health",),
    ),
    Recipe(
        "missing-beats.pcap.gz", "A beat that misses",
        "The right stage box sends a hundred frames a second that are not IP; three in a row are missing, "
        "and one later.",
        broken(faults.missing_beats, 4), "not ready", ("beat-health",),
    ),
    Recipe(
        "two-clocks.pcap.gz", "Two clocks lead at once",
        "Engine A holds the clock. The drum box is set to lead whatever it hears, and does.",
        broken(faults.second_clock, 13), "not ready", ("clock",),
    ),
    Recipe(
        "address-clash.pcap.gz", "One address at two devices",
        "A guest's computer has the left stage box's address, and both say so.",
        broken(faults.address_clash), "not ready", ("address-clash",),
    ),
    Recipe(
        "ipv6-router.pcap.gz", "A router that nobody planned",
        "A guest's computer says by IPv6 that it is the way out.",
        broken(faults.stray_router), "not ready", ("stray-router",),
    ),
    Recipe(
        "poor-capture.pcap.gz", "A capture that shows only part",
        "The rig is in order, but the capture keeps 96 bytes of each frame, its clock steps back in the "
        "middle, and its end is missing.",
        poor_capture, "ready with cautions", (), ("capture-quality",), writing={"lose_end": 31},
        edited=" (the lab then sets the second half's times back by 0.7 s and cuts the last record)",
    ),
)  # fmt: skip
