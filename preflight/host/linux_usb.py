"""Where a USB adapter sits on Linux: the speed of its bus, what else shares its hub, whether it may be put to
sleep.

From sysfs (Documentation/ABI/stable/sysfs-bus-usb and testing/sysfs-bus-usb): an adapter's `device` leads to
an interface such as 2-1.3:1.0, whose parent 2-1.3 is the device, whose parent 2-1 is the hub, or usb2, the
computer's own.
"""

import re
from pathlib import Path

from preflight.host.facts import Usb
from preflight.host.linux_files import entries, read_text

DEVICE = re.compile(r"\d+-\d+(\.\d+)*")
MOST_BESIDE = 8


def device(folder: Path) -> Path | None:
    """The USB device of an adapter's folder in /sys/class/net, None where it is not on USB."""
    try:
        at = (folder / "device").resolve(strict=True)
    except (OSError, RuntimeError):
        return None
    return next((each for each in (at, *at.parents) if DEVICE.fullmatch(each.name)), None)


def usb(at: Path) -> Usb:
    return Usb(_speed(at), _beside(at))


def may_sleep(at: Path) -> bool | None:
    """`power/control`: "auto" lets the system suspend the device, "on" does not."""
    return {"auto": True, "on": False}.get(read_text(at / "power/control") or "")


def _speed(at: Path) -> float | None:
    try:
        speed = float(read_text(at / "speed") or "")
    except ValueError:
        return None
    return speed if 0 < speed < 1e6 else None


def _beside(at: Path) -> tuple[str, ...] | None:
    """What else is plugged into the hub that the device is plugged into. A socket of the computer is shared
    with nobody."""
    hub = at.parent
    if hub.name.startswith("usb"):
        return ()
    found = entries(hub)
    if not DEVICE.fullmatch(hub.name) or found is None:
        return None
    others = [each for each in found if DEVICE.fullmatch(each.name) and each.name != at.name]
    return tuple(read_text(each / "product") or "an unnamed device" for each in others[:MOST_BESIDE])
