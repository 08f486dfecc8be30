"""The healthy show: what a rig in order sounds like, all of it from components that really run.

The Salt Road Revue, an invented touring show. Engine A holds the clock and sends the monitor stream, the left
stage box sends the stage stream, the desk listens to both; the stage box also sends a beat that is not IP,
every device answers ARP, the desk's switch says its name by LLDP and asks for group members, and one box
tells its name by mDNS.
"""

import time
from collections.abc import Mapping

from tests.lab import senders, servers
from tests.lab.rig import Rig

CLOCK_GROUP = "224.0.1.129"
STREAMS = {"box-left": "233.252.0.1", "engine-a": "233.252.0.2"}
STAGE_STREAMS = {"box-left": "233.252.0.1", "box-right": "233.252.0.2"}
CLOCK_WAIT_S = 7.0  # ptp4l listens before it takes office


def play(
    rig: Rig,
    seconds: float,
    *,
    streams: Mapping[str, str] = STREAMS,
    clock: bool = True,
    beats: bool = True,
    wait_s: float = CLOCK_WAIT_S,
) -> None:
    """Start the show, and come back when it has settled; it goes on for `seconds` after that. `streams` says
    which device sends to which group; the desk is a member of all."""
    lasts = seconds + wait_s + 4
    if clock:
        servers.ptp4l(rig, "engine-a", priority=100)
        servers.ptp4l(rig, "engine-b", slave=True)
    servers.lldpd(rig, "foh", "foh-switch", "desk,spare,engine-a,trunk")
    servers.lldpd(rig, "stage", "stage-switch", "trunk,box-*")
    senders.join(rig, "desk", [*streams.values(), CLOCK_GROUP], lasts)
    time.sleep(wait_s)
    plans: dict[str, list[dict]] = {}
    if beats:
        plans["box-left"] = [{"plan": "beat", "seconds": seconds + 4}]
    for number, (name, group) in enumerate(streams.items(), start=0x53000001):
        stream = {"plan": "rtp", "group": group, "seconds": seconds + 4, "ssrc": number}
        plans.setdefault(name, []).append(stream)
    for name, each in plans.items():
        senders.send(rig, name, *each)
    time.sleep(0.5)


def talk(rig: Rig) -> None:
    """Devices look one another up, as they do all day: real ARP, and real mDNS."""
    servers.avahi(rig, "box-right")
    senders.call(rig, "desk", rig["engine-a"].ip, rig["box-left"].ip)
    senders.call(rig, "spare", rig["engine-b"].ip)
