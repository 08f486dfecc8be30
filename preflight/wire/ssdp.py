"""SSDP, the discovery of UPnP (UPnP Device Architecture 2.0 section 1): HTTP-like text over UDP port 1900."""

from dataclasses import dataclass
from typing import Literal

from preflight.text import clean
from preflight.wire.datagram import datagram
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


@dataclass(frozen=True)
class SsdpMessage:
    """`target` is what is announced or searched for (NT or ST). `gateway` and `access_point` tell what the
    sender says it is; they are False for a search, which only asks."""

    seen: Seen
    source: str
    kind: Literal["NOTIFY", "M-SEARCH", "RESPONSE"]
    target: str
    usn: str
    server: str
    location: str
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
    usn = headers.get("USN", "")
    is_a = "" if kind == "M-SEARCH" else f"{target} {usn}".lower()
    return SsdpMessage(
        seen=seen(picked),
        source=found.source,
        kind=kind,
        target=clean(target, 120),
        usn=clean(usn, 200),
        server=clean(headers.get("SERVER", "")),
        location=clean(headers.get("LOCATION", ""), 120),
        gateway=any(f":{name}:" in is_a for name in GATEWAYS),
        access_point=any(f":{name}:" in is_a for name in ACCESS_POINTS),
    )
