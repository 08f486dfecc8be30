"""What must not survive of a capture, told by other decoders than ours: dpkt for addresses, Scapy for
names."""

import gzip
import io
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import dpkt
import zstandard
from scapy.contrib.lldp import LLDPDU, LLDPDUPortDescription, LLDPDUSystemDescription, LLDPDUSystemName
from scapy.layers.dhcp import DHCP
from scapy.layers.dns import DNS
from scapy.layers.l2 import Ether

CAPTURES = Path(__file__).resolve().parents[2] / "captures"
BUNDLED = sorted(path for path in CAPTURES.iterdir() if ".pcap" in path.name)
# What stays: kinds of services, and ports by their numbers.
STAYS = re.compile(rb"local|_[a-z0-9-]+|arpa|in-addr|ip6|eth\d+", re.IGNORECASE)


def unpacked(path: Path) -> bytes:
    raw = path.read_bytes()
    if raw[:2] == b"\x1f\x8b":
        return gzip.decompress(raw)
    if raw[:4] == b"\x28\xb5\x2f\xfd":
        return zstandard.ZstdDecompressor().stream_reader(io.BytesIO(raw)).read()
    return raw


def frames(raw: bytes) -> Iterator[bytes]:
    try:
        for _, data in dpkt.pcap.UniversalReader(io.BytesIO(raw)):
            yield data
    except dpkt.NeedData:
        return  # the last record is cut


def addresses(raw: bytes) -> set[bytes]:
    """Hardware and IP addresses of devices, as bytes: groups, broadcasts and "none" left out. Of frames that
    agree in all bytes in which IPv4 has addresses, or in all bytes, one is decoded."""
    found: set[bytes] = set()
    decoded: dict[bytes, bytes] = {}
    for data in frames(raw):
        decoded.setdefault(data[:14] + data[26:34] if data[12:15] == b"\x08\x00\x45" else data, data)
    for data in decoded.values():
        if len(data) < 14:
            continue
        found |= {data[:6], data[6:12]}
        try:
            inner = dpkt.ethernet.Ethernet(data).data
        except dpkt.Error:
            continue
        if isinstance(inner, dpkt.arp.ARP):
            found |= {bytes(inner.sha), bytes(inner.spa), bytes(inner.tha), bytes(inner.tpa)}
        elif isinstance(inner, dpkt.ip.IP | dpkt.ip6.IP6):
            found |= {bytes(inner.src), bytes(inner.dst)}
    return {each for each in found if _is_a_device(each)}


def _is_a_device(raw: bytes) -> bool:
    if len(raw) == 6:
        return any(raw) and not raw[0] & 1
    if len(raw) == 4:
        return any(raw) and raw[0] < 224 and raw[3] != 255
    return any(raw[:15]) and raw[0] != 0xFF


def standing(pieces: Iterable[bytes], wanted: set[bytes]) -> set[bytes]:
    """Those that stand in one of the pieces. What many have in common behind their headers is looked through
    once: all are cut there, and what may lie across the cut is in both parts."""
    cut, longest = 96, max(map(len, wanted), default=0)
    parts = {part for each in pieces for part in (each[: cut + longest], each[cut:])}
    text = b"\n".join(parts)
    return {each for each in wanted if each in text}


def names(raw: bytes) -> set[bytes]:
    """Names by mDNS, DHCP, LLDP and session announcements."""
    found: set[bytes] = set()
    for data in set(frames(raw)):
        ports = data[34:38] if data[12:14] == b"\x08\x00" and len(data) > 42 else b""
        if data[12:14] == b"\x88\xcc":
            frame = LLDPDU(data[14:])
            for layer, field in (
                (LLDPDUSystemName, "system_name"),
                (LLDPDUSystemDescription, "description"),
                (LLDPDUPortDescription, "description"),
            ):
                if part := frame.getlayer(layer):
                    found.add(getattr(part, field))
        elif b"\x14\xe9" in ports:
            message = DNS(data[42:])
            for record in (*(message.an or ()), *(message.ar or ())):
                for text in (record.rrname, getattr(record, "rdata", b""), getattr(record, "target", b"")):
                    found |= set(text.split(b".")) if isinstance(text, bytes) else set()
        elif ports[2:] in (b"\x00\x43", b"\x00\x44"):
            message = Ether(data).getlayer(DHCP)
            for option in message.options if message else ():
                if option[0] in ("hostname", "domain", "vendor_class_id"):
                    found.add(option[1])
        elif ports[2:] == b"\x26\x93":
            found |= set(re.findall(rb"(?m)^[si]=([^\r\n]+)", data[42:]))
    return {each for each in found if len(each) >= 4 and not STAYS.fullmatch(each)}


def spelled(raw: bytes) -> set[bytes]:
    """The ways in which an address is written."""
    if len(raw) == 6:
        return {raw.hex(sep).encode() for sep in ":-."} | {raw.hex().encode(), raw.hex("-").upper().encode()}
    import ipaddress

    address = ipaddress.ip_address(raw)
    return {str(address).encode(), address.exploded.encode()}


def survivors(text: bytes, wanted: set[bytes]) -> set[bytes]:
    """Those that stand in a text by themselves: 192.0.2.1 does not stand in 192.0.2.17."""
    low = text.lower()
    return {
        each
        for each in wanted
        if each.lower() in low
        and re.search(
            rb"(?<![0-9a-zA-Z.:])" + re.escape(each) + rb"(?![0-9a-zA-Z]|[.:][0-9a-zA-Z])",
            text,
            re.IGNORECASE,
        )
    }
