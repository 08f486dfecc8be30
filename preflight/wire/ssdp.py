"""SSDP, the discovery of UPnP (UPnP Device Architecture 2.0 section 1): HTTP-like text over UDP port 1900."""

import re
from dataclasses import dataclass
from typing import Literal

from preflight.text import clean
from preflight.wire.datagram import datagram
from preflight.wire.fields import Hand
from preflight.wire.picked import Picked, Seen, seen

# Device types of home gateways (UPnP InternetGatewayDevice) and of access points (UPnP
# WLANAccessPointDevice).
GATEWAYS = ("internetgatewaydevice", "wandevice", "wanconnectiondevice")
ACCESS_POINTS = ("wlanaccesspointdevice",)
MOST_HEADERS = 32
STARTS: dict[str, Literal["NOTIFY", "M-SEARCH", "RESPONSE"]] = {
    "NOTIFY ": "NOTIFY",
    "M-SEARCH ": "M-SEARCH",
    "HTTP/1.": "RESPONSE",
}

# What stays when a message is covered: first lines, headers, and in their values kinds of devices and
# services.
_FIRST_LINES = re.compile(rb"NOTIFY \* HTTP/1\.1|M-SEARCH \* HTTP/1\.1|HTTP/1\.1 200 OK")
_HEADERS = re.compile(
    rb"(?:HOST|CACHE-CONTROL|LOCATION|NT|NTS|SERVER|USN|ST|MAN|MX|EXT|DATE|BOOTID\.UPNP\.ORG|CONFIGID\.UPNP\.ORG)[ ]*",
    re.IGNORECASE,
)
_WORDS = re.compile(
    rb"urn:schemas-upnp-org:(?:device|service):[A-Za-z0-9]{1,40}:\d{1,2}|upnp:rootdevice|uuid:|ssdp:[a-z]{1,12}"
    rb"|max-age|UPnP/\d\.\d|http://|239\.255\.255\.250:1900|\[ff0\d::c\]:1900|(?<![\w.:-])\d{1,5}(?![\w.:-])",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class SsdpMessage:
    """`target` is what is announced or searched for (NT or ST). `gateway` and `access_point` tell what the
    sender says it is; they are False for a search, which only asks."""

    seen: Seen
    source: str
    kind: Literal["NOTIFY", "M-SEARCH", "RESPONSE"]
    target: str
    gateway: bool
    access_point: bool


def read(picked: Picked) -> SsdpMessage | None:
    found = datagram(picked)
    if found is None:
        return None
    lines = found.data[:4096].decode("utf-8", "replace").split("\r\n")
    kind = next((kind for start, kind in STARTS.items() if lines[0].startswith(start)), None)
    if kind is None:
        return None
    headers: dict[str, str] = {}
    for line in lines[1 : MOST_HEADERS + 1]:
        name, colon, value = line.partition(":")
        if colon:
            headers.setdefault(name.strip().upper(), value.strip())
    target = headers.get("NT") or headers.get("ST") or ""
    is_a = "" if kind == "M-SEARCH" else f"{target} {headers.get('USN', '')}".lower()
    return SsdpMessage(
        seen=seen(picked),
        source=found.source,
        kind=kind,
        target=clean(target, 120),
        gateway=any(f":{name}:" in is_a for name in GATEWAYS),
        access_point=any(f":{name}:" in is_a for name in ACCESS_POINTS),
    )


def covered(data: bytes, hand: Hand) -> bytes:
    first, *lines = data.split(b"\r\n")
    out = [first if _FIRST_LINES.fullmatch(first) else hand.scramble(first)]
    for line in lines:
        name, colon, value = line.partition(b":")
        known = colon and _HEADERS.fullmatch(name)
        out.append(name + colon + hand.text(value, _WORDS) if known else hand.text(line))
    return b"\r\n".join(out)
