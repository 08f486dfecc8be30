"""CDP, as some switches and access points speak it beside LLDP (layout from memory).

Its capability bits know router, bridge and switch, but no access point.
"""

from dataclasses import dataclass
from typing import Literal

from preflight.wire import fields as f
from preflight.wire.lldp import ACCESS_POINT
from preflight.wire.picked import Picked, Seen, seen

SNAP = 8  # bytes of LLC and SNAP header before the message
HEAD, CHECKSUM = 4, 2  # version, life time, checksum
ROUTER, BRIDGE, SWITCH = 0x01, 0x02, 0x08
DEVICE, PORT_ID, CAPABILITIES, SOFTWARE, PLATFORM, NATIVE_VLAN, DUPLEX = 1, 3, 4, 5, 6, 10, 11
OF_IPV4 = b"\x01\x01\xcc\x00\x04"  # what stands before an IPv4 address


def _addresses(raw: bytes, hand: f.Hand) -> bytes:
    """Counted addresses, each after its protocol."""
    out = raw[:4]
    while raw[len(out) :].startswith(OF_IPV4) and len(raw) >= len(out) + 9:
        at = len(out) + len(OF_IPV4)
        out += OF_IPV4 + hand.ip4(raw[at : at + 4])
    return out + hand.scramble(raw[len(out) :]) if len(raw) >= 4 else hand.scramble(raw)


def _head(head: bytes) -> tuple[int, int, int] | None:
    """The length counts the head."""
    found = f.head_of_four(head)
    return found and (found[0], HEAD, found[2] - HEAD)


FIELDS = f.Fields(
    _head,
    dict.fromkeys((DEVICE, 9), f.NAME)
    | dict.fromkeys((CAPABILITIES, NATIVE_VLAN, DUPLEX), f.NUMBER)
    | dict.fromkeys((SOFTWARE, PLATFORM), f.words(ACCESS_POINT))
    | dict.fromkeys((2, 0x16), f.Form(_addresses))
    | {PORT_ID: f.PORT},
)


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
    data = picked.data[picked.l3 + SNAP :]
    if len(data) < HEAD:
        return None
    told = FIELDS.first(data[HEAD:])
    able = told.get(CAPABILITIES, 0)
    return CdpNeighbour(
        seen=seen(picked),
        device=told.get(DEVICE, ""),
        port=told.get(PORT_ID, ""),
        platform=told.get(PLATFORM, ""),
        software=told.get(SOFTWARE, ""),
        bridge=bool(able & BRIDGE),
        router=bool(able & ROUTER),
        switch=bool(able & SWITCH),
        duplex=("full" if told[DUPLEX] else "half") if DUPLEX in told else None,
        vlan=told.get(NATIVE_VLAN),
    )


def covered(data: bytes, hand: f.Hand) -> bytes:
    """Its checksum becomes wrong: whoever puts the message in its place mends it."""
    return data[:HEAD] + FIELDS.cover(data[HEAD:], hand) if len(data) >= HEAD else hand.scramble(data)
