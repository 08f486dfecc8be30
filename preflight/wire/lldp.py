"""LLDP (IEEE 802.1AB): what a neighbour says it is, which of its ports this is, and how that port is set.

Scapy dissects all but what IEEE 802.3 (annex 79.3) and 802.1Q (annex D) added: that is read here, byte by byte.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from preflight.text import clean
from preflight.wire.picked import Picked, Seen, seen

if TYPE_CHECKING:
    from scapy.packet import Packet

NEAREST = "01:80:c2:00:00:0e"  # no bridge passes frames to this group on: IEEE 802.1AB section 7.1
# How access points describe themselves in text, here and by CDP: common practice.
ACCESS_POINT_WORDS = ("access point", "wireless ap", "wlan ap")
OF_THE_OWNER = 127
DOT1, DOT3 = bytes.fromhex("0080c2"), bytes.fromhex("00120f")
PORT_VLAN = (DOT1, 1)
MAC_PHY, FRAME_SIZE, EEE = (DOT3, 1), (DOT3, 4), (DOT3, 5)
# Operational MAU types, by IANA-MAU-MIB (RFC 4836 and later): speed in Mb/s. Passive optical networks are left out.
SPEEDS = (
    (range(10, 14), 10),
    (range(14, 21), 100),
    (range(21, 31), 1000),
    (range(31, 42), 10_000),
    (range(44, 47), 100),
    (range(47, 50), 1000),
    ((54, 55, 57, 58), 10_000),
    ((56,), 1000),
    ((103,), 2500),
    ((104,), 5000),
)
HALF = (10, 12, 14, 15, 17, 19, 21, 23, 25, 27, 29)


@dataclass(frozen=True)
class LldpNeighbour:
    """Text is "" where not told. The capabilities (IEEE 802.1AB section 8.5.8) are those that are enabled,
    but for `station`: the device counts a mere station among what it can be, as computers do. `ttl_s` is 0 in
    a farewell. The last six tell of the neighbour's port, None where not told: `by_hand` when its speed is set without
    auto-negotiation, `eee` when it may put the link to sleep, `max_frame_bytes` with header and check sequence."""

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


def read(picked: Picked) -> LldpNeighbour | None:
    from scapy.config import conf
    from scapy.contrib import lldp

    data = picked.data[picked.l3 :]
    # A neighbour that breaks a rule of the standard still says what it is; the dissector need not refuse it.
    conf.contribs["LLDP"].strict_mode_disable()
    frame = lldp.LLDPDU(data)
    chassis = frame.getlayer(lldp.LLDPDUChassisID)
    if chassis is None:  # the first thing in every LLDP frame
        raise ValueError("no chassis")
    port = frame.getlayer(lldp.LLDPDUPortID)
    lifetime = frame.getlayer(lldp.LLDPDUTimeToLive)
    able = frame.getlayer(lldp.LLDPDUSystemCapabilities)
    more = dict(_of_owners(data))
    mac_phy, size = more.get(MAC_PHY, b""), int.from_bytes(more.get(FRAME_SIZE, b"")[:2])
    speed, duplex = _mau(int.from_bytes(mac_phy[3:5])) if len(mac_phy) >= 5 else (None, None)
    vlan = int.from_bytes(more.get(PORT_VLAN, b"")[:2])
    return LldpNeighbour(
        seen=seen(picked),
        chassis=_shown(chassis.id),
        port=_shown(port.id) if port else "",
        ttl_s=lifetime.ttl if lifetime else 0,
        port_description=_text(frame, lldp.LLDPDUPortDescription, "description"),
        system_name=_text(frame, lldp.LLDPDUSystemName, "system_name"),
        system_description=_text(frame, lldp.LLDPDUSystemDescription, "description"),
        wlan_access_point=bool(able and able.wlan_access_point_enabled),
        bridge=bool(able and able.mac_bridge_enabled),
        router=bool(able and able.router_enabled),
        station=bool(able and able.station_only_available),
        speed_mbps=speed,
        duplex=duplex,
        by_hand=mac_phy[0] & 3 == 1 if len(mac_phy) >= 5 else None,  # can negotiate, and does not
        eee=any(more[EEE][:4]) if EEE in more else None,
        max_frame_bytes=size or None,
        vlan=vlan or None,
    )


def _of_owners(data: bytes) -> Iterator[tuple[tuple[bytes, int], bytes]]:
    """What organisations added: whose and which, and its value (IEEE 802.1AB section 8.6)."""
    at = 0
    while at + 2 <= len(data):
        head = int.from_bytes(data[at : at + 2])
        value = data[at + 2 : at + 2 + (head & 511)]
        if head == 0 or len(value) < head & 511:
            return
        if head >> 9 == OF_THE_OWNER and len(value) >= 4:
            yield (value[:3], value[3]), value[4:]
        at += 2 + len(value)


def _mau(kind: int) -> tuple[int | None, Literal["full", "half"] | None]:
    speed = next((mbps for kinds, mbps in SPEEDS if kind in kinds), None)
    if speed is None:
        return None, None
    return speed, "half" if kind in HALF else "full"


def _text(frame: "Packet", layer: type, field: str) -> str:
    found = frame.getlayer(layer)
    return _shown(getattr(found, field)) if found else ""


def _shown(value: object) -> str:
    return clean(value.rstrip(b"\0") if isinstance(value, bytes) else str(value))
