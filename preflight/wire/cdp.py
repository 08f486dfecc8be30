"""CDP, as some switches and access points speak it beside LLDP (layout from memory). Scapy dissects.

Its capability bits know router, bridge and switch, but no access point.
"""

from dataclasses import dataclass
from typing import Literal

from preflight.text import clean
from preflight.wire.picked import Picked, Seen, seen

SNAP = 8  # bytes of LLC and SNAP header before the message
ROUTER, BRIDGE, SWITCH = 0x01, 0x02, 0x08


@dataclass(frozen=True)
class CdpNeighbour:
    """Text is "" where not told. `duplex` and `vlan` (the native one) are of the neighbour's port."""

    seen: Seen
    device: str
    port: str
    platform: str
    software: str
    bridge: bool
    router: bool
    switch: bool
    duplex: Literal["full", "half"] | None = None
    vlan: int | None = None


def read(picked: Picked) -> CdpNeighbour | None:
    from scapy.contrib import cdp

    data = picked.data[picked.l3 + SNAP :]
    if len(data) < 4:
        return None
    texts: dict[type, str] = {}
    able = 0
    duplex: Literal["full", "half"] | None = None
    vlan = None
    for part in cdp.CDPv2_HDR(data).msg:
        if isinstance(part, cdp.CDPMsgPortID):
            texts.setdefault(type(part), _shown(part.iface))
        elif isinstance(part, cdp.CDPMsgCapabilities):
            able = int(part.cap)
        elif isinstance(part, cdp.CDPMsgDuplex):
            duplex = "full" if int(part.duplex) else "half"
        elif isinstance(part, cdp.CDPMsgNativeVLAN):
            vlan = int(part.vlan)
        elif isinstance(part, cdp.CDPMsgDeviceID | cdp.CDPMsgPlatform | cdp.CDPMsgSoftwareVersion):
            texts.setdefault(type(part), _shown(part.val))
    return CdpNeighbour(
        seen=seen(picked),
        device=texts.get(cdp.CDPMsgDeviceID, ""),
        port=texts.get(cdp.CDPMsgPortID, ""),
        platform=texts.get(cdp.CDPMsgPlatform, ""),
        software=texts.get(cdp.CDPMsgSoftwareVersion, ""),
        bridge=bool(able & BRIDGE),
        router=bool(able & ROUTER),
        switch=bool(able & SWITCH),
        duplex=duplex,
        vlan=vlan,
    )


def _shown(value: bytes) -> str:
    return clean(bytes(value).rstrip(b"\0"))
