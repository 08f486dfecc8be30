"""What this computer says of itself. Facts only; None always means that the system did not say."""

from dataclasses import dataclass
from ipaddress import IPv4Interface, IPv6Interface, ip_address, ip_interface
from typing import Literal

Kind = Literal["ethernet", "wifi", "vpn", "bridge", "bond", "virtual", "loopback", "other"]
Origin = Literal["static", "dhcp", "link-local"]
# How far a feature of the link is in use: turned off here; on here, but not at the other end; on here, and
# the other end's word not known; agreed by both ends.
Use = Literal["off", "unused", "possible", "active"]


@dataclass(frozen=True)
class Address:
    """One IP address of an adapter, `prefix` its subnet's length in bits, `origin` how it came to be
    there."""

    text: str
    prefix: int | None = None
    origin: Origin | None = None

    @property
    def interface(self) -> IPv4Interface | IPv6Interface | None:
        """Address and subnet to calculate with, None where the prefix is not known or does not fit."""
        if self.prefix is None:
            return None
        try:
            return ip_interface(f"{self.text}/{self.prefix}")
        except ValueError:
            return None

    @property
    def version(self) -> int | None:
        try:
            return ip_address(self.text).version
        except ValueError:
            return None


@dataclass(frozen=True)
class Counters:
    """Counts since the adapter came up. Not every driver counts every error: a 0 there is weak evidence.

    `rx_missed` holds frames that were lost because this computer fetched them too late. `rx_dropped` holds,
    on many systems, also frames of protocols that nobody here speaks: it proves no loss. `rx_errors` holds
    all receive errors, `rx_crc_errors` frames whose check sequence was wrong, `rx_frame_errors` those that
    did not end on a whole byte (alignment)."""

    rx_frames: int | None = None
    tx_frames: int | None = None
    rx_bytes: int | None = None
    tx_bytes: int | None = None
    rx_errors: int | None = None
    tx_errors: int | None = None
    rx_dropped: int | None = None
    rx_missed: int | None = None
    tx_dropped: int | None = None
    rx_crc_errors: int | None = None
    rx_frame_errors: int | None = None
    collisions: int | None = None
    late_collisions: int | None = None
    carrier_changes: int | None = None


@dataclass(frozen=True)
class Usb:
    """Where a USB adapter sits: the speed that it runs at on its bus, and what else is plugged into the same
    hub. `beside` is empty where it has a socket of the computer to itself, None where that is not known."""

    speed_mbps: float | None = None
    beside: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Adapter:
    """One network interface.

    `kind_reason` says in plain words what `kind` was told by. `bus` is the system's own word for where the
    hardware sits ("pci", "usb", "virtio"), "virtual" where there is none. `master` is the bridge or bond that
    it belongs to. `gateways` are the default gateways that go by it. `forwarding` is True where packets that
    come in here may be sent on by another adapter. `autonegotiated` is False where speed and duplex are set
    by hand. `eee` is energy-efficient Ethernet, `pause` is flow control by pause frames. `may_sleep` is True
    where the system may put the adapter itself to sleep, or turn it off, to save power. `usb` is None where
    it is not on USB. `temperature_c` is that of its sensor nearest to its limit, `hot_c` that limit as its
    maker sets it.
    """

    name: str
    kind: Kind | None = None
    kind_reason: str = "the system does not say what kind of adapter it is"
    enabled: bool | None = None
    carrier: bool | None = None
    speed_mbps: int | None = None
    duplex: Literal["full", "half"] | None = None
    mtu: int | None = None
    hardware_address: str | None = None
    driver: str | None = None
    bus: str | None = None
    addresses: tuple[Address, ...] = ()
    gateways: tuple[str, ...] | None = None
    master: str | None = None
    forwarding: bool | None = None
    counters: Counters = Counters()
    autonegotiated: bool | None = None
    permanent_address: str | None = None
    eee: Use | None = None
    pause: Use | None = None
    may_sleep: bool | None = None
    usb: Usb | None = None
    temperature_c: float | None = None
    hot_c: float | None = None

    @property
    def down(self) -> bool:
        """Whether it has no link; where the system does not tell it is taken to have one."""
        return self.carrier is False or self.enabled is False


@dataclass(frozen=True)
class Power:
    """`saving` is True where the system holds the processor back to save power, `plan` what it calls that
    setting. `sleeps_after_min` is 0 where the computer never goes to sleep by itself."""

    on_mains: bool | None = None
    battery_percent: float | None = None
    saving: bool | None = None
    plan: str | None = None
    sleeps_after_min: float | None = None


@dataclass(frozen=True)
class Load:
    """Processor time since the system started, over all cores (`own_s` is this program's own), memory that
    programs can still have, and the room on the system's disk."""

    busy_s: float | None = None
    total_s: float | None = None
    own_s: float = 0.0
    memory_bytes: int | None = None
    memory_free_bytes: int | None = None
    disk_bytes: int | None = None
    disk_free_bytes: int | None = None


@dataclass(frozen=True)
class HostFacts:
    """`system` is the operating system's name; `ip_forwarding` is True where it forwards for any adapter at
    all. `sharing` is True where the system's own connection sharing is on, False where it is off, or shows as
    forwarding alone. `temperature_c` is that of the computer's hottest sensor."""

    system: str
    adapters: tuple[Adapter, ...] = ()
    ip_forwarding: bool | None = None
    sharing: bool | None = None
    power: Power = Power()
    load: Load = Load()
    temperature_c: float | None = None

    def adapter(self, name: str | None) -> Adapter | None:
        return next((adapter for adapter in self.adapters if adapter.name == name), None)
