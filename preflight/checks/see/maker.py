"""Who made a device, from the IEEE registry of hardware addresses that netaddr carries.

It is looked through when it is first asked.
"""

import importlib.util
import mmap
import re
from functools import cache, lru_cache
from pathlib import Path

from preflight.text import clean

RANDOM = "random address"
LOCAL_BIT, GROUP_BIT = 0x02, 0x01  # of the first octet: IEEE 802 section 8, the U/L and I/G bits


def locally_administered(mac: str) -> bool:
    """True for a device's address that it or its owner made up, rather than its maker."""
    try:
        first = int(mac[:2], 16)
    except ValueError:
        return False
    return bool(first & LOCAL_BIT) and not first & GROUP_BIT


@lru_cache(maxsize=1024)
def maker(mac: str) -> str:
    """The maker's name as registered, "random address" for a locally administered one, "" when not known."""
    if locally_administered(mac):
        return RANDOM
    block = mac.replace(":", "")[:6].upper()
    registry = _registry()
    if registry is None or not re.fullmatch("[0-9A-F]{6}", block):
        return ""
    # The registry's own form: the block as six digits, "(base 16)", and the organization up to the end of the line.
    start = registry.find(f"\n{block} ".encode())
    if start < 0:
        return ""
    line = registry[start + 1 : start + 240].split(b"\n", 1)[0]
    return clean(line.partition(b"(base 16)")[2].strip(), 40)


@cache
def _registry() -> mmap.mmap | None:
    """The registry's text that netaddr ships. Looked through as it lies: netaddr's own index takes a tenth of a second
    to load, for the two or three makers that a report names."""
    found = importlib.util.find_spec("netaddr")
    try:
        path = Path((found.submodule_search_locations or [""])[0]) / "eui" / "oui.txt" if found else Path()
        with path.open("rb") as file:
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except (OSError, ValueError):
        return None
