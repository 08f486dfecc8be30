"""What every operating system tells: state, speed, duplex, MTU, addresses, counters, battery and load by
psutil, gateways by netifaces.

Their names for an adapter are joined here. Where the two libraries name adapters differently, the gateways
are not known, which is not the same as none.
"""

import ipaddress
import os
import platform
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

import netifaces
import psutil

from preflight.host.facts import Adapter, Address, Counters, HostFacts, Kind, Load, Origin, Power
from preflight.text import clean

COLDEST_C, HOTTEST_C = 0, 125  # electronics are rated to 125 degrees at most. Common practice.


def read() -> HostFacts:
    stats, owned, counted = (
        _asked(psutil.net_if_stats),
        _asked(psutil.net_if_addrs),
        _asked(lambda: psutil.net_io_counters(pernic=True)),
    )
    names = list(dict.fromkeys([*stats, *(_adapter_name(name, stats) for name in owned)]))
    addresses: dict[str, list] = {name: [] for name in names}
    for label, found in owned.items():
        addresses[_adapter_name(label, stats)] += found
    gateways = _gateways(_asked(netifaces.gateways), stats)
    return HostFacts(
        system=clean(platform.system()) or "unknown",
        adapters=tuple(
            _adapter(name, stats.get(name), addresses[name], counted.get(name), gateways) for name in names
        ),
        power=_power(_answer(psutil.sensors_battery)),
        load=_load(),
        temperature_c=_temperature(),
    )


def _asked(question: Callable[[], Any]) -> Mapping[Any, Any]:
    """The answer, or an empty one where the system refuses."""
    return _answer(question) or {}


def _answer(question: Callable[[], Any]) -> Any:
    """The answer, or None where the system refuses, or cannot be asked this."""
    try:
        return question()
    except (OSError, psutil.Error, AttributeError, NotImplementedError, ValueError, RuntimeError):
        return None  # RuntimeError: a user without a home


def _power(battery: Any) -> Power:
    """None of a battery is no proof that there is none: psutil says the same where it cannot tell."""
    if battery is None:
        return Power()
    return Power(battery.power_plugged, max(0.0, min(100.0, float(battery.percent))))


def _load() -> Load:
    times = _answer(psutil.cpu_times)
    memory = _answer(psutil.virtual_memory)
    disk = _answer(lambda: psutil.disk_usage(Path.home().anchor))
    total = busy = None
    if times is not None:
        # Linux counts a guest's time in the host's time too.
        twice = getattr(times, "guest", 0.0) + getattr(times, "guest_nice", 0.0)
        total = sum(times) - twice
        busy = total - times.idle - getattr(times, "iowait", 0.0)
    return Load(
        busy_s=busy,
        total_s=total,
        own_s=sum(os.times()[:2]),  # user and system
        memory_bytes=memory.total if memory else None,
        memory_free_bytes=memory.available if memory else None,
        disk_bytes=disk.total if disk else None,
        disk_free_bytes=disk.free if disk else None,
    )


def _temperature() -> float | None:
    """psutil knows sensors on Linux and FreeBSD only, and elsewhere has no such function. A reading that no
    part of a running computer has is a sensor that is not connected."""
    told = _asked(lambda: psutil.sensors_temperatures())
    readings = [each.current for sensors in told.values() for each in sensors]
    return max((each for each in readings if each is not None and COLDEST_C < each < HOTTEST_C), default=None)


def _adapter_name(label: str, stats: Mapping[str, Any]) -> str:
    """An adapter's second address may carry a label such as eth0:1; it is still eth0."""
    base = label.partition(":")[0]
    return base if label not in stats and base in stats else label


def _gateways(told: Mapping[Any, Any], stats: Mapping[str, Any]) -> dict[str, list[str]] | None:
    """Default gateways by adapter, None where the system did not say whose they are."""
    if not told:
        return None
    by_adapter: dict[str, list[str]] = {}
    for family, routes in told.items():
        for gateway, label, *_ in routes if family != "default" else ():
            name = _adapter_name(label, stats)
            if name not in stats:
                return None
            by_adapter.setdefault(name, []).append(clean(str(gateway)))
    return by_adapter


def _adapter(
    name: str, stat: Any, owned: list, counted: Any, gateways: Mapping[str, list[str]] | None
) -> Adapter:
    flags = set(stat.flags.split(",")) - {""} if stat else set()
    addresses = tuple(address for each in owned if (address := _address(each)))
    kind, reason = _kind(flags, addresses)
    duplex: dict[Any, Literal["full", "half"]] = {
        psutil.NIC_DUPLEX_FULL: "full",
        psutil.NIC_DUPLEX_HALF: "half",
    }
    hardware = next((each.address for each in owned if each.family == psutil.AF_LINK), None)
    return Adapter(
        name=clean(name),
        kind=kind,
        kind_reason=reason,
        # With flags `isup` means "running", which is carrier; without flags it says only that all is well.
        enabled="up" in flags if flags else (True if stat and stat.isup else None),
        carrier=(bool(stat.isup) if "up" in flags or stat.isup else None) if stat else None,
        speed_mbps=stat.speed if stat and stat.speed > 0 else None,
        duplex=duplex.get(stat.duplex) if stat else None,
        mtu=stat.mtu if stat and stat.mtu > 0 else None,
        hardware_address=clean(hardware.replace("-", ":").lower()) if hardware else None,
        addresses=addresses,
        gateways=tuple(gateways.get(name, ())) if gateways is not None else None,
        counters=_counters(counted),
    )


def _kind(flags: set[str], addresses: tuple[Address, ...]) -> tuple[Kind | None, str]:
    own = [ipaddress.ip_address(address.text) for address in addresses]
    if "loopback" in flags or (own and all(each.is_loopback for each in own)):
        return "loopback", "it reaches this computer only"
    if "pointopoint" in flags:
        return "other", "a point-to-point link, not Ethernet"
    return None, Adapter.kind_reason


def _address(told: Any) -> Address | None:
    """An IP address as psutil tells it, without its %scope; None for other families and for what is no
    address."""
    try:
        own = ipaddress.ip_address(str(told.address).partition("%")[0])
    except ValueError:
        return None
    return Address(str(own), _prefix(told.netmask), link_local(str(own)))


def _prefix(netmask: str | None) -> int | None:
    """The length of a contiguous mask, None for any other."""
    try:
        mask = ipaddress.ip_address(netmask or "")
    except ValueError:
        return None
    length = int(mask).bit_count()
    whole = ((1 << length) - 1) << (mask.max_prefixlen - length)
    return length if int(mask) == whole else None


def link_local(text: str) -> Origin | None:
    """RFC 3927 for 169.254.0.0/16, RFC 4291 for fe80::/10."""
    return "link-local" if ipaddress.ip_address(text).is_link_local else None


def _counters(told: Any) -> Counters:
    if told is None:
        return Counters()
    return Counters(
        rx_frames=told.packets_recv,
        tx_frames=told.packets_sent,
        rx_bytes=told.bytes_recv,
        tx_bytes=told.bytes_sent,
        rx_errors=told.errin,
        tx_errors=told.errout,
        rx_dropped=told.dropin,
        tx_dropped=told.dropout,
    )
