"""The rig sheet as typed facts: what should be there.

Plain frozen dataclasses, so that a check that reads them loads no validating library. What a key may hold
stands in its annotation; `preflight.rig.read` has pydantic hold a file to it. A key's name is the TOML's
name.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address, ip_network
from typing import Annotated, Any, Literal

from preflight.text import clean

Kind = Literal["desk", "engine", "box", "spare"]
Copper = Literal["copper", "Cat 5", "Cat 5e", "Cat 6", "Cat 6A", "Cat 7", "Cat 8"]
Fibre = Literal["fibre", "multimode", "OM1", "OM2", "OM3", "OM4", "OM5", "single-mode"]
Medium = Literal[Copper, Fibre]


@dataclass(frozen=True)
class _Parsed:
    """Marks a text that `parse` brings into its one form, or refuses by a ValueError that says what to
    write."""

    parse: Callable[[str], str]

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], Any]) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_after_validator_function(self.parse, handler(source))


@dataclass(frozen=True)
class _Bound:
    """Marks a number's bounds, or how many entries a list may have."""

    gt: float | None = None
    ge: float | None = None
    le: float | None = None
    max_length: int | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], Any]) -> Any:
        bounds = {name: bound for name, bound in vars(self).items() if bound is not None}
        return {**handler(source), **bounds}


def _name(text: str) -> str:
    if not text.strip() or len(text) > 60 or clean(text) != text:
        raise ValueError("write a name of 1 to 60 printable characters")
    return text.strip()


def hardware_text(text: str) -> str:
    """Any usual way to write a hardware address, as aa:bb:cc:dd:ee:ff."""
    digits = text.replace(":", "").replace("-", "").replace(".", "").lower()
    if len(digits) != 12 or not set(digits) <= set("0123456789abcdef"):
        raise ValueError("write a hardware address as 00:00:5e:00:53:0a")
    return ":".join(digits[i : i + 2] for i in range(0, 12, 2))


def _hardware(text: str) -> str:
    hardware = hardware_text(text)
    if int(hardware[:2], 16) & 1 or hardware == "00:00:00:00:00:00":
        raise ValueError("that is no device's address: groups and broadcasts have such")
    return hardware


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError("write an IP address as 192.0.2.10") from None


def _network(text: str) -> str:
    try:
        return str(ip_network(text, strict=False))
    except ValueError:
        raise ValueError("write a subnet as 198.51.100.0/24") from None


def _group(text: str) -> str:
    if not ip_address(_address(text)).is_multicast:
        raise ValueError("write a multicast address (224.0.0.0 to 239.255.255.255)")
    return _address(text)


def _either(text: str) -> str:
    try:
        return hardware_text(text)
    except ValueError:
        pass
    try:
        return _address(text)
    except ValueError:
        raise ValueError("write a hardware address or an IP address") from None


Name = Annotated[str, _Parsed(_name)]
Hardware = Annotated[str, _Parsed(_hardware)]
IpAddress = Annotated[str, _Parsed(_address)]
Subnet = Annotated[str, _Parsed(_network)]
Group = Annotated[str, _Parsed(_group)]
AnyAddress = Annotated[str, _Parsed(_either)]
PoeClass = Annotated[int, _Bound(ge=0, le=8)]


class _Table:
    """A table of the file. Unknown keys are errors, and a number in quotes is none."""

    __pydantic_config__ = {"extra": "forbid", "strict": True, "allow_inf_nan": False}  # noqa: RUF012


@dataclass(frozen=True)
class Device(_Table):
    """`port` is a switch and its port, "foh 1". `spare_for` names the device that a spare stands in for.
    `speaks_every_s` is how long it is silent at most, heard at the desk's port while all is well."""

    name: Name
    kind: Kind
    hardware: Hardware | None = None
    maker: Name | None = None
    address: IpAddress | None = None
    port: Name | None = None
    spare_for: Name | None = None
    poe_class: PoeClass | None = None
    speaks_every_s: Annotated[float, _Bound(gt=0, le=3600)] | None = None


@dataclass(frozen=True)
class Switch(_Table):
    """`managed` where it has settings, False where it has none, None where the sheet does not tell; so it is
    with `igmp_snooping`. `querier` where it is to ask for group members. `poe_class` is the highest power
    class that its ports feed, `poe_budget_w` what they feed in all."""

    name: Name
    ports: Annotated[int, _Bound(ge=2, le=512)]
    hardware: Hardware | None = None
    managed: bool | None = None
    poe_class: PoeClass | None = None
    poe_budget_w: Annotated[float, _Bound(gt=0, le=10_000)] | None = None
    spanning_tree: bool = False
    igmp_snooping: bool | None = None
    querier: bool = False

    @property
    def snoops(self) -> bool | None:
        """Whether it holds multicast back. Most switches without settings do not; None where it is not
        known."""
        return False if self.igmp_snooping is None and self.managed is False else self.igmp_snooping


@dataclass(frozen=True)
class Cable(_Table):
    """`a` and `b` are a device, or a switch and its port. `medium` says which copper or fibre where that is
    known. `tagged` where its frames carry VLAN tags. Cables between the same two switches that name one `lag`
    act as one (link aggregation, IEEE 802.1AX)."""

    a: Name
    b: Name
    length_m: Annotated[float, _Bound(gt=0, le=100_000)] | None = None
    medium: Medium = "copper"
    speed_mbps: Literal[10, 100, 1000, 2500, 5000, 10000, 25000, 40000, 100000] = 1000
    tagged: bool = False
    name: Name | None = None
    lag: Name | None = None

    @property
    def called(self) -> str:
        return f"{self.name} ({self.a} to {self.b})" if self.name else f"the cable {self.a} to {self.b}"


@dataclass(frozen=True)
class Stream(_Table):
    """Linear audio in RTP from one device to others. `udp_port` and `group` are where it goes on the
    network."""

    name: Name
    sender: Name
    receivers: Annotated[tuple[Name, ...], _Bound(max_length=100)]
    channels: Annotated[int, _Bound(ge=1, le=512)]
    sample_rate_hz: Annotated[int, _Bound(ge=8000, le=768_000)] = 48_000
    bits: Literal[16, 24, 32] = 24
    packet_time_ms: Annotated[float, _Bound(gt=0, le=100)] = 1.0
    group: Group | None = None
    udp_port: Annotated[int, _Bound(ge=1, le=65535)] = 5004


@dataclass(frozen=True)
class Control(_Table):
    """The control network: never joined to the audio LAN."""

    subnet: Subnet | None = None
    router: AnyAddress | None = None


@dataclass(frozen=True)
class Dhcp(_Table):
    """Servers that are meant to be on the audio LAN."""

    allowed: Annotated[tuple[AnyAddress, ...], _Bound(max_length=32)] = ()


@dataclass(frozen=True)
class Clock(_Table):
    """`master` is the device that should lead."""

    master: Name | None = None
    domain: Annotated[int, _Bound(ge=0, le=255)] | None = None


@dataclass(frozen=True)
class Network(_Table):
    """`delay_ms` is what the show allows the network, of the whole delay from microphone to ear."""

    delay_ms: Annotated[float, _Bound(gt=0, le=1000)] = 1.0


MANY = 1000  # a table longer than this is no rig


@dataclass(frozen=True)
class Sheet(_Table):
    """The whole rig. `limits` holds limits of checks that differ from the defaults: {check: {limit:
    value}}."""

    name: Name
    device: Annotated[tuple[Device, ...], _Bound(max_length=MANY)] = ()
    switch: Annotated[tuple[Switch, ...], _Bound(max_length=MANY)] = ()
    cable: Annotated[tuple[Cable, ...], _Bound(max_length=MANY)] = ()
    stream: Annotated[tuple[Stream, ...], _Bound(max_length=MANY)] = ()
    network: Network = Network()
    control: Control = Control()
    dhcp: Dhcp = Dhcp()
    clock: Clock = Clock()
    limits: dict[str, dict[str, float]] = field(default_factory=dict)

    def named(self, name: str | None) -> Device | None:
        return next((device for device in self.device if device.name == name), None)

    def place(self, end: str) -> tuple[str, int | None]:
        """What a cable's end is plugged into: ("foh", 1) for "foh 1", ("desk", None) for a device. ("", None)
        where the sheet has neither."""
        if any(end == device.name for device in self.device):
            return end, None
        switch, _, port = end.rpartition(" ")
        if port.isascii() and port.isdigit() and len(port) < 6 and any(switch == s.name for s in self.switch):
            return switch, int(port)
        return "", None

    def clock_master(self) -> Device | None:
        """The device that should lead the clock."""
        return self.named(self.clock.master)
