"""What Linux adds to the common facts, from /sys, /proc/sys/net and the drivers (`linux_ethtool`).

`enrich` takes the root of the tree, so that a test can hand it a recorded one. An adapter's folder in /sys is
believed only where it has the same hardware address: in a network namespace /sys can still show the adapters
of another one. Which folder or file tells the kind: Linux, Documentation/ABI/testing/sysfs-class-net, and
if_arp.h for `type`.
"""

from dataclasses import replace
from pathlib import Path
from typing import Literal

from preflight.host import linux_ethtool, linux_power, linux_sensors, linux_usb
from preflight.host.facts import Adapter, Counters, HostFacts, Kind, Usb
from preflight.host.linux_ethtool import Ask
from preflight.host.linux_files import read_flag, read_number, read_target, read_text
from preflight.host.linux_origin import Origins

LOOPBACK, ETHERNET, IFF_UP = 772, 1, 1
TUNNELS = {512, 768, 769, 776, 778, 65534}  # PPP, IP in IP, IPv6, 6in4, GRE, no link header at all
# The kernel's word in `uevent` for a device that it makes itself.
DEVTYPES: dict[str, tuple[Kind, str]] = {
    "wlan": ("wifi", "a Wi-Fi adapter"),
    "bridge": ("bridge", "a bridge, made by software"),
    "bond": ("bond", "a bond: several adapters that act as one"),
    "wireguard": ("vpn", "a VPN tunnel"),
    "ppp": ("vpn", "a point-to-point tunnel"),
    "vlan": ("virtual", "a VLAN on another adapter"),
    "bluetooth": ("other", "a Bluetooth link"),
    "wwan": ("other", "a mobile network modem"),
}
COUNTERS = {
    "rx_errors": "rx_errors",
    "tx_errors": "tx_errors",
    "rx_dropped": "rx_dropped",
    "tx_dropped": "tx_dropped",
    # statistics.rst: the adapter's buffers were full.
    "rx_missed": "rx_missed_errors",
    "rx_crc_errors": "rx_crc_errors",
    "rx_frame_errors": "rx_frame_errors",
    "collisions": "collisions",
    # Linux, Documentation/networking/statistics.rst: for IEEE 802.3 devices it counts late collisions.
    "late_collisions": "tx_window_errors",
}


def enrich(host: HostFacts, root: Path = Path("/"), ask: Ask = linux_ethtool.ask) -> HostFacts:
    """`host` with what the tree under `root` knows of its adapters, and what their drivers answer to
    `ask`."""
    origins = Origins(root)
    return replace(
        host,
        adapters=tuple(_with_driver(_enriched(adapter, root, origins), ask) for adapter in host.adapters),
        ip_forwarding=_either(
            read_flag(root / "proc/sys/net/ipv4/ip_forward"),
            read_flag(root / "proc/sys/net/ipv6/conf/all/forwarding"),
        ),
        sharing=False,  # it is forwarding, set by programs
        power=linux_power.power(host.power, root),
    )


def _with_driver(adapter: Adapter, ask: Ask) -> Adapter:
    if adapter.kind == "loopback":
        return adapter
    automatic, own, other = linux_ethtool.link(adapter.name, ask)
    return replace(
        adapter,
        autonegotiated=automatic,
        permanent_address=linux_ethtool.permanent_address(adapter.name, ask),
        eee=linux_ethtool.eee(adapter.name, ask, adapter.carrier),
        pause=linux_ethtool.pause(adapter.name, ask, own, other if adapter.carrier else None),
    )


def _enriched(adapter: Adapter, root: Path, origins: Origins) -> Adapter:
    configured = root / "proc/sys/net"
    adapter = replace(
        adapter,
        forwarding=_either(
            read_flag(configured / "ipv4/conf" / adapter.name / "forwarding"),
            read_flag(configured / "ipv6/conf" / adapter.name / "forwarding"),
        ),
    )
    folder = root / "sys/class/net" / adapter.name
    if not _same(adapter, folder):
        return adapter
    index = read_number(folder / "ifindex")
    kind, reason = _kind(folder)
    flags = read_number(folder / "flags", 16)
    carrier = read_flag(folder / "carrier")  # refused while the adapter is off
    speed, told = read_number(folder / "speed"), read_text(folder / "duplex")
    bus = read_target(folder / "device/subsystem") or (None if (folder / "device").exists() else "virtual")
    on_usb = linux_usb.device(folder) if bus == "usb" else None
    temperature, hot = linux_sensors.adapter(folder)
    duplex: Literal["full", "half"] | None = "full" if told == "full" else "half" if told == "half" else None
    return replace(
        adapter,
        kind=kind or adapter.kind,
        kind_reason=reason if kind else adapter.kind_reason,
        enabled=bool(flags & IFF_UP) if flags is not None else adapter.enabled,
        carrier=carrier if carrier is not None else adapter.carrier,
        # -1 and its unsigned forms mean unknown.
        speed_mbps=speed if speed is not None and 0 < speed < 0xFFFF_FFFF else adapter.speed_mbps,
        duplex=duplex or adapter.duplex,
        mtu=read_number(folder / "mtu") or adapter.mtu,
        driver=read_target(folder / "device/driver"),
        bus=bus,
        usb=linux_usb.usb(on_usb) if on_usb else Usb() if bus == "usb" else None,
        # Drivers of adapters inside the computer sleep only while there is no link (common practice).
        may_sleep=linux_usb.may_sleep(on_usb) if on_usb else None if bus in ("usb", None) else False,
        addresses=tuple(origins.with_origin(address, adapter.name, index) for address in adapter.addresses),
        master=read_target(folder / "master"),
        counters=_counters(adapter.counters, folder),
        temperature_c=temperature,
        hot_c=hot,
    )


def _same(adapter: Adapter, folder: Path) -> bool:
    shown = read_text(folder / "address")
    if shown is None:
        return False
    return not shown or adapter.hardware_address in (None, shown.lower())


def _kind(folder: Path) -> tuple[Kind | None, str]:
    """What the adapter is, and what told it."""
    link_type = read_number(folder / "type")
    words = dict(line.split("=", 1) for line in (read_text(folder / "uevent") or "").split() if "=" in line)
    made = words.get("DEVTYPE", "")
    if link_type is None:
        return None, ""
    if link_type == LOOPBACK:
        return "loopback", "it reaches this computer only"
    if (folder / "wireless").exists() or (folder / "phy80211").exists():
        return DEVTYPES["wlan"]
    if (folder / "bridge").exists():
        return DEVTYPES["bridge"]
    if (folder / "bonding").exists():
        return DEVTYPES["bond"]
    if made in DEVTYPES:
        return DEVTYPES[made]
    if (folder / "tun_flags").exists():
        return "vpn", "a tunnel that a program made (TUN or TAP), as VPNs do"
    if link_type in TUNNELS:
        return "vpn", "a tunnel, without Ethernet frames"
    if link_type != ETHERNET:
        return "other", f"not Ethernet (link type {link_type})"
    if (folder / "device").exists():
        bus = read_target(folder / "device/subsystem")
        return "ethernet", f"a wired Ethernet adapter ({bus})" if bus else "a wired Ethernet adapter"
    if made == "dsa":
        return "ethernet", "a port of a built-in Ethernet switch"
    if made:
        return "virtual", f"made by software ({made})"
    index, peer = read_number(folder / "ifindex"), read_number(folder / "iflink")
    if index is not None and peer is not None and index != peer:
        return "virtual", "one end of a cable made by software (veth pair)"
    return "virtual", "made by software, with no hardware behind it"


def _counters(counted: Counters, folder: Path) -> Counters:
    read = {name: read_number(folder / "statistics" / file) for name, file in COUNTERS.items()}
    read["carrier_changes"] = read_number(folder / "carrier_changes")
    return replace(counted, **{name: value for name, value in read.items() if value is not None})


def _either(first: bool | None, second: bool | None) -> bool | None:
    """True where one is, False where one is not and the other is not or is not there, None where neither is
    told."""
    if first or second:
        return True
    return None if first is None and second is None else False
