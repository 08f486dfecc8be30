"""Spanning tree: one BPDU a fact. IEEE 802.1D-1998 clause 9 (version 0), IEEE 802.1w clause 9 (version 2),
IEEE 802.1s (version 3: the first 36 bytes are those of version 2). One tree for each VLAN, in SNAP frames:
layout from memory.
"""

import struct
from dataclasses import dataclass
from typing import Literal

from preflight.wire.picked import Picked, Seen, seen

PLAIN = bytes.fromhex("424203")  # LLC
PER_VLAN = bytes.fromhex("aaaa0300000c010b")
CONFIGURATION, TOPOLOGY_CHANGE, RAPID = 0x00, 0x80, 0x02
# What a rapid switch says of its port: IEEE 802.1w 9.3.3, from memory.
ROLE, DESIGNATED, FORWARDING = 0x0C, 0x0C, 0x20
# Flags, root (priority and address), cost, bridge (the same), port, times: IEEE 802.1D-1998 9.3.1.
CONFIGURED = struct.Struct("!4x B H6s I H6s H 2x 3H")
ORIGINATING_VLAN = bytes.fromhex("00000002")


@dataclass(frozen=True)
class BridgeId:
    """Priority and address; the lower one wins (IEEE 802.1D-1998 9.2.5). The priority's low 12 bits may be a
    VLAN."""

    priority: int
    hardware: str

    @property
    def rank(self) -> tuple[int, str]:
        return self.priority, self.hardware


@dataclass(frozen=True)
class Bpdu:
    """`vlan` is None where one tree serves all. What asks for a topology change (`kind`) tells nothing more:
    `root` and `bridge` are None. `held_back` where a rapid switch says that the port which sends this may not
    pass frames on yet."""

    seen: Seen
    kind: Literal["configuration", "topology change", "rapid"]
    version: int
    vlan: int | None = None
    root: BridgeId | None = None
    cost: int = 0
    bridge: BridgeId | None = None
    port: int = 0
    topology_change: bool = False
    held_back: bool = False
    max_age_s: float = 0.0
    hello_s: float = 0.0
    forward_delay_s: float = 0.0


def read(picked: Picked) -> Bpdu | None:
    data = picked.data[picked.l3 :]
    per_vlan = data.startswith(PER_VLAN)
    if not per_vlan and not data.startswith(PLAIN):
        return None
    data = data[len(PER_VLAN if per_vlan else PLAIN) :]
    if len(data) < 4 or data[:2] != b"\0\0":
        return None
    version, kind = data[2], data[3]
    if kind == TOPOLOGY_CHANGE:
        return Bpdu(seen(picked), "topology change", version)
    if kind not in (CONFIGURATION, RAPID) or len(data) < CONFIGURED.size:
        return None
    flags, *root, cost, own, hardware, port, max_age, hello, delay = CONFIGURED.unpack_from(data)
    return Bpdu(
        seen=seen(picked),
        kind="rapid" if kind == RAPID else "configuration",
        version=version,
        vlan=_vlan(data) if per_vlan else None,
        root=BridgeId(root[0], root[1].hex(":")),
        cost=cost,
        bridge=BridgeId(own, hardware.hex(":")),
        port=port,
        topology_change=bool(flags & 1),
        held_back=kind == RAPID and flags & (ROLE | FORWARDING) == DESIGNATED,
        max_age_s=max_age / 256,
        hello_s=hello / 256,
        forward_delay_s=delay / 256,
    )


def _vlan(data: bytes) -> int | None:
    at = data.find(ORIGINATING_VLAN, CONFIGURED.size)
    return int.from_bytes(data[at + 4 : at + 6]) if 0 <= at <= len(data) - 6 else None
