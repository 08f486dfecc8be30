"""What Linux adds to the common facts, from /sys/class/net and /proc/sys/net.

`enrich` takes the root of the tree, so that a test can hand it a recorded one. An adapter's folder in /sys is
believed only where it has the same hardware address: in a network namespace /sys can still show the adapters
of another one. Which folder or file tells the kind: Linux, Documentation/ABI/testing/sysfs-class-net, and
if_arp.h for `type`.
"""

from dataclasses import replace
from pathlib import Path
from typing import Literal

from preflight.host.facts import Adapter, Counters, HostFacts, Kind
from preflight.host.linux_origin import Origins
from preflight.text import clean

LOOPBACK, ETHERNET, IFF_UP = 772, 1, 1
TUNNELS = {512, 768, 769, 776, 778, 65534}  # PPP, IP in IP, IPv6, 6in4, GRE, no link header at all
LARGEST = 4096  # sysfs gives at most a page
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
    "rx_crc_errors": "rx_crc_errors",
    "rx_frame_errors": "rx_frame_errors",
    "collisions": "collisions",
    # Linux, Documentation/networking/statistics.rst: for IEEE 802.3 devices it counts late collisions.
    "late_collisions": "tx_window_errors",
}


def enrich(host: HostFacts, root: Path = Path("/")) -> HostFacts:
    """`host` with what the tree under `root` knows of its adapters."""
    origins = Origins(root)
    return replace(
        host,
        adapters=tuple(_enriched(adapter, root, origins) for adapter in host.adapters),
        ip_forwarding=_either(
            _flag(root / "proc/sys/net/ipv4/ip_forward"),
            _flag(root / "proc/sys/net/ipv6/conf/all/forwarding"),
        ),
    )


def _enriched(adapter: Adapter, root: Path, origins: Origins) -> Adapter:
    configured = root / "proc/sys/net"
    adapter = replace(
        adapter,
        forwarding=_either(
            _flag(configured / "ipv4/conf" / adapter.name / "forwarding"),
            _flag(configured / "ipv6/conf" / adapter.name / "forwarding"),
        ),
    )
    folder = root / "sys/class/net" / adapter.name
    if not _same(adapter, folder):
        return adapter
    index = read_number(folder / "ifindex")
    kind, reason = _kind(folder)
    flags = read_number(folder / "flags", 16)
    carrier = _flag(folder / "carrier")  # refused while the adapter is off
    speed, told = read_number(folder / "speed"), read_text(folder / "duplex")
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
        driver=_target(folder / "device/driver"),
        bus=_target(folder / "device/subsystem") or (None if (folder / "device").exists() else "virtual"),
        addresses=tuple(origins.told(address, adapter.name, index) for address in adapter.addresses),
        master=_target(folder / "master"),
        counters=_counters(adapter.counters, folder),
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
        bus = _target(folder / "device/subsystem")
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


def read_text(path: Path) -> str | None:
    """A small file's words, None where it is missing, refused or no text."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST)
    except (OSError, ValueError):
        return None
    return "\n".join(clean(line, 400) for line in data.decode("utf-8", "replace").split("\n")).strip()


def read_number(path: Path, base: int = 10) -> int | None:
    text = read_text(path)
    try:
        return int(text, base) if text and len(text) <= 20 else None
    except ValueError:
        return None


def _flag(path: Path) -> bool | None:
    number = read_number(path)
    return None if number is None else number > 0


def _target(link: Path) -> str | None:
    """The last part of where a symbolic link leads."""
    try:
        return clean(link.readlink().name)
    except (OSError, ValueError):
        return None
