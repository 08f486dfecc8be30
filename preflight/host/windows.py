"""What Windows adds to the common facts, out of the JSON that `windows_script` asks PowerShell for.

Each part is read on its own, and anything but the expected form tells nothing. The duplex that the common
facts have is not believed: psutil assumes full there. Numbers: InterfaceType is IANA's ifType, NdisMedium and
NdisPhysicalMedium are NDIS's enumerations, the registry keywords and their values are NDIS's standardized
ones. The network drivers' own keywords for energy-efficient Ethernet, and the names of power schemes, are
from memory.
"""

import json
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Literal

from preflight.host.facts import Adapter, Address, HostFacts, Kind, Origin, Power, Usb, Use
from preflight.text import clean

SAVERS = {
    "a1841308-3541-4fab-bc81-f71556f20b4a": "power saver",
    "961cc777-2547-4f9d-8174-7d86181b8a7a": "best power efficiency",
}
SCHEMES = {
    **SAVERS,
    "381b4222-f694-41f0-9685-ff5bb260df2e": "balanced",
    "8c5e7fda-e8bf-4a96-9a85-a6e23a8c635c": "high performance",
    "e9a42b02-d5df-448d-aa00-03f14749eb61": "ultimate performance",
}
GUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
# Standardized is *EEE; the others are drivers' own.
SLEEPS = ("*EEE", "EEE", "AdvancedEEE", "EEELinkAdvertisement", "EnableGreenEthernet", "*GreenEthernet")
WIRED, WIFI, BLUETOOTH, WWAN = 14, 9, 10, 8  # NdisPhysicalMedium
LOOPBACK, TUNNELS = 24, (23, 131)  # InterfaceType: PPP, tunnel
ORIGINS: dict[str, Origin] = {"Manual": "static", "Dhcp": "dhcp"}
MOST_BESIDE = 8
Row = dict[str, Any]


def enrich(host: HostFacts, text: str | None) -> HostFacts:
    told = _answer(text)
    rows = {_string(row, "Name"): row for row in _rows(told, "adapters")}
    bridges = [name for name, row in rows.items() if row.get("ComponentID") == "ms_bridgemp"]
    bridged = {_string(row, "Name") for row in _rows(told, "bridged")} - set(bridges)
    sharing = _sharing(told)
    adapters = []
    for adapter in host.adapters:
        adapter = (
            _linked(adapter, rows[adapter.name]) if adapter.name in rows else _hidden(adapter, bool(rows))
        )
        adapter = _set(adapter, told)
        member = adapter.name in bridged
        adapters.append(
            replace(
                adapter,
                # With several bridges it is not told which one; it is in one all the same.
                master=(bridges[0] if len(bridges) == 1 else "a network bridge") if member else None,
                forwarding=_forwards(told, adapter.name),
                gateways=_gateways(told, adapter.name),
                addresses=tuple(_with_origin(each, adapter.name, told) for each in adapter.addresses),
            )
        )
    return replace(
        host,
        adapters=tuple(adapters),
        ip_forwarding=_forwards(told, None),
        sharing=sharing,
        power=_power(host.power, told),
    )


def _hidden(adapter: Adapter, listed: bool) -> Adapter:
    """One that the script does not list. Where it lists others, the system made this one for itself (for
    Wi-Fi straight to other devices, for tunnels) and hides it; it has a link where psutil, which asks for the
    operational state, says that it runs."""
    if not listed or adapter.kind is not None:
        return replace(adapter, duplex=None)
    reason = "made and hidden by the system"
    return replace(adapter, duplex=None, carrier=bool(adapter.carrier), kind="other", kind_reason=reason)


def _linked(adapter: Adapter, row: Row) -> Adapter:
    """What the adapter is, and its link."""
    kind, reason = _kind(row)
    admin, media, device = (
        row.get("InterfaceAdminStatus"),
        row.get("MediaConnectState"),
        _string(row, "PnPDeviceID"),
    )
    speed, permanent = row.get("Speed"), _string(row, "PermanentAddress").lower().replace("-", "")
    return replace(
        adapter,
        kind=kind or adapter.kind,
        kind_reason=reason if kind else adapter.kind_reason,
        enabled={1: True, 2: False}.get(admin, adapter.enabled)
        if isinstance(admin, int)
        else adapter.enabled,
        carrier={1: True, 2: False}.get(media) if isinstance(media, int) else None,
        speed_mbps=speed // 1_000_000 if type(speed) is int and 0 < speed < 10**13 else adapter.speed_mbps,
        duplex=_duplex(row),
        permanent_address=":".join(permanent[i : i + 2] for i in range(0, 12, 2))
        if re.fullmatch("[0-9a-f]{12}", permanent)
        else None,
        driver=_string(row, "DriverFileName") or None,
        bus={"PCI": "pci", "USB": "usb", "VMBUS": "vmbus", "ROOT": "virtual", "SWD": "virtual"}.get(
            device.partition("\\")[0].upper()
        ),
    )


def _kind(row: Row) -> tuple[Kind | None, str]:
    physical, interface = row.get("NdisPhysicalMedium"), row.get("InterfaceType")
    if interface == LOOPBACK:
        return "loopback", "it reaches this computer only"
    if interface in TUNNELS:
        return "vpn", "a tunnel, without Ethernet frames"
    if row.get("ComponentID") == "ms_bridgemp":
        return "bridge", "a bridge, made by software"
    if physical == WIFI:
        return "wifi", "a Wi-Fi adapter"
    if physical == BLUETOOTH:
        return "other", "a Bluetooth link"
    if physical == WWAN:
        return "other", "a mobile network modem"
    if row.get("HardwareInterface") is False:
        return "virtual", "made by software, with no hardware behind it"
    if physical == WIRED and row.get("HardwareInterface") is True:
        return "ethernet", "a wired Ethernet adapter"
    return None, ""


def _duplex(row: Row) -> Literal["full", "half"] | None:
    """NET_IF_MEDIA_DUPLEX_STATE: 1 half, 2 full, 0 not known. Only where that is missing, FullDuplex
    counts."""
    state, full = row.get("MediaDuplexState"), row.get("FullDuplex")
    if state is None and isinstance(full, bool):
        return "full" if full else "half"
    return "full" if state == 2 else "half" if state == 1 else None


def _set(adapter: Adapter, told: Row) -> Adapter:
    """How the adapter is set: advanced properties, power management, USB."""
    keys = {
        _string(row, "RegistryKeyword"): _string(row, "Value")
        for row in _rows(told, "advanced")
        if _string(row, "Name") == adapter.name
    }
    usb = next((row for row in _rows(told, "usb") if _string(row, "Name") == adapter.name), None)
    by_hand = keys.get("*SpeedDuplex", "")
    return replace(
        adapter,
        autonegotiated=by_hand == "0" if by_hand.isdigit() else None,
        eee=_use(keys.get(key) for key in SLEEPS),
        pause=_use([keys.get("*FlowControl")]),
        usb=(_usb(usb) if usb else Usb()) if adapter.bus == "usb" else None,
        may_sleep=_may_sleep(adapter, told),
    )


def _use(values: Iterable[str | None]) -> Use | None:
    """A setting tells what this end is ready for; whether the other end takes part is not told."""
    known = [value for value in values if value is not None and value.isdigit()]
    if not known:
        return None
    return "possible" if any(int(value) for value in known) else "off"


def _usb(row: Row) -> Usb:
    """The speed is not told. A root hub of a USB 2.0 controller proves that it is no more than 480 Mb/s."""
    parents, beside = _items(row.get("Parents")), _items(row.get("Beside"))
    chain = [each for each in parents or () if isinstance(each, str)]
    slow = any(re.match(r"USB\\ROOT_HUB(20)?\\", each, re.IGNORECASE) for each in chain)
    names = [clean(str(each)) for each in beside if each] if beside is not None else None
    if chain and chain[0].upper().startswith("USB\\ROOT_HUB"):
        names = []
    return Usb(480 if slow else None, tuple(names[:MOST_BESIDE]) if names is not None else None)


def _may_sleep(adapter: Adapter, told: Row) -> bool | None:
    row = next((row for row in _rows(told, "power") if _string(row, "Name") == adapter.name), {})
    words = [_string(row, "TurnOff"), _string(row, "Suspend")]
    if adapter.bus == "usb":
        words.append({0: "Disabled", None: ""}.get(_in_use(told, "suspend"), "Enabled"))
    if "Enabled" in words:
        return True
    return False if all(word in ("Disabled", "Unsupported") for word in words) else None


def _forwards(told: Row, name: str | None) -> bool | None:
    """Of one adapter, or of any."""
    words = [
        _string(row, "Forwarding")
        for row in _rows(told, "interfaces")
        if name is None or _string(row, "InterfaceAlias") == name
    ]
    if "Enabled" in words:
        return True
    return False if words and all(word == "Disabled" for word in words) else None


def _gateways(told: Row, name: str) -> tuple[str, ...] | None:
    if _items(told.get("routes")) is None:
        return None
    hops = [
        _string(row, "NextHop") for row in _rows(told, "routes") if _string(row, "InterfaceAlias") == name
    ]
    return tuple(dict.fromkeys(hop for hop in hops if hop))


def _with_origin(address: Address, name: str, told: Row) -> Address:
    if address.origin is not None:
        return address
    for row in _rows(told, "addresses"):
        if (
            _string(row, "InterfaceAlias") == name
            and _string(row, "IPAddress").partition("%")[0] == address.text
        ):
            return replace(address, origin=ORIGINS.get(_string(row, "Origin")))
    return address


def _sharing(told: Row) -> bool | None:
    """Connection sharing is off where its service does not run. Virtual machines start that service too, so
    that only the list of connections proves it on."""
    shared = _rows(told, "shared")
    if any(row.get("Enabled") is True for row in shared):
        return True
    if _strings(told, "service") == ["Stopped"]:
        return False
    return False if shared and all(row.get("Enabled") is False for row in shared) else None


def _power(common: Power, told: Row) -> Power:
    schemes = [
        found[0] for part in ("scheme", "overlay") for found in [GUID.findall(" ".join(_strings(told, part)).lower())] if found
    ]  # fmt: skip
    throttle, sleep_s = _in_use(told, "throttle"), _in_use(told, "sleep")
    saving = None if throttle is None or not schemes else throttle < 100
    if any(each in SAVERS for each in schemes):
        saving = True
    mains = common.on_mains
    if mains is None and _items(told.get("batteries")) == []:
        mains = True
    return replace(
        common,
        on_mains=mains,
        saving=saving,
        plan=", ".join(SCHEMES.get(each, "a plan of its own") for each in schemes) or None,
        sleeps_after_min=sleep_s / 60 if sleep_s is not None else None,
    )


def _in_use(told: Row, part: str) -> int | None:
    """The value on mains that `powercfg /query` shows: its words are in the system's language, but the last
    two hexadecimal numbers are the values on mains and on battery."""
    numbers = re.findall(r"0x([0-9a-fA-F]{8})\b", " ".join(_strings(told, part)))
    return int(numbers[-2], 16) if len(numbers) >= 2 else None


def _answer(text: str | None) -> Row:
    try:
        told = json.loads(text or "")
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _rows(told: Row, part: str) -> list[Row]:
    return [row for row in _items(told.get(part)) or () if isinstance(row, dict)]


def _strings(told: Row, part: str) -> list[str]:
    return [line for line in _items(told.get(part)) or () if isinstance(line, str)]


def _items(told: object) -> list | None:
    """An array of PowerShell's, in each of the forms that its versions write: as such; with its count beside
    it, as Windows PowerShell 5.1 does where an array passed through a function; and one element without its
    array. None where nothing is told. (From memory, and from outputs that people published.)"""
    if isinstance(told, dict) and told.keys() == {"value", "Count"}:
        told = told["value"]
    if isinstance(told, list):
        return told
    return None if told is None or told == {} else [told]


def _string(row: Row, key: str) -> str:
    told = row.get(key)
    return clean(told, 200) if isinstance(told, str) else ""
