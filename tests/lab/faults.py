"""What can go wrong on a rig, one small function each: it breaks a healthy rig in one way, while a recording runs."""

import subprocess
import time

from tests.lab import frames, senders, servers
from tests.lab.rig import Rig

STATION = "02:00:5e:00:53:77"  # locally administered, as hand-held devices make them up


def second_cable(rig: Rig, seconds: float = 0.03) -> None:
    """Plug a second cable between the switches, and pull it. One shell, so that it is pulled whatever the load is."""
    rig.run(
        "foh", "sh", "-c", f"ip link set second up; sleep {seconds}; ip link set second down", timeout=30
    )  # fmt: skip


def chatty_box(rig: Rig, name: str = "box-drums", rate: float = 2000, seconds: float = 3) -> None:
    plan = {"plan": "chatter", "rate": rate, "count": int(rate * seconds)}
    senders.send(rig, name, plan).wait(60)


def discovery_flood(
    rig: Rig, names: tuple[str, ...] = ("box-left", "box-right", "box-drums", "engine-b"), rate: float = 2000, seconds: float = 3
) -> None:
    share = rate / len(names)
    plan = {"plan": "discovery", "rate": share, "count": int(share * seconds)}
    for sender in [senders.send(rig, name, plan) for name in names]:
        sender.wait(60)


def stray_dhcp(rig: Rig, name: str = "guest", client: str = "spare") -> subprocess.Popen:
    """A real server answers a real client."""
    servers.dnsmasq(rig, name, router=rig[name].ip)
    time.sleep(0.5)
    return servers.dhclient(rig, client)


def unanswered_client(rig: Rig, name: str = "spare") -> None:
    """A client asks at 0, 4 and 12 s, as RFC 2131 section 4.1 has it wait; nobody answers. No fault, but a proof."""
    ask = [(at, frames.dhcp_discover(rig[name].mac, 0x53000B01, name, at)) for at in (0, 4, 12)]
    plans = [{"plan": "listed", "raw": [frame.hex()], "after_s": at + 0.3} for at, frame in ask]
    senders.send(rig, name, *plans).wait(30)


def access_point(rig: Rig, name: str = "guest") -> None:
    """An access point bridged in: a hand-held device associates, asks for an address; the gateway tells its name."""
    node = rig[name]
    senders.once(
        rig,
        name,
        frames.layer2_update(STATION),
        frames.dhcp_discover(STATION, 0x53000077, "pocket-tablet"),
        frames.gateway_notify(node.mac, node.ip, 0x42),
        frames.layer2_update("06:00:5e:00:53:78"),
        every_s=0.4,
    )


def announce_access_point(rig: Rig, name: str = "guest") -> subprocess.Popen:
    """LLDP with the capability 'WLAN access point' (IEEE 802.1AB)."""
    return servers.lldpd(
        rig, name, "backstage-wifi", rig[name].dev, "configure system capabilities enabled wlan,bridge"
    )
