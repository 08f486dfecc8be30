"""Dissecting the few control frames that matter: one protocol a file, one frozen fact a frame.

Readers are found by the kind that the kernel gave the frame and loaded when the first such frame comes. The
fields of a protocol stand in its file once (`fields.py`), for the reader and for what covers them in a
handover. zeroconf is imported where mDNS is read, so that it costs nothing where nobody speaks it. Dissectors
meet hostile bytes here: whatever they raise becomes the fact `Malformed`, and what they would log is kept off
the terminal.
"""

import importlib
import logging
from dataclasses import dataclass

from preflight.wire.picked import Picked, Seen, seen

READERS = {
    "dhcp4": "dhcp4",
    "dhcp6": "dhcp6",
    "mdns": "mdns",
    "ssdp": "ssdp",
    "lldp": "lldp",
    "cdp": "cdp",
    "stp": "stp",
    "xid": "wlan",
    "preauth": "wlan",
    "fast-transition": "wlan",
    "arp": "arp",
    "sap": "sap",
    "igmp": "igmp",
    "icmp4": "icmp",
    "icmp6": "icmp",
}

for _library in ("scapy", "zeroconf"):
    logging.getLogger(_library).setLevel(logging.CRITICAL)


@dataclass(frozen=True)
class Malformed:
    """A frame whose dissector gave up: its kind, and where it was seen."""

    kind: str
    seen: Seen


def read(kind: str, picked: Picked) -> object | None:
    """The fact in a frame of this kind, `Malformed`, or None where the frame says nothing of use. Never
    raises."""
    if kind not in READERS:
        return None
    reader = importlib.import_module(f"{__name__}.{READERS[kind]}")
    try:
        return reader.read(picked)
    except Exception:  # dissectors raise whatever comes to hand
        return Malformed(kind, seen(picked))
