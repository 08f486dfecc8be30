"""LLDP (IEEE 802.1AB): what a neighbour says it is, which of its ports this is, and how that port is set."""

import re
from dataclasses import dataclass
from typing import Literal

from preflight.wire import fields as f
from preflight.wire.picked import Picked, Seen, seen

NEAREST = "01:80:c2:00:00:0e"  # no bridge passes frames to this group on: IEEE 802.1AB section 7.1
# How access points describe themselves in text, here and by CDP: common practice.
ACCESS_POINT_WORDS = ("access point", "wireless ap", "wlan ap")
ACCESS_POINT = re.compile("|".join(ACCESS_POINT_WORDS).encode(), re.IGNORECASE)
# IEEE 802.1AB section 8.4; system capabilities are told as what there is, and what of it is enabled (section
# 8.5.8).
CHASSIS, PORT_ID, TTL, PORT_DESCRIPTION, SYSTEM_NAME, SYSTEM_DESCRIPTION, CAPABILITIES, MANAGEMENT = range(
    1, 9
)
BRIDGE, ACCESS_POINT_BIT, ROUTER, STATION = 0x04, 0x08, 0x10, 0x80
OF_THE_OWNER = 127
# Owner and subtype: IEEE 802.1Q annex D, IEEE 802.3 annex 79.3.
PORT_VLAN, VLAN_NAME = bytes.fromhex("0080c201"), bytes.fromhex("0080c203")
MAC_PHY, POWER, AGGREGATION, FRAME_SIZE, EEE = (
    bytes.fromhex("00120f") + bytes([kind]) for kind in range(1, 6)
)
# Operational MAU types, by IANA-MAU-MIB (RFC 4836 and later): speed in Mb/s. Passive optical networks are
# left out.
SPEEDS = (
    (10, (*range(10, 14),)),
    (100, (*range(14, 21), *range(44, 47))),
    (1000, (*range(21, 31), *range(47, 50), 56)),
    (2500, (103,)),
    (5000, (104,)),
    (10_000, (*range(31, 42), 54, 55, 57, 58)),
)
HALF = (10, 12, 14, 15, 17, 19, 21, 23, 25, 27, 29)


@dataclass(frozen=True)
class LldpNeighbour:
    """Text is "" where not told. The capabilities (IEEE 802.1AB section 8.5.8) are those that are enabled,
    but for `station`: the device counts a mere station among what it can be, as computers do. `ttl_s` is 0 in
    a farewell. The last six tell of the neighbour's port, None where not told: `by_hand` when its speed is
    set without auto-negotiation, `eee` when it may put the link to sleep, `max_frame_bytes` with header and
    check sequence."""

    seen: Seen
    chassis: str
    port: str
    ttl_s: int
    port_description: str
    system_name: str
    system_description: str
    wlan_access_point: bool
    bridge: bool
    router: bool
    station: bool
    speed_mbps: int | None = None
    duplex: Literal["full", "half"] | None = None
    by_hand: bool | None = None
    eee: bool | None = None
    max_frame_bytes: int | None = None
    vlan: int | None = None


# IANA address family numbers, and the length with it.
FAMILIES = {(1, 5): f.IP4, (2, 17): f.IP6, (6, 7): f.MAC}
ADDRESS = f.chosen(lambda raw: (1, FAMILIES.get((raw[0], len(raw)), f.SCRAMBLED) if raw else f.SCRAMBLED))


def _named(hardware: int, address: int, else_: f.Form) -> f.Form:
    """A chassis or a port, by the kind that its first byte tells."""

    def choose(raw: bytes) -> tuple[int, f.Form]:
        if raw[:1] == bytes([hardware]) and len(raw) == 7:
            return 1, f.MAC
        return 1, ADDRESS if raw[:1] == bytes([address]) else else_

    return f.chosen(choose)


def _description(raw: bytes, hand: f.Hand) -> bytes:
    return hand.text(raw, ACCESS_POINT) if ACCESS_POINT.search(raw) else hand.port(raw)


def _management(raw: bytes) -> tuple[int, f.Form]:
    """An address after its length, then the number of its interface."""
    size = raw[0] if raw else 0
    whole = raw and len(raw) >= 1 + size + 5
    return (1, f.parts((size, ADDRESS), (5, f.KEPT))) if whole else (0, f.SCRAMBLED)


OWNED = {
    PORT_VLAN: f.after(2),
    VLAN_NAME: f.after(3, f.NAME),
    EEE: f.after(20),
} | dict.fromkeys((MAC_PHY, POWER, AGGREGATION, FRAME_SIZE), f.after(12))
_OWNED = f.chosen(lambda raw: (4, OWNED.get(raw[:4], f.SCRAMBLED)) if len(raw) >= 4 else (0, f.SCRAMBLED))


def _head(head: bytes) -> tuple[int, int, int] | None:
    """Seven bits of code, nine of length."""
    number = int.from_bytes(head[:2])
    return (number >> 9, 2, number & 511) if len(head) > 1 else None


FIELDS = f.Fields(
    _head,
    {
        CHASSIS: _named(4, 5, f.NAME),
        PORT_ID: _named(3, 4, f.PORT),
        TTL: f.NUMBER,
        PORT_DESCRIPTION: f.Form(_description, f.NAME.read),
        SYSTEM_NAME: f.NAME,
        SYSTEM_DESCRIPTION: f.words(ACCESS_POINT),
        CAPABILITIES: f.NUMBER,
        MANAGEMENT: f.chosen(_management),
        OF_THE_OWNER: f.Form(_OWNED.cover),
    },
    last=0,
)


def read(picked: Picked) -> LldpNeighbour | None:
    told = [*FIELDS.read(picked.data[picked.l3 :])]
    first = dict(reversed(told))
    if CHASSIS not in first:  # the first thing in every LLDP frame
        raise ValueError("no chassis")
    able, enabled = first.get(CAPABILITIES, 0) >> 16, first.get(CAPABILITIES, 0) & 0xFFFF
    more = {value[:4]: value[4:] for code, value in told if code == OF_THE_OWNER}
    mac_phy, size = more.get(MAC_PHY, b""), int.from_bytes(more.get(FRAME_SIZE, b"")[:2])
    speed, duplex = _mau(int.from_bytes(mac_phy[3:5])) if len(mac_phy) >= 5 else (None, None)
    return LldpNeighbour(
        seen=seen(picked),
        chassis=_shown(first[CHASSIS]),
        port=_shown(first.get(PORT_ID, "")),
        ttl_s=first.get(TTL, 0),
        port_description=first.get(PORT_DESCRIPTION, ""),
        system_name=first.get(SYSTEM_NAME, ""),
        system_description=first.get(SYSTEM_DESCRIPTION, ""),
        wlan_access_point=bool(enabled & ACCESS_POINT_BIT),
        bridge=bool(enabled & BRIDGE),
        router=bool(enabled & ROUTER),
        station=bool(able & STATION),
        speed_mbps=speed,
        duplex=duplex,
        by_hand=mac_phy[0] & 3 == 1 if len(mac_phy) >= 5 else None,  # can negotiate, and does not
        eee=any(more[EEE][:4]) if EEE in more else None,
        max_frame_bytes=size or None,
        vlan=int.from_bytes(more.get(PORT_VLAN, b"")[:2]) or None,
    )


def _mau(kind: int) -> tuple[int | None, Literal["full", "half"] | None]:
    speed = next((mbps for mbps, kinds in SPEEDS if kind in kinds), None)
    if speed is None:
        return None, None
    return speed, "half" if kind in HALF else "full"


def _shown(value: str | bytes | tuple[str, ...]) -> str:
    """A name, an address, or what nobody knows how to read."""
    return value if isinstance(value, str) else f.shown(value) if isinstance(value, bytes) else value[0]


covered = FIELDS.cover
