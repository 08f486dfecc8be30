"""LLDP (IEEE 802.1AB): what a neighbour says it is and which of its port this is. Scapy dissects."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from preflight.text import clean
from preflight.wire.picked import Picked, Seen, seen

if TYPE_CHECKING:
    from scapy.packet import Packet


@dataclass(frozen=True)
class LldpNeighbour:
    """Text is "" where not told. The capabilities (IEEE 802.1AB section 8.5.8) are those that are enabled,
    but for `station`: the device counts a mere station among what it can be, as computers do. `ttl_s` is 0 in
    a farewell."""

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
    )


def _text(frame: "Packet", layer: type, field: str) -> str:
    found = frame.getlayer(layer)
    return _shown(getattr(found, field)) if found else ""


def _shown(value: object) -> str:
    return clean(value.rstrip(b"\0") if isinstance(value, bytes) else str(value))
