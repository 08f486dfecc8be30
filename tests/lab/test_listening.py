"""What is heard can be kept: any capture tool reads the file."""

import json
import subprocess
import sys
import time
from pathlib import Path

from tests.lab import live, scene, senders
from tests.lab.rig import Rig, wait_until


def test_what_was_heard_is_saved_for_any_capture_tool(rig: Rig, tmp_path: Path) -> None:
    kept = tmp_path / "heard.pcapng"
    scene.play(rig, 20, clock=False, wait_s=1)
    listening = live.start(rig, 3, "--json", "--save", str(kept))
    status = Path(f"/proc/{listening.pid}/status")
    wait_until(
        lambda: "CapEff:\t0000000000000006" in status.read_text(encoding="utf-8"),
        5,
        "its privilege is not given up",
    )  # of root's, those that reach files stay
    senders.call(rig, "desk", rig["engine-a"].ip)  # a frame of the desk's own
    out, errors = listening.communicate(timeout=60)
    assert out, errors
    heard = json.loads(out)["source"]["frames"]
    lines = subprocess.run(
        ["tcpdump", "-e", "-nn", "-tt", "-r", str(kept)], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    lines = [line for line in lines if not line.startswith("\t")]  # without what it shows of unknown contents
    assert len(lines) == heard > 2000
    assert any(rig["box-left"].mac in line and "233.252.0.1.5004" in line for line in lines)
    assert abs(float(lines[0].split()[0]) - time.time()) < 60
    studied = subprocess.run(
        [*live.PREFLIGHT, "study", "--json", str(kept)], capture_output=True, text=True, check=False
    )
    source = json.loads(studied.stdout)["source"]
    assert (source["frames"], source["dropped"], source["cut"]) == (heard, 0, 0)


HEARS = """
import sys
from preflight.frames import kernels as k
from preflight.frames.live import RingListener
from preflight.frames.pcap import PcapListener
listener = {"pcap": PcapListener, "ring": RingListener}[sys.argv[1]]("eth0", 8.0)
print("listening", flush=True)
chatter = sum(int((batch.columns[k.CAST, : batch.rows] == k.BROADCAST).sum()) for batch in listener.batches())
facts = listener.facts()
print(chatter, facts.dropped, facts.ended_early or "whole")
"""


def test_libpcap_hears_the_same_frames(rig: Rig) -> None:
    """The way of listening on macOS and Windows, with the library as it is on Linux, beside the ring."""
    both = [
        rig.start("desk", sys.executable, "-c", HEARS, kind, stdout=subprocess.PIPE, text=True)
        for kind in ("pcap", "ring")
    ]
    for each in both:
        assert each.stdout is not None
        assert each.stdout.readline() == "listening\n"
    senders.send(rig, "box-drums", {"plan": "chatter", "rate": 1000, "count": 3000}).wait(20)
    by_pcap, by_ring = (each.communicate(timeout=30)[0].split() for each in both)
    # The bridges lose the first ones: they take a second to see that a port has a link.
    assert by_pcap == by_ring == [by_ring[0], "0", "whole"] and int(by_ring[0]) > 1000
