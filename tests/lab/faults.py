"""What can happen on a rig while a recording runs, one small function each: first what breaks it, then what
only looks like trouble."""

import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import replace

from tests.lab import frames, senders, servers
from tests.lab.record import Capture
from tests.lab.rig import Rig, mac, wait_until
from tests.wire import routers

STATION = "02:00:5e:00:53:77"  # locally administered, as hand-held devices make them up
OTHER_STATION = "06:00:5e:00:53:78"


# Each made up by itself, as hand-held devices do: local addresses that share no beginning.
POCKETS = tuple(f"{first}:00:5e:00:53:70" for first in ("02", "06", "0a"))


def second_cable(rig: Rig, seconds: float = 0.03) -> None:
    """Plug a second cable between the switches, and pull it."""
    _touch(rig, "second", seconds)


def cable_in_one_switch(rig: Rig, seconds: float = 0.02) -> None:
    """Both ends of one cable in the same switch, and pulled again."""
    rig.cable(("foh", "spare-1", mac(0xFC)), ("foh", "spare-2", mac(0xFD)), plugged=False)
    _touch(rig, "spare-1", seconds)


def _touch(rig: Rig, dev: str, seconds: float) -> None:
    """Let one end of a cable be a port of the switch for a moment. The link is up before: the kernel takes up
    to a second to tell a bridge of a new link. One shell, so that it is pulled whatever the load is."""
    wait_until(
        lambda: "up" in rig.run("foh", "cat", f"/sys/class/net/{dev}/operstate"), 5, f"the link of {dev}"
    )
    touch = f"ip link set {dev} master br0; sleep {seconds}; ip link set {dev} nomaster"
    rig.run("foh", "sh", "-c", touch, timeout=30)


def slow_second_cable(rig: Rig, mbps: float = 10, delay_s: float = 0.02, seconds: float = 2.5) -> None:
    """A second way between the switches by something slow (an old bridge, a powerline adapter) on the spare's
    table, plugged in for a moment. Each frame to everybody comes by again and again, one round of the way
    later."""
    for dev, switch, own, far in (("slow-a", "foh", 0xC1, 0xC2), ("slow-b", "stage", 0xC3, 0xC4)):
        rig.cable(("spare", dev, mac(own)), (switch, "slow", mac(far)))
        rig.run("spare", "ip", "link", "set", dev, "arp", "off", "up")
    way = ["tests.lab.relay", "slow-a", "slow-b", f"{seconds:g}", f"{mbps:g}", f"{delay_s:g}"]
    rig.start("spare", sys.executable, "-m", *way).wait(seconds + 30)


def chatty_box(rig: Rig, name: str = "box-drums", rate: float = 2000, seconds: float = 3) -> None:
    plan = {"plan": "chatter", "rate": rate, "count": int(rate * seconds)}
    senders.send(rig, name, plan).wait(60)


def discovery_flood(
    rig: Rig,
    names: tuple[str, ...] = ("box-left", "box-right", "box-drums", "engine-b"),
    rate: float = 2000,
    seconds: float = 3,
) -> None:
    share = rate / len(names)
    plan = {"plan": "discovery", "rate": share, "count": int(share * seconds)}
    for sender in [senders.send(rig, name, plan) for name in names]:
        sender.wait(60)


def lookups_without_end(rig: Rig, name: str = "box-drums", rate: float = 1500, seconds: float = 2.5) -> None:
    """A device looks up one address after another, none of which is there."""
    node = rig[name]
    raw = [frames.arp(node.mac, node.ip, f"192.0.2.{host}").hex() for host in range(100, 254)]
    plan = {"plan": "listed", "raw": raw, "every_s": 1 / rate, "rounds": int(rate * seconds / len(raw))}
    senders.send(rig, name, plan).wait(30)


def stray_dhcp(
    rig: Rig, name: str = "guest", client: str = "spare", *, heard_by_all: bool = True
) -> subprocess.Popen:
    """A real server answers a real client: by broadcast, or to the client alone."""
    servers.dnsmasq(rig, name, router=rig[name].ip, broadcast=heard_by_all)
    time.sleep(0.5)
    return servers.dhclient(rig, client)


def stray_dhcp6(rig: Rig, name: str = "guest", client: str = "spare") -> subprocess.Popen:
    """The same over IPv6, which is switched on for the two."""
    for each in (name, client):
        settings = [f"net.ipv6.conf.eth0.{key}" for key in ("accept_dad=0", "accept_ra=0", "disable_ipv6=0")]
        rig.run(each, "sysctl", "-q", "-w", *settings)
    rig.run(name, "ip", "-6", "address", "add", "2001:db8::1/64", "dev", "eth0", "nodad")
    servers.dnsmasq(rig, name, version=6)
    time.sleep(0.5)
    return servers.dhclient(rig, client, version=6)


def two_dhcp_servers(rig: Rig) -> None:
    servers.dnsmasq(rig, "box-drums", 160, 190)
    stray_dhcp(rig)


def access_point(rig: Rig, name: str = "guest") -> None:
    """An access point bridged in: a hand-held device associates, asks for an address; the gateway tells its
    name."""
    node = rig[name]
    senders.once(
        rig,
        name,
        frames.layer2_update(STATION),
        frames.dhcp_discover(STATION, 0x53000077, "pocket-tablet"),
        frames.gateway_notify(node.mac, node.ip, 0x42),
        frames.layer2_update(OTHER_STATION),
        every_s=0.4,
    )


def announce_access_point(rig: Rig, name: str = "guest") -> subprocess.Popen:
    """LLDP with the capability 'WLAN access point' (IEEE 802.1AB)."""
    return servers.lldpd(
        rig, name, "backstage-wifi", rig[name].dev, "configure system capabilities enabled wlan,bridge"
    )


def stations_associate(rig: Rig, name: str = "guest") -> None:
    senders.once(rig, name, frames.layer2_update(STATION), frames.layer2_update(OTHER_STATION), every_s=0.5)


def stream(rig: Rig, name: str = "box-left", *, seconds: float = 2.5, **plan: object) -> None:
    """A stream that the desk listens to, from now on; `plan` is what `senders.rtp` takes."""
    group = "233.252.0.30"
    senders.join(rig, "desk", [group], seconds + 2)
    time.sleep(0.2)
    senders.send(rig, name, {"plan": "rtp", "group": group, "seconds": seconds, **plan}).wait(30)


def lossy(rig: Rig, nth: int = 100, packet_us: int = 1000) -> None:
    """A stream that loses every `nth` packet on its way."""
    stream(rig, skip=list(range(nth // 2, 2_500_000 // packet_us, nth)), packet_us=packet_us)


def lossy_layer2(
    rig: Rig, name: str = "box-right", *, plan: str = "beat", skip: Sequence[int] = (), **how
) -> None:
    """Audio that is not IP, some frames of which are lost on the way."""
    usual = {"period_s": 0.002, "size": 600} if plan == "beat" else {}
    sent = {"plan": plan, "seconds": 2.5, "to": "01:00:5e:90:10:07", "skip": list(skip), **usual, **how}
    senders.send(rig, name, sent).wait(30)


def missing_beats(rig: Rig, name: str = "box-right") -> None:
    plan = {"plan": "beat", "seconds": 2.5, "to": "01:00:5e:90:10:04", "skip": [100, 101, 102, 150]}
    senders.send(rig, name, plan).wait(30)


def second_querier(rig: Rig, name: str = "guest") -> None:
    """A device that asks for group members beside the switch, and never yields."""
    query = frames.igmp_query(rig[name].mac, rig[name].ip)
    senders.once(rig, name, *[query] * 4, every_s=0.9)


def querier_off(rig: Rig) -> None:
    """The switch asks for group members once more, and stops."""
    time.sleep(2.2)
    rig.run("foh", "ip", "link", "set", "br0", "type", "bridge", "mcast_querier", "0")


def stray_router(rig: Rig, name: str = "guest") -> None:
    """A device says by IPv6 that it is the way out."""
    senders.once(rig, name, *[routers.advertisement(src=rig[name].mac)] * 3, every_s=0.5)


def redirected(rig: Rig, name: str = "guest") -> None:
    """A device tells the desk to send its packets another way."""
    senders.once(rig, name, routers.redirect4(rig[name].mac, rig["desk"].mac))


def another_subnet(
    rig: Rig, name: str = "box-drums", address: str = "169.254.7.33/16", looks_for: str = "169.254.20.20"
) -> None:
    """A device that has an address of another subnet, and looks for its engine there; the others look one
    another up, too."""
    rig.run(name, "ip", "address", "flush", "dev", "eth0")
    rig.run(name, "ip", "address", "add", address, "dev", "eth0")
    for _ in range(2):
        senders.call(rig, name, looks_for)
        senders.call(rig, "spare", rig["engine-b"].ip, rig["box-right"].ip)


def router_by_its_outer_port(rig: Rig, name: str = "guest") -> subprocess.Popen:
    """A home router, plugged in by the port that is meant for the internet: it asks for an address, and dials
    (RFC 2516)."""
    dials = frames.ethernet(frames.BROADCAST, rig[name].mac, 0x8863, bytes.fromhex("11090000000401010000"))
    client = servers.dhclient(rig, name)
    senders.once(rig, name, *[dials] * 3, every_s=0.6)
    return client


def house_joined(rig: Rig, name: str = "guest") -> None:
    """A gateway hands the desk packets from two networks that the internet routes (RFC 7535, RFC 7450)."""
    here = (rig["desk"].ip, 40000)
    far = [
        frames.udp(rig[name].mac, rig["desk"].mac, (address, 443), here, bytes(40), ttl=57)
        for address in ("192.31.196.1", "192.52.193.1")
    ]
    senders.once(rig, name, *far * 3, every_s=0.2)


def address_clash(rig: Rig, name: str = "guest", victim: str = "box-left") -> None:
    """A device that answers for another one's address."""
    claim = frames.arp(rig[name].mac, rig[victim].ip, rig[victim].ip)
    for _ in range(2):
        senders.once(rig, name, claim)
        senders.once(rig, victim, frames.arp(rig[victim].mac, rig[victim].ip, rig[victim].ip))


def announced_stream(rig: Rig, name: str = "box-left", *, channels: int = 2, kind: int = 97) -> None:
    """A stream of two channels, which its sender announces three times as one of `channels`."""
    senders.join(rig, "desk", ["239.255.255.255"], 6)
    time.sleep(0.2)
    word = frames.sap(rig[name].mac, rig[name].ip, "Stage", "233.252.0.30", channels=channels, kind=kind)
    senders.send(rig, name, {"plan": "listed", "raw": [word.hex()], "every_s": 0.6, "rounds": 3})
    stream(rig, name)


def port_said_otherwise(rig: Rig, mau: int) -> None:
    """The desk's switch says of the port that it does not negotiate, and another operational type
    (IANA-MAU-MIB: 15 is 100BASE-TX half duplex, 16 full)."""
    rig.silence("foh")
    own = f"configure lldp custom-tlv oui 00,12,0f subtype 1 oui-info 01,00,00,00,{mau:02x}"
    servers.lldpd(rig, "foh", "foh-switch", "desk", own)


def runts(rig: Rig, name: str = "box-drums", at: str = "box-right") -> None:
    """Frames of 40 bytes, as collisions leave them, beside address look-ups that are padded as on a real
    cable."""
    switch, port = rig.port(at)
    short = frames.ethernet("01:00:5e:90:10:05", rig[name].mac, frames.BEAT_ETHERTYPE, bytes(46))[:40]
    asks = frames.arp(rig[name].mac, rig[name].ip, "192.0.2.200")
    senders.once(rig, switch, *[short, asks] * 20, every_s=0.05, dev=port)


def pause_storm(rig: Rig, rate: float = 200, seconds: float = 2) -> None:
    """The desk's switch port keeps telling it to stop. PAUSE passes no switch: it comes from the port."""
    switch, port = rig.port("desk")
    raw = frames.pause(rig.run(switch, "cat", f"/sys/class/net/{port}/address").strip(), 0xFFFF).hex()
    plan = {"plan": "listed", "raw": [raw], "every_s": 1 / rate, "rounds": int(rate * seconds)}
    senders.send(rig, switch, plan, dev=port).wait(30)


def odd_sizes(rig: Rig, size: int, name: str = "box-right") -> None:
    """Twenty frames of one size, at the desk's own port: no switch in between that could refuse them."""
    switch, port = rig.port("desk")
    rig.run(switch, "ip", "link", "set", port, "mtu", "9000")
    rig.run("desk", "ip", "link", "set", "eth0", "mtu", "9000")
    body = bytes(max(size - 14, 46))
    whole = frames.ethernet("01:00:5e:90:10:05", rig[name].mac, frames.BEAT_ETHERTYPE, body)
    plan = {"plan": "listed", "raw": [whole[:size].hex()], "every_s": 0.05, "rounds": 20}
    senders.send(rig, switch, plan, dev=port).wait(30)


def unicast_between_others(rig: Rig, name: str = "box-left", rate: float = 500, seconds: float = 2) -> None:
    """Unicast to a device that no switch has heard, so that every port gets it."""
    node = rig[name]
    frame = frames.udp(node.mac, "00:00:5e:00:53:99", (node.ip, 6000), ("192.0.2.153", 6000), bytes(400))
    plan = {"plan": "listed", "raw": [frame.hex()], "every_s": 1 / rate, "rounds": int(rate * seconds)}
    senders.send(rig, name, plan).wait(30)


def topology_change(rig: Rig) -> None:
    """The trunk is pulled, and the spare cable takes over."""
    rig.link("foh", "trunk", up=False)


def second_clock(rig: Rig, name: str = "box-drums", *, priority: int = 110, domain: int = 0) -> None:
    """A second master, that never yields. Engine A has priority 100: it yields to what is below, and to
    nothing else."""
    servers.ptp4l(rig, name, priority=priority, domain=domain, never_yields=True)


def roaming(rig: Rig, name: str = "guest") -> None:
    """Access points hand over a station among themselves: EtherTypes 0x88C7 and 0x890D (IEEE 802.11)."""
    early = frames.ethernet(frames.BROADCAST, STATION, 0x88C7, b"\x01\x01" + bytes(44))
    handed = frames.ethernet(frames.BROADCAST, rig[name].mac, 0x890D, b"\x02" + bytes(45))
    senders.once(rig, name, early, handed, every_s=0.3)


def wifi_router(rig: Rig, name: str = "guest") -> None:
    """A home router whose wireless side a few hand-held devices have joined, which ask for addresses and tell
    no name. It says that it is a gateway, and nothing of Wi-Fi."""
    asks = [frames.dhcp_discover(each, 0x53000C00 + number) for number, each in enumerate(POCKETS)]
    senders.once(rig, name, frames.gateway_notify(rig[name].mac, rig[name].ip, 0x42), *asks, every_s=0.2)


def unplugged(rig: Rig, name: str = "engine-a") -> None:
    """The cable of a device is pulled, at the switch."""
    rig.link(*rig.port(name), up=False)


def loose_plug(rig: Rig, switch: str = "foh", port: str = "engine-a", times: int = 3) -> None:
    """Nothing comes in at a switch's port for 0.8 s, again and again, while what is there goes on sending."""
    for _ in range(times):
        rig.run(switch, "ip", "link", "set", port, "nomaster")
        time.sleep(0.8)
        rig.run(switch, "ip", "link", "set", port, "master", "br0")
        time.sleep(0.6)


def step_back(capture: Capture, seconds: float = 0.7) -> Capture:
    """The same frames with the clock set back in the middle."""
    middle = len(capture.frames) // 2
    late = [replace(frame, ns=frame.ns - int(seconds * 1e9)) for frame in capture.frames[middle:]]
    return replace(capture, frames=capture.frames[:middle] + late)


def hole(capture: Capture, seconds: float = 0.8) -> Capture:
    """The same recording, which paused in the middle."""
    begin = capture.frames[len(capture.frames) // 2].ns
    kept = [frame for frame in capture.frames if not begin <= frame.ns < begin + seconds * 1e9]
    return replace(capture, frames=kept)


def unanswered_client(rig: Rig, name: str = "spare") -> None:
    """A client asks at 0, 4 and 12 s, as RFC 2131 section 4.1 has it wait; nobody answers. No fault, but a
    proof."""
    ask = [(at, frames.dhcp_discover(rig[name].mac, 0x53000B01, name, at)) for at in (0, 4, 12)]
    plans = [{"plan": "listed", "raw": [frame.hex()], "after_s": at + 0.3} for at, frame in ask]
    senders.send(rig, name, *plans).wait(30)


def many_streams(
    rig: Rig, each: int = 4, seconds: float = 3, channels: int = 4, packet_us: int = 1000
) -> None:
    """Three devices send `each` streams; the desk listens to all."""
    sending = ("box-left", "box-right", "engine-b")
    groups = {
        name: [f"233.252.0.{10 * at + n}" for n in range(each)] for at, name in enumerate(sending, start=1)
    }
    senders.join(rig, "desk", [group for several in groups.values() for group in several], seconds + 3)
    for name, several in groups.items():
        plans = [
            {
                "plan": "rtp",
                "group": group,
                "seconds": seconds,
                "channels": channels,
                "packet_us": packet_us,
                "ssrc": 0x53001000 + number,
            }
            for number, group in enumerate(several)
        ]
        senders.send(rig, name, *plans)


def devices_join(rig: Rig, names: tuple[str, ...] = ("box-drums", "box-right")) -> None:
    """Boxes are plugged in again, say so three times, and tell their names."""
    for name in names:
        rig.link(name, "eth0", up=False)
        time.sleep(0.2)
        rig.link(name, "eth0", up=True)
        time.sleep(0.2)
        servers.avahi(rig, name)
        announce_thrice(rig, name)


def announce_thrice(rig: Rig, name: str = "box-drums") -> None:
    """The same address announcement three times, quickly (RFC 5227 section 2.3 sends two)."""
    senders.once(rig, name, *[frames.arp(rig[name].mac, rig[name].ip, rig[name].ip)] * 3, every_s=0.002)


def made_up_address(rig: Rig, name: str = "spare") -> None:
    """A device whose hardware address is made up, as virtual machines and some boxes have it. That alone is
    no Wi-Fi."""
    own = "02:00:5e:00:53:55"
    senders.once(rig, name, *[frames.arp(own, "192.0.2.77", "192.0.2.77")] * 2, every_s=0.5)


def file_copy(
    rig: Rig, name: str = "spare", to: str = "desk", rate: float = 4000, seconds: float = 2.5
) -> None:
    """A large file goes to the desk while it listens: unicast, a twentieth of the link."""
    plan = {"plan": "copy", "to": rig[to].__dict__, "rate": rate, "count": int(rate * seconds)}
    senders.send(rig, name, plan).wait(30)


def keep_alives(rig: Rig, name: str = "box-drums", rate: float = 200, seconds: float = 2) -> None:
    """A multicast that repeats byte for byte, by the clock."""
    frame = frames.ethernet("01:00:5e:90:10:02", rig[name].mac, frames.BEAT_ETHERTYPE, b"alive")
    plan = {"plan": "listed", "raw": [frame.hex()], "every_s": 1 / rate, "rounds": int(rate * seconds)}
    senders.send(rig, name, plan).wait(30)


def second_beat(rig: Rig, name: str = "engine-b") -> None:
    """Another device begins to send a beat of its own."""
    senders.send(
        rig, name, {"plan": "beat", "seconds": 2, "period_s": 0.004, "to": "01:00:5e:90:10:03"}
    ).wait(30)
