"""Fuzzing every reader with atheris: `python -m tests.fuzz.fuzz_wire -max_total_time=120`.

The first byte chooses the kind, the second how the frame is dressed; the rest is the payload. `wire.read`
catches what dissectors raise, so the target looks behind it: an exception that our own code raised unintended
is a crash, and so is text that is not clean, or a check that breaks on the fact. libFuzzer's own -timeout and
-rss_limit_mb find the rest.
"""

import sys
from dataclasses import fields
from importlib import import_module

import atheris

with atheris.instrument_imports(include=["preflight"]):
    from preflight import wire
    from preflight.checks import all_checks
    from preflight.checks.assemble import find
    from preflight.wire import arp, cdp, datagram, dhcp4, dhcp6, icmp, igmp, lldp, mdns, sap, sdp, ssdp, wlan  # noqa: F401

from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.text import clean
from preflight.wire.picked import Picked

KINDS = sorted(wire.READERS)
ETYPES = {
    "dhcp6": 0x86DD,
    "lldp": 0x88CC,
    "preauth": 0x88C7,
    "fast-transition": 0x890D,
    "arp": 0x0806,
    "icmp6": 0x86DD,
}
ETYPES |= dict.fromkeys(("cdp", "xid", "stp"), 0) | dict.fromkeys(
    ("dhcp4", "mdns", "ssdp", "sap", "igmp", "icmp4"), 0x0800
)
PORTS = {"dhcp4": 68, "dhcp6": 546, "mdns": 5353, "ssdp": 1900, "sap": 9875}
CHECKS = all_checks()
SOURCE = SourceFacts("capture", "fuzz", frames=1, duration_s=60.0)
OURS = ("preflight/wire", "preflight/checks")


def dressed(kind: str, how: int, payload: bytes) -> bytes:
    """The payload bare, or behind well-formed headers, so that the dissector itself is reached."""
    if kind == "cdp" and how & 1:
        return bytes.fromhex("aaaa0300000c2000") + payload
    if kind not in PORTS or not how & 1:
        return payload
    udp = PORTS[kind].to_bytes(2) * 2 + (8 + len(payload)).to_bytes(2) + bytes(2) + payload
    if ETYPES[kind] == 0x86DD:
        return b"\x60" + bytes(5) + b"\x11\xff" + bytes(32) + udp
    magic = how & 2 and kind == "dhcp4"
    if magic:
        udp = udp[:8] + b"\x02\x01\x06" + bytes(233) + b"\x63\x82\x53\x63" + payload
        udp = udp[:4] + len(udp).to_bytes(2) + udp[6:]
    return b"\x45" + bytes(8) + b"\x11" + bytes(10) + udp


def target(data: bytes) -> None:
    if len(data) < 2:
        return
    kind = KINDS[data[0] % len(KINDS)]
    frame = bytes(12) + b"\0\6" + dressed(kind, data[1], data[2:])
    picked = Picked(1, 0.0, frame, 14, ETYPES[kind], 2, 0xFFFFFFFFFFFF, cut=bool(data[1] & 4))
    try:
        fact = import_module(f"preflight.wire.{wire.READERS[kind]}").read(picked)
    except Exception as error:
        trace = error.__traceback__
        while trace and trace.tb_next:
            trace = trace.tb_next
        meant = type(error) is ValueError  # how readers refuse
        if trace and not meant and any(part in trace.tb_frame.f_code.co_filename for part in OURS):
            raise
        fact = wire.read(kind, picked)
        assert isinstance(fact, wire.Malformed)
    if fact is None:
        return
    for field in fields(fact):
        value = getattr(fact, field.name)
        for text in value if isinstance(value, tuple) else (value,):
            assert not isinstance(text, str) or clean(text, 1000) == text
    facts = Facts(source=SOURCE, wire={type(fact): (fact,)})
    for check, judge in CHECKS:
        find(check, judge, facts)


def main() -> None:
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
