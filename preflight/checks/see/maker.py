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
FEW = 16
# The registry's own form: the block as six digits, "(base 16)", and the organization up to the end of the
# line.
ENTRY = re.compile(rb"\n([0-9A-F]{6}) [^\n]*\(base 16\)([^\n]*)")
LOCAL_BIT, GROUP_BIT = 0x02, 0x01  # of the first octet: IEEE 802 section 8, the U/L and I/G bits


def locally_administered(mac: str) -> bool:
    """True for a device's address that it or its owner made up, rather than its maker."""
    try:
        first = int(mac[:2], 16)
    except ValueError:
        return False
    return bool(first & LOCAL_BIT) and not first & GROUP_BIT


def maker(mac: str) -> str:
    """The maker's name as registered, "random address" for a locally administered one, "" when not known."""
    if locally_administered(mac):
        return RANDOM
    block = mac.replace(":", "")[:6].upper()
    return _registered(block) if re.fullmatch("[0-9A-F]{6}", block) else ""


@lru_cache(maxsize=4096)
def _registered(block: str) -> str:
    """Who registered the block of six digits. A few are looked up in the text as it lies, milliseconds each;
    where many are asked for, its index pays."""
    registry = _registry()
    if registry is None:
        return ""
    if _registered.cache_info().misses > FEW:
        return clean(_index().get(block.encode(), b"").strip(), 40)
    start = registry.find(f"\n{block} ".encode())
    found = ENTRY.match(registry, start) if start >= 0 else None
    return clean(found[2].strip(), 40) if found else ""


@cache
def _index() -> dict[bytes, bytes]:
    registry = _registry()
    return {found[1]: found[2] for found in ENTRY.finditer(registry)} if registry is not None else {}


@cache
def _registry() -> mmap.mmap | None:
    """The registry's text that netaddr ships. Looked through as it lies: netaddr's own index takes a tenth of
    a second to load, for the two or three makers that a report names."""
    found = importlib.util.find_spec("netaddr")
    try:
        path = Path((found.submodule_search_locations or [""])[0]) / "eui" / "oui.txt" if found else Path()
        with path.open("rb") as file:
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except (OSError, ValueError):
        return None
