"""Who made a device, from the IEEE registry of hardware addresses that netaddr carries.

The registry is loaded when it is first asked.
"""

from functools import lru_cache

from preflight.text import clean

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
        return "random address"
    from netaddr import EUI, AddrFormatError, NotRegisteredError

    try:
        return clean(EUI(mac).oui.registration().org, 40)
    except (AddrFormatError, NotRegisteredError, ValueError, TypeError):
        return ""
