"""What macOS adds to the common facts, from its own commands and two settings files.

Each command's answer is read on its own; one that is missing, slow or looks otherwise leaves None where it
would have told. A driver that does not list an option of the link among those it supports proves nothing by
not showing it. Commands: ifconfig(8), networksetup(8), system_profiler(8), pmset(1), sysctl(8).
"""

import plistlib
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from preflight.host import macos_profile
from preflight.host.facts import Adapter, Address, HostFacts, Kind, Power, Use
from preflight.host.macos_ifconfig import Interface
from preflight.host.macos_ifconfig import read as read_ifconfig
from preflight.host.run import Command
from preflight.text import clean

COMMANDS: dict[str, Command] = {
    "ifconfig": ("/sbin/ifconfig", "-a", "-m"),
    "ports": ("/usr/sbin/networksetup", "-listallhardwareports"),
    "ethernet": ("/usr/sbin/system_profiler", "-json", "SPEthernetDataType"),
    "usb": ("/usr/sbin/system_profiler", "-json", "SPUSBDataType"),
    "usb host": ("/usr/sbin/system_profiler", "-json", "SPUSBHostDataType"),
    "battery": ("/usr/bin/pmset", "-g", "batt"),
    "power": ("/usr/bin/pmset", "-g"),
    "forwarding": ("/usr/sbin/sysctl", "net.inet.ip.forwarding", "net.inet6.ip6.forwarding"),
}
SETTINGS = Path("Library/Preferences/SystemConfiguration")
LARGEST = 4_000_000
# Interface names, from memory: what the letters before the number stand for.
NAMES: dict[str, tuple[Kind, str]] = {
    "lo": ("loopback", "it reaches this computer only"),
    "utun": ("vpn", "a tunnel that a program made, as VPNs do"),
    "ipsec": ("vpn", "a VPN tunnel"),
    "ppp": ("vpn", "a point-to-point tunnel"),
    "gif": ("vpn", "a tunnel"),
    "stf": ("vpn", "a tunnel"),
    "tap": ("vpn", "a tunnel that a program made"),
    "bridge": ("bridge", "a bridge, made by software"),
    "bond": ("bond", "a bond: several adapters that act as one"),
    "vlan": ("virtual", "a VLAN on another adapter"),
    "feth": ("virtual", "made by software, with no hardware behind it"),
    "vmenet": ("virtual", "made by software for a virtual machine"),
    "awdl": ("wifi", "Wi-Fi straight to other computers"),
    "llw": ("wifi", "Wi-Fi straight to other computers"),
    "ap": ("wifi", "a Wi-Fi access point of this computer"),
    "p2p": ("wifi", "Wi-Fi straight to other computers"),
}
# Hardware ports that no audio LAN goes by, without their number. A system in another language may name them
# otherwise: then the kind is not told.
PORTS: dict[str, tuple[Kind, str]] = {
    **dict.fromkeys(("Wi-Fi", "AirPort", "WLAN"), ("wifi", "a Wi-Fi adapter")),
    "Bluetooth PAN": ("other", "a Bluetooth link"),
    "Thunderbolt": ("other", "a Thunderbolt cable to another computer"),
}
# A phone or tablet that lends its connection is told as the kind of device, then "USB"; adapters as "USB
# ...", or by their chip.
LENT = re.compile(r"(?!LAN|Ethernet)\w+ USB", re.IGNORECASE)


def enrich(host: HostFacts, told: Mapping[str, str | None], root: Path = Path("/")) -> HostFacts:
    """`host` with what the commands of `COMMANDS` `told`, and the settings files under `root`."""
    interfaces = read_ifconfig(told.get("ifconfig") or "")
    ports = _ports(told.get("ports") or "")
    profiles = macos_profile.ethernet(told.get("ethernet"))
    trees = [
        *(macos_profile.items(told.get("usb host"), "SPUSBHostDataType") or ()),
        *(macos_profile.items(told.get("usb"), "SPUSBDataType") or ()),
    ]
    masters = {member: name for name, each in interfaces.items() for member in each.members}
    methods = _methods(_plist(root / SETTINGS / "preferences.plist"))
    forwards = _forwards(told.get("forwarding") or "")
    adapters = []
    for adapter in host.adapters:
        name = adapter.name
        link = interfaces.get(name, Interface())
        adapter = _linked(adapter, link, _kind(name, link, ports, profiles))
        adapter = replace(
            adapter,
            master=masters.get(name),
            forwarding=forwards,
            addresses=tuple(_with_origin(each, methods.get(name, {})) for each in adapter.addresses),
        )
        adapters.append(_on_bus(adapter, (profiles or {}).get(name), trees))
    return replace(
        host,
        adapters=tuple(adapters),
        ip_forwarding=forwards,
        sharing=_sharing(root / SETTINGS),
        power=_power(host.power, told.get("battery") or "", told.get("power") or ""),
    )


def _linked(adapter: Adapter, link: Interface, kind: tuple[Kind, str] | None) -> Adapter:
    """With the link as ifconfig tells it. The RUNNING flag, which the common facts go by, is set without a
    cable too; it counts only where no status can be expected, as of tunnels."""
    told = link.active is not None or adapter.name.startswith("en")
    return replace(
        adapter,
        kind=kind[0] if kind else adapter.kind,
        kind_reason=kind[1] if kind else adapter.kind_reason,
        carrier=link.active if told else adapter.carrier,
        autonegotiated=link.automatic,
        eee=_use(link, "energy-efficient-ethernet"),
        pause=_use(link, "flow-control"),
    )


def _kind(
    name: str, link: Interface, ports: dict[str, str], profiles: dict[str, dict[str, Any]] | None
) -> tuple[Kind, str] | None:
    """What neither list has is inside the computer or made by a program. So is the link to a chip of the
    computer's own, which looks like Ethernet of 100 Mb/s."""
    letters, port = name.rstrip("0123456789"), ports.get(name, "")
    if letters in NAMES:
        return NAMES[letters]
    plain = port.rstrip(" 0123456789")
    if known := PORTS.get(plain):
        return known
    if LENT.fullmatch(plain):
        return "other", "a phone or tablet on USB"
    ethernet = profiles is not None and name in profiles
    if ports and profiles is not None and not port and not ethernet:
        return "other", "the system lists no port for it"
    if ethernet or "base" in link.media.lower():
        return "ethernet", f"a wired Ethernet adapter ({port})" if port else "a wired Ethernet adapter"
    return None


def _use(link: Interface, option: str) -> Use | None:
    if not link.active or not link.media:
        return None
    if option in link.options:
        return "active"
    return "unused" if option in link.supported else None


def _on_bus(adapter: Adapter, profile: dict[str, Any] | None, trees: list[dict[str, Any]]) -> Adapter:
    if profile is None:
        return adapter
    bus, driver = macos_profile.bus(profile), profile.get("spethernet_driver")
    usb = macos_profile.usb(profile, trees) if bus == "usb" else None
    return replace(
        adapter,
        bus=bus,
        usb=usb,
        driver=clean(driver) if isinstance(driver, str) and driver else None,
        # As on Linux: drivers of adapters inside the computer sleep only while there is no link (common
        # practice).
        may_sleep=False if bus not in ("usb", None) else None,
    )


def _ports(text: str) -> dict[str, str]:
    """networksetup's hardware ports by device: lines `Hardware Port: Wi-Fi`, `Device: en0`."""
    found: dict[str, str] = {}
    port = ""
    for line in text.splitlines():
        key, _, value = line.partition(": ")
        if key == "Hardware Port":
            port = clean(value.strip())
        elif key == "Device" and port:
            found[clean(value.strip())] = port
            port = ""
    return found


def _forwards(text: str) -> bool | None:
    """sysctl's `net.inet.ip.forwarding: 0`, of both versions of IP."""
    told = re.findall(r"^net\.inet6?\.ip6?\.forwarding[:=] *(\d+)\s*$", text, re.MULTILINE)
    if any(value != "0" for value in told):
        return True
    return False if len(told) == 2 else None


def _power(common: Power, battery: str, settings: str) -> Power:
    """pmset's "Now drawing from 'AC Power'", and its settings in use, ` sleep  10 (sleep prevented by ...)`.
    SleepDisabled stands above them, with tabs, and counts before them."""
    source = re.search(r"^Now drawing from '([^']{1,40})'", battery)
    values = dict(re.findall(r"^ +(\w+)[ \t]+(\d+)(?: \(.*\))?\s*$", settings, re.MULTILINE))
    if values.get("SleepDisabled") == "1":
        values["sleep"] = "0"
    modes = [values[key] for key in ("lowpowermode", "powermode") if key in values]
    return replace(
        common,
        on_mains={"AC Power": True, "Battery Power": False, "UPS Power": False}.get(source[1])
        if source
        else common.on_mains,
        saving=any(mode == "1" for mode in modes) if modes else None,
        plan="low-power mode" if "1" in modes else None,
        sleeps_after_min=float(values["sleep"]) if "sleep" in values and len(values["sleep"]) < 7 else None,
    )


def _plist(file: Path) -> dict[str, Any]:
    try:
        with file.open("rb") as opened:
            told = plistlib.loads(opened.read(LARGEST))
    except Exception:  # its parsers raise whatever a broken file makes them
        return {}
    return told if isinstance(told, dict) else {}


def _at(tree: Any, *keys: str) -> Any:
    for key in keys:
        tree = tree.get(key) if isinstance(tree, dict) else None
    return tree


def _sharing(folder: Path) -> bool | None:
    """Internet sharing: NAT, Enabled in a settings file that is there once it was set up (common
    knowledge)."""
    try:
        if not (folder / "preferences.plist").exists():
            return None
        files = sorted(folder.glob("com.*.nat.plist"))
    except OSError:
        return None
    if not files:
        return False
    told = [_at(_plist(file), "NAT", "Enabled") for file in files[:4]]
    if any(value in (True, 1) for value in told):
        return True
    return False if all(value in (False, 0) for value in told) else None


def _methods(settings: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The IPv4 settings of each adapter in the set in use: `ConfigMethod` and `Addresses`, as
    SystemConfiguration's schema names them. None of an adapter that several services of the set use: which
    one holds is not told."""
    current = settings.get("CurrentSet")
    name = current.rpartition("/")[2] if isinstance(current, str) else ""
    in_use = _at(settings, "Sets", name, "Network", "Service")
    found: dict[str, dict[str, Any]] = {}
    twice = set()
    for key in in_use if isinstance(in_use, dict) else ():
        service = _at(settings, "NetworkServices", key)
        device, ipv4 = _at(service, "Interface", "DeviceName"), _at(service, "IPv4")
        if isinstance(device, str) and isinstance(ipv4, dict) and not _at(service, "__INACTIVE__"):
            if device in found:
                twice.add(device)
            found[device] = ipv4
    return {device: ipv4 for device, ipv4 in found.items() if device not in twice}


def _with_origin(address: Address, ipv4: dict[str, Any]) -> Address:
    if address.origin is not None or address.version != 4:
        return address
    method, listed = ipv4.get("ConfigMethod"), ipv4.get("Addresses")
    if method == "Manual" and isinstance(listed, list) and address.text in listed:
        return replace(address, origin="static")
    return replace(address, origin="dhcp") if method in ("DHCP", "BOOTP") else address
