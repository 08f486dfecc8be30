"""What this computer says of itself. Facts only; None always means that the system did not say."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["ethernet", "wifi", "vpn", "bridge", "virtual", "loopback", "other"]


@dataclass(frozen=True)
class Address:
    """An IP address with its prefix length. `origin` is known only for link-local addresses (RFC 3927), so far."""

    text: str
    prefix: int | None
    origin: Literal["link-local"] | None = None


@dataclass(frozen=True)
class Adapter:
    """One network adapter. `gateways` are default gateways by it; `master` is the bridge or bond that it belongs to."""

    name: str
    kind: Kind | None
    kind_reason: str
    enabled: bool | None
    carrier: bool | None
    speed_mbps: int | None
    duplex: Literal["full", "half"] | None
    mtu: int | None
    hardware_address: str
    addresses: tuple[Address, ...] = ()
    gateways: tuple[str, ...] = ()
    master: str | None = None


@dataclass(frozen=True)
class HostFacts:
    """`ip_forwarding` is whether this computer passes IPv4 on from one adapter to another."""

    system: str
    adapters: tuple[Adapter, ...]
    ip_forwarding: bool | None = None

    def adapter(self, name: str | None) -> Adapter | None:
        return next((one for one in self.adapters if one.name == name), None)
