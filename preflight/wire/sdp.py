"""Session descriptions (SDP, RFC 8866): a session's name, and where its streams go in which format.

Only what tells streams apart is read. A line that makes no sense is passed over; numbers out of range count
as untold.
"""

import re
from dataclasses import dataclass
from ipaddress import ip_address

from preflight.text import clean
from preflight.wire.fields import Hand

MOST_LINES = 400
MOST_MEDIA = 16
# What stays of a line when a description is covered, by its kind: formats, ports, groups.
_WORDS = {
    b"t": re.compile(rb"\d+|-"),
    b"r": re.compile(rb"[\d dhms]+"),
    b"v": re.compile(rb"0"),
    b"b": re.compile(rb"[A-Z]{2,5}:\d+"),
    b"o": re.compile(rb"(?<= )(?:IN|IP4|IP6)(?= )|(?<= )\d{1,20} \d{1,20}(?= )|(?<!\S)-(?!\S)"),
    b"c": re.compile(rb"IN IP[46]|/\d{1,3}"),
    b"m": re.compile(rb"(?:audio|video|application|text) |(?<= )\d{1,5}(?:/\d{1,3})?(?!\S)|RTP/\S{2,6}"),
    b"a": re.compile(
        rb"^(?:(?:rtpmap|ptime|maxptime|framecount|recvonly|sendonly|sendrecv|inactive|mediaclk|sync-time|clock-domain"
        rb"|ts-refclk|source-filter|fmtp|type|charset|rtcp)(?=:|$))|incl IN IP[46]|(?:direct|sender|ptp|ntp|gps)(?==|$)"
        rb"|IEEE1588-20\d\d|IEEE802\.1AS-2011|(?<=\d )[A-Za-z][A-Za-z0-9-]{0,15}(?=/\d)|(?<![\w-])\d{1,10}(?:\.\d{1,6})?(?![\w-])"
    ),
}
_IDENTITY = re.compile(rb"(?<![\w-])(?:[0-9A-Fa-f]{2}-){5,7}[0-9A-Fa-f]{2}(?![\w-])")
_ADDRESS = re.compile(
    rb"(?<![\w.:])(?:\d{1,3}(?:\.\d{1,3}){3}|[0-9A-Fa-f]{0,4}(?::[0-9A-Fa-f]{0,4}){2,7})(?![\w.])"
)


@dataclass(frozen=True)
class SdpMedia:
    """One stream of a session. `group` is where it is sent ("" untold), `encoding` as in rtpmap ("L24"); None
    and "" where the description does not tell. `packet_time_ms` is ptime."""

    kind: str
    title: str
    group: str
    port: int
    payload_type: int
    encoding: str
    clock_hz: int | None
    channels: int | None
    packet_time_ms: float | None


@dataclass(frozen=True)
class Session:
    """`origin` is what tells sessions apart (user, number and address of the o= line)."""

    name: str
    origin: str
    media: tuple[SdpMedia, ...]


def parse(text: bytes) -> Session | None:
    """The session that `text` describes, or None where it is no SDP."""
    lines = text.replace(b"\r", b"\n").split(b"\n", MOST_LINES)[:MOST_LINES]
    pairs = [(line[:1], line[2:].decode("utf-8", "replace").strip()) for line in lines if line[1:2] == b"="]
    name = origin = group = time = ""
    sections: list[dict[bytes, list[str]]] = []
    for kind, value in pairs:
        if kind == b"m" and value:
            if len(sections) == MOST_MEDIA:
                break
            sections.append({b"m": [value]})
        elif sections:
            sections[-1].setdefault(kind, []).append(value)
        elif kind == b"s":
            name = value
        elif kind == b"o":
            fields = value.split()
            origin = " ".join(fields[:2] + fields[5:6])  # without the version, which counts changes
        elif kind == b"c":
            group = _address(value)
        elif kind == b"a" and value.startswith("ptime:"):
            time = value
    if not name and not origin:
        return None
    media = tuple(found for section in sections if (found := _media(section, group, time)))
    return Session(clean(name), clean(origin, 120), media)


def _media(section: dict[bytes, list[str]], group: str, time: str) -> SdpMedia | None:
    fields = section[b"m"][0].split()
    if len(fields) < 4 or not fields[2].startswith("RTP/"):
        return None
    port, kind = _number(fields[1].partition("/")[0], 65535), _number(fields[3], 127)
    if port is None or kind is None:
        return None
    attributes = section.get(b"a", [])
    encoding, clock_hz, channels = "", None, None
    for value in attributes:
        number, _, mapped = value.removeprefix("rtpmap:").partition(" ")
        if value.startswith("rtpmap:") and _number(number, 127) == kind:
            encoding, clock, count = (*mapped.strip().split("/"), "", "")[:3]
            clock_hz, channels = _number(clock, 10_000_000), _number(count, 1024)
            if channels is None and not count and fields[0] == "audio":
                channels = 1  # RFC 8866 section 6.6: left out means one
            break
    times = [value for value in (*attributes, time) if value.startswith("ptime:")]
    return SdpMedia(
        kind=clean(fields[0], 20),
        title=clean(next(iter(section.get(b"i", [])), "")),
        group=next((address for value in section.get(b"c", []) if (address := _address(value))), group),
        port=port,
        payload_type=kind,
        encoding=clean(encoding, 20),
        clock_hz=clock_hz or None,
        channels=channels or None,
        packet_time_ms=_milliseconds(times[0].removeprefix("ptime:")) if times else None,
    )


def _address(value: str) -> str:
    """The address of a c= line, without its TTL and count; "" where there is none."""
    fields = value.split()
    try:
        return str(ip_address(fields[2].partition("/")[0])) if len(fields) > 2 else ""
    except ValueError:
        return ""


def _number(text: str, most: int) -> int | None:
    if not (text.isascii() and text.isdecimal() and len(text) < 10):
        return None
    return int(text) if int(text) <= most else None


def _milliseconds(text: str) -> float | None:
    whole, _, part = text.strip().partition(".")
    if not all(
        digits.isascii() and digits.isdecimal() and len(digits) < 10 for digits in (whole, part or "0")
    ):
        return None
    time = float(f"{whole}.{part or 0}")
    return time if 0 < time <= 1000 else None


def covered(data: bytes, hand: Hand) -> bytes:
    """Names, senders and clocks are replaced."""
    return re.sub(rb"[^\r\n]+", lambda line: _covered_line(line.group(), hand), data)


def _covered_line(line: bytes, hand: Hand) -> bytes:
    kind, value = line[:1], line[2:]
    if line[1:2] != b"=":
        return hand.text(line)
    if kind == b"s" or kind == b"i":
        return line[:2] + hand.name(value)
    out, at = line[:2], 0
    for found in sorted(
        (*_IDENTITY.finditer(value), *_ADDRESS.finditer(value)), key=lambda each: each.start()
    ):
        if found.start() >= at:
            out += hand.text(value[at : found.start()], _WORDS.get(kind))
            out += _covered_address(found.group(), hand)
            at = found.end()
    return out + hand.text(value[at:], _WORDS.get(kind))


def _covered_address(text: bytes, hand: Hand) -> bytes:
    """An address in writing, in as many letters: a group stays; a device's is filled up with spaces, and gets
    a pseudonym where it is too long."""
    plain = text.decode("ascii")
    if "-" in plain:
        raw = bytes.fromhex(plain.replace("-", ""))
        replace = {6: hand.mac, 8: hand.eui}.get(len(raw))
        return replace(raw).hex("-").upper().encode() if replace else hand.name(text)
    try:
        address = ip_address(plain)
    except ValueError:
        return hand.name(text)
    told = hand.address_text(plain).encode()
    if address.is_multicast or len(told) == len(text):
        return told
    return told.ljust(len(text)) if len(told) < len(text) else hand.name(text)
