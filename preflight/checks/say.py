"""Words for flows, numbers and times that several checks share."""

import re
from collections.abc import Iterable
from datetime import datetime
from typing import Protocol

from preflight.text import clean

# EtherTypes and ports that open standards name.
ETHERTYPES = {
    0x0806: "ARP",
    0x22F0: "AVTP (IEEE 1722)",
    0x22EA: "stream reservation (IEEE 802.1Q)",
    0x8808: "pause frames",
    0x88CC: "LLDP",
    0x88F7: "PTP over Ethernet",
    0x88B5: "local experimental EtherType 0x88b5",
    0x88B6: "local experimental EtherType 0x88b6",
}
PORTS = {
    53: "DNS",
    67: "DHCP",
    68: "DHCP",
    123: "NTP",
    137: "NetBIOS names",
    138: "NetBIOS datagrams",
    319: "PTP event",
    320: "PTP general",
    427: "SLP",
    546: "DHCPv6",
    547: "DHCPv6",
    1900: "SSDP",
    3702: "WS-Discovery",
    5353: "mDNS",
    5355: "LLMNR",
    9875: "SAP",
}
# Where a device is mentioned: hardware address and IP address between marks. `see/names.py` puts its name
# there.
OPENS, PARTS, CLOSES = "\ue000", "\ue001", "\ue002"
MENTION = re.compile(f"{OPENS}([^{OPENS}-{CLOSES}]*){PARTS}([^{OPENS}-{CLOSES}]*){CLOSES}")
PROTOCOLS = {1: "ICMP", 2: "IGMP", 6: "TCP", 17: "UDP", 58: "ICMPv6", 103: "PIM", 112: "VRRP"}


class Addressed(Protocol):
    """What has the addresses of a flow."""

    @property
    def ethertype(self) -> int: ...
    @property
    def protocol(self) -> int | None: ...
    @property
    def destination_ip(self) -> str: ...
    @property
    def destination_port(self) -> int: ...


def what(flow: Addressed) -> str:
    """What a flow is, as far as an open standard names it: "ARP", "mDNS to 224.0.0.251", "UDP port 6000 to
    ..."."""
    if flow.protocol is None:
        return ETHERTYPES.get(flow.ethertype) or (
            f"EtherType 0x{flow.ethertype:04x}" if flow.ethertype >= 1536 else "802.3 frames"
        )
    name = PROTOCOLS.get(flow.protocol, f"IP protocol {flow.protocol}")
    if flow.protocol in (6, 17) and flow.destination_port:
        name = PORTS.get(flow.destination_port, f"{name} port {flow.destination_port}")
    return f"{name} to {flow.destination_ip}"


def who(hardware: str, ip: str = "") -> str:
    """A device by its hardware address, and by its IP address where that is to be said: a mention, which
    becomes its name when the finding is made."""
    if not hardware:
        return ip or "a sender without hardware address"
    return f"{OPENS}{hardware}{PARTS}{ip}{CLOSES}"


def spoken(name: str, longest: int) -> str:
    """A name that came from the network, fit for a sentence: at most so long, in one line, and without the
    marks in which we quote it or leave room for a moment; "" where it has neither a letter nor a digit."""
    words = clean(" ".join(name.split()).translate(str.maketrans('“”"{}', "'''()")), longest)
    return words if any(each.isalnum() for each in words) else ""


def first_upper(text: str) -> str:
    """As a sentence begins."""
    return text[:1].upper() + text[1:]


def count_text(number: float) -> str:
    """12 345 as people read it."""
    return f"{number:,.0f}".replace(",", " ")


def counted(number: float, thing: str) -> str:
    """1 frame, 12 345 frames."""
    return f"{count_text(number)} {thing}{'' if number == 1 else 's'}"


def heard_only(heard_s: float, least_s: float) -> str:
    """That this was too short to show that all is well."""
    return f"Heard for {heard_s:.1f} s only; this needs at least {least_s:g} s."


def listed(names: Iterable[str]) -> str:
    """Names with commas between them. Three or more that count up are told as one: box 1–14."""
    runs: list[list[str]] = []
    last: tuple[str, int, str] | None = None
    for name in names:
        parts = re.fullmatch(r"(.*?)(\d{1,9})(\D*)", name)
        this = (parts[1], int(parts[2]), parts[3]) if parts else None
        if this and last and this == (last[0], last[1] + 1, last[2]):
            runs[-1].append(name)
        else:
            runs.append([name])
        last = this
    return ", ".join(name for run in runs for name in (run if len(run) < 3 else [_run(run[0], run[-1])]))


def _run(first: str, last: str) -> str:
    parts = re.fullmatch(r"(.*?\d+)(\D*)", first)
    end = re.search(r"\d+(?=\D*$)", last)
    return f"{parts[1]}–{end[0]}{parts[2]}" if parts and end else f"{first}, {last}"


def span_text(seconds: float) -> str:
    """A time as people say it: 12 s, 45 min, 4 h, 3 h 20 min, 2 d 4 h."""
    whole = int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 and whole < 600 else "")
    large, small, names = (whole // 3600, whole % 3600 // 60, "h min")
    if whole >= 48 * 3600:
        large, small, names = (whole // 86400, whole % 86400 // 3600, "d h")
    one, other = names.split()
    return f"{large} {one}" + (f" {small} {other}" if small else "")


def when(at_ns: int) -> str:
    """A moment as the clock on this computer's wall shows it."""
    try:
        return datetime.fromtimestamp(at_ns // 10**9).strftime("%Y-%m-%d %H:%M:%S")
    except (ValueError, OverflowError, OSError):
        return "an unknown time"
