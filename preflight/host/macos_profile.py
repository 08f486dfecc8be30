"""What `system_profiler -json` tells of Ethernet adapters and USB: on which bus an adapter is, how fast that
runs, what else shares its hub.

Keys and values differ from version to version. They are known from published outputs and from programs that
read them, and not documented: SPEthernetDataType with `spethernet_bus` and `spethernet_usb_device_speed`;
SPUSBDataType, and SPUSBHostDataType where that is empty (macOS 26), with a tree of `_items`. `-json` came
with macOS 10.15: an older one tells nothing.
"""

import json
import re
from collections.abc import Iterator
from typing import Any

from preflight.host.facts import Usb
from preflight.text import clean

# The USB standards' own names, as system_profiler writes them.
SPEEDS = {
    "low_speed": 1.5,
    "full_speed": 12,
    "high_speed": 480,
    "super_speed": 5_000,
    "super_speed_plus": 10_000,
    "super_speed_plus_by_2": 20_000,
}
NUMBER = re.compile(r"(\d+(?:\.\d+)?)[ _]?([MG])b", re.IGNORECASE)
DEEPEST, MOST_BESIDE = 12, 8


def items(text: str | None, kind: str) -> list[dict[str, Any]] | None:
    """The entries of one data type, None where the answer is no such thing."""
    try:
        told = json.loads(text or "")
    except (ValueError, RecursionError):
        return None
    entries = told.get(kind) if isinstance(told, dict) else None
    return [each for each in entries if isinstance(each, dict)] if isinstance(entries, list) else None


def ethernet(text: str | None) -> dict[str, dict[str, Any]] | None:
    """The Ethernet adapters by their interface's name, None where they are not told."""
    entries = items(text, "SPEthernetDataType")
    if entries is None:
        return None
    named = ((each.get("spethernet_BSD_Device_Name"), each) for each in entries)
    return {clean(name): each for name, each in named if isinstance(name, str) and name}


def bus(adapter: dict[str, Any]) -> str | None:
    """ "usb", "pci" and the like: the last words of `spethernet_bus`."""
    told = adapter.get("spethernet_bus")
    if not isinstance(told, str) or not told.startswith("spethernet_"):
        return None
    word = told.removeprefix("spethernet_").removesuffix("_device")
    return clean({"pcie": "pci", "builtin": "built in", "built-in": "built in"}.get(word, word))


def usb(adapter: dict[str, Any], trees: list[dict[str, Any]]) -> Usb:
    matches = [
        (device, beside) for tree in trees for device, beside in _devices(tree) if _is(device, adapter)
    ]
    device, beside = matches[0] if len(matches) == 1 else ({}, None)
    speed = _speed(adapter.get("spethernet_usb_device_speed"))
    return Usb(speed or _speed(device.get("USBDeviceKeyLinkSpeed") or device.get("device_speed")), beside)


def _devices(node: dict[str, Any], depth: int = 0) -> Iterator[tuple[dict[str, Any], tuple[str, ...]]]:
    """Every device below `node` with the names of what shares its hub; a bus of the computer, which is the
    first level, is no hub."""
    children = node.get("_items")
    if not isinstance(children, list) or depth > DEEPEST:
        return
    devices = [child for child in children if isinstance(child, dict)]
    for device in devices:
        others = [each for each in devices if each is not device] if depth else []
        yield (
            device,
            tuple(clean(str(each.get("_name", "an unnamed device"))) for each in others[:MOST_BESIDE]),
        )
        yield from _devices(device, depth + 1)


def _is(device: dict[str, Any], adapter: dict[str, Any]) -> bool:
    mine = (_hex(adapter.get("spethernet_vendor-id")), _hex(adapter.get("spethernet_product-id")))
    theirs = (
        _hex(device.get("USBDeviceKeyVendorID") or device.get("vendor_id")),
        _hex(device.get("USBDeviceKeyProductID") or device.get("product_id")),
    )
    return None not in mine and mine == theirs


def _hex(told: object) -> int | None:
    """ "0x0bda" or "0x0bda  (a maker's name)"; the computer's own maker stands there by a word."""
    if told == "apple_vendor_id":
        return 0x05AC
    found = re.match(r"0x([0-9a-fA-F]{1,8})\b", told) if isinstance(told, str) else None
    return int(found[1], 16) if found else None


def _speed(told: object) -> float | None:
    """ "super_speed", "480 Mb/s", "Up to 5 Gb/s" and the like."""
    if not isinstance(told, str):
        return None
    if told in SPEEDS:
        return SPEEDS[told]
    found = NUMBER.search(told[:80])
    return float(found[1]) * (1000 if found[2] in "Gg" else 1) if found else None
