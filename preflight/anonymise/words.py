"""What devices say of themselves, with every address and name in it replaced: one function a protocol, bytes for as many bytes.

Each walks the message field by field. Fields that are known to tell something of the network, and of nobody, stay; addresses
and names are replaced; all else is veiled, and so is everything from the place on where the message makes no sense. Text
keeps the words that checks listen for.
"""

import re
from collections.abc import Callable
from ipaddress import ip_address

from preflight.anonymise.cover import Cover
from preflight.frames import kernels as f
from preflight.wire.dhcp4 import HANDHELD_CLASSES
from preflight.wire.lldp import ACCESS_POINT_WORDS

Message = Callable[[bytes, Cover], bytes]
_AP = re.compile(b"|".join(word.encode() for word in ACCESS_POINT_WORDS), re.IGNORECASE)
_CLASSES = re.compile(b"^(?:" + b"|".join(word.encode() for word in HANDHELD_CLASSES) + b")", re.IGNORECASE)


# -- LLDP and CDP ----------------------------------------------------------------------------------------------


def lldp(data: bytes, cover: Cover) -> bytes:
    """IEEE 802.1AB clause 8.5."""
    out, at = b"", 0
    while at + 2 <= len(data):
        head = int.from_bytes(data[at : at + 2])
        kind, size = head >> 9, head & 511
        value = data[at + 2 : at + 2 + size]
        if len(value) < size:
            break
        out += data[at : at + 2] + _tlv(kind, value, cover)
        at += 2 + size
        if head == 0:
            break
    return out + cover.veil(data[at:])


def _tlv(kind: int, value: bytes, cover: Cover) -> bytes:
    if kind in (1, 2) and value:
        sub, rest = value[:1], value[1:]
        if sub[0] == (4 if kind == 1 else 3) and len(rest) == 6:
            return sub + cover.mac(rest)
        if sub[0] == (5 if kind == 1 else 4):
            return sub + _counted_address(rest, cover)
        return sub + (cover.port(rest) if kind == 2 else cover.name(rest))
    if kind in (3, 7) and len(value) <= 4:
        return value
    if kind == 4:
        return cover.port(value) if not _AP.search(value) else cover.text(value, _AP)
    if kind == 5:
        return cover.name(value)
    if kind == 6:
        return cover.text(value, _AP)
    if kind == 8 and value and len(value) >= 1 + value[0] + 5:
        end = 1 + value[0]
        return (
            value[:1]
            + _counted_address(value[1:end], cover)
            + value[end : end + 5]
            + cover.veil(value[end + 5 :])
        )
    if kind == 127 and len(value) >= 4:
        return value[:4] + _owners(value[:3], value[3], value[4:], cover)
    return cover.veil(value)


def _counted_address(raw: bytes, cover: Cover) -> bytes:
    """An address after its family (IANA address family numbers; 6: hardware)."""
    replace = {(1, 5): cover.ip4, (2, 17): cover.ip6, (6, 7): cover.mac}.get((raw[0] if raw else 0, len(raw)))
    return raw[:1] + (replace or cover.veil)(raw[1:])


def _owners(owner: bytes, kind: int, value: bytes, cover: Cover) -> bytes:
    """IEEE 802.3 annex 79.3 and IEEE 802.1Q annex D: numbers of the port; the name of a VLAN."""
    if owner.hex() == "00120f" and kind in (1, 2, 3, 4, 5):
        most = 20 if kind == 5 else 12
        return value[:most] + cover.veil(value[most:])
    if owner.hex() == "0080c2" and kind == 1:
        return value[:2] + cover.veil(value[2:])
    if owner.hex() == "0080c2" and kind == 3:
        return value[:3] + cover.name(value[3:])
    return cover.veil(value)


def cdp(data: bytes, cover: Cover) -> bytes:
    """Layout from memory. Its checksum stays as right or wrong as it was."""
    out, at = data[:4], 4
    while at + 4 <= len(data):
        kind, size = int.from_bytes(data[at : at + 2]), int.from_bytes(data[at + 2 : at + 4])
        if size < 4 or at + size > len(data):
            break
        out += data[at : at + 4] + _cdp_value(kind, data[at + 4 : at + size], cover)
        at += size
    out += cover.veil(data[at:])
    if len(out) < 4:
        return cover.veil(data)
    block = bytearray(out)
    _mend(block, 2, data)
    return bytes(block)


def _cdp_value(kind: int, value: bytes, cover: Cover) -> bytes:
    if kind in (1, 9):
        return cover.name(value)
    if kind == 3:
        return cover.port(value)
    if kind in (5, 6):
        return cover.text(value, _AP)
    if kind in (4, 10, 11) and len(value) <= 4:
        return value
    if kind in (2, 0x16) and len(value) >= 4:
        out, at = value[:4], 4
        while value[at : at + 5] == b"\x01\x01\xcc\x00\x04" and at + 9 <= len(value):
            out += value[at : at + 5] + cover.ip4(value[at + 5 : at + 9])
            at += 9
        return out + cover.veil(value[at:])
    return cover.veil(value)


def _mend(block: bytearray, spot: int, before: bytes) -> None:
    from preflight.anonymise import kernels as k

    k.mend(block, spot, k.total(before, 0, len(before)), k.total(block, 0, len(block)))


# -- DHCP ------------------------------------------------------------------------------------------------------

_ADDRESSES4 = {
    3,
    4,
    5,
    6,
    7,
    8,
    9,
    10,
    11,
    16,
    28,
    32,
    41,
    42,
    44,
    45,
    48,
    49,
    50,
    54,
    65,
    *range(68, 77),
    118,
}
_NUMBERS4 = {
    1,
    2,
    13,
    19,
    20,
    22,
    23,
    24,
    26,
    27,
    29,
    30,
    31,
    35,
    36,
    37,
    38,
    46,
    51,
    52,
    53,
    55,
    57,
    58,
    59,
    80,
    116,
}
_NAMES4 = {12, 14, 15, 17, 18, 40, 47, 56, 62, 64, 66, 67, 77, 86, 87, 100, 101}


def dhcp4(data: bytes, cover: Cover) -> bytes:
    """RFC 2131, options RFC 2132. The client's and the server's numbers stay, names of files do not."""
    if len(data) < 44:
        return cover.veil(data)
    out = data[:12] + b"".join(cover.ip4(data[at : at + 4]) for at in (12, 16, 20, 24))
    ethernet = data[1:3] == b"\x01\x06"
    out += cover.mac(data[28:34]) + bytes(10) if ethernet else cover.veil(data[28:44])
    out += cover.veil(data[44:108]) + cover.veil(data[108:236])
    if data[236:240] != b"\x63\x82\x53\x63":
        return out + cover.veil(data[236:])
    out, at = out + data[236:240], 240
    while at < len(data):
        code = data[at]
        if code == 0:
            out, at = out + b"\0", at + 1
            continue
        if code == 255 or at + 2 > len(data) or at + 2 + data[at + 1] > len(data):
            out, at = out + (b"\xff" if code == 255 else b"\0"), at + 1
            break
        value = data[at + 2 : at + 2 + data[at + 1]]
        out += data[at : at + 2] + _option4(code, value, cover)
        at += 2 + len(value)
    return out + cover.veil(data[at:])


def _option4(code: int, value: bytes, cover: Cover) -> bytes:
    if code in _ADDRESSES4 and len(value) % 4 == 0:
        return b"".join(cover.ip4(value[at : at + 4]) for at in range(0, len(value), 4))
    if code in _NUMBERS4 and (len(value) <= 4 or code == 55):
        return value
    if code == 61 and value[:1] == b"\x01" and len(value) == 7:
        return value[:1] + cover.mac(value[1:])
    if code == 60:
        return cover.text(value, _CLASSES)
    if code == 81 and len(value) > 3:
        labels = _names(value[3:], cover) if value[0] & 4 else cover.name(value[3:])
        return value[:3] + labels
    return cover.name(value) if code in _NAMES4 else cover.veil(value)


def dhcp6(data: bytes, cover: Cover) -> bytes:
    """RFC 8415."""
    if data[:1] in (b"\x0c", b"\x0d") and len(data) >= 34:
        return data[:2] + cover.ip6(data[2:18]) + cover.ip6(data[18:34]) + _options6(data[34:], cover, 0)
    return data[:4] + _options6(data[4:], cover, 0)


def _options6(data: bytes, cover: Cover, depth: int) -> bytes:
    out, at = b"", 0
    while at + 4 <= len(data):
        code, size = int.from_bytes(data[at : at + 2]), int.from_bytes(data[at + 2 : at + 4])
        value = data[at + 4 : at + 4 + size]
        if len(value) < size or depth > 4:
            break
        out += data[at : at + 4] + _option6(code, value, cover, depth + 1)
        at += 4 + size
    return out + cover.veil(data[at:])


def _option6(code: int, value: bytes, cover: Cover, depth: int) -> bytes:
    size = len(value)
    if code in (1, 2):
        start = {b"\x00\x01\x00\x01": 8, b"\x00\x03\x00\x01": 4}.get(value[:4], 0)
        if start and size == start + 6:
            return value[:start] + cover.mac(value[start:])
        return value[:2] + cover.veil(value[2:])
    if code in (3, 4, 25):
        start = 4 if code == 4 else 12
        return value[:start] + _options6(value[start:], cover, depth)
    if code == 5 and size >= 24:
        return cover.ip6(value[:16]) + value[16:24] + _options6(value[24:], cover, depth)
    if code == 9:
        nested = dhcp6(value, cover) if depth < 4 else cover.veil(value)
        return nested
    if code in (6, 7, 8, 14, 19, 20, 32, 82, 83):
        return value
    if code in (12, 23, 27, 31) and size % 16 == 0:
        return b"".join(cover.ip6(value[at : at + 16]) for at in range(0, size, 16))
    if code in (24, 39):
        start = 1 if code == 39 else 0
        return value[:start] + _names(value[start:], cover)
    kept = {13: 2, 16: 4, 17: 4}.get(code, 0)
    return value[:kept] + cover.veil(value[kept:])


# -- names in labels -------------------------------------------------------------------------------------------


def _names(data: bytes, cover: Cover) -> bytes:
    """Names in labels, one after another and without pointers (RFC 1035 section 3.1)."""
    block, at = bytearray(data), 0
    while at < len(data):
        size = data[at]
        if size >= 64 or at + 1 + size > len(data):
            return bytes(block[:at]) + cover.veil(data[at:])
        block[at + 1 : at + 1 + size] = cover.name(data[at + 1 : at + 1 + size])
        at += 1 + size
    return bytes(block)


_DNS_WORDS = {b"local", b"_tcp", b"_udp", b"_services", b"_dns-sd", b"_sub", b"arpa", b"in-addr", b"ip6"}
_SERVICE = re.compile(rb"_[a-z0-9-]{1,15}", re.IGNORECASE)  # RFC 6335 section 5.1


def mdns(data: bytes, cover: Cover) -> bytes:
    """RFC 6762 and 6763: what kinds of services there are stays, whose they are does not."""
    if len(data) < 12:
        return cover.veil(data)
    block = bytearray(data)
    done: set[int] = set()
    counts = [int.from_bytes(data[at : at + 2]) for at in (4, 6, 8, 10)]
    at = 12
    for number in range(sum(counts)):
        start = at
        stop = _dns_name(data, at, block, cover, done)
        question = number < counts[0]
        if stop is None or stop + (4 if question else 10) > len(data):
            return bytes(block[:start]) + cover.veil(data[start:])
        at = stop + (4 if question else 10)
        if not question:
            kind, size = int.from_bytes(data[stop : stop + 2]), int.from_bytes(data[stop + 8 : stop + 10])
            if at + size > len(data):
                return bytes(block[:at]) + cover.veil(data[at:])
            _record(kind, data, at, size, block, cover, done)
            at += size
    block[at:] = cover.veil(data[at:])
    return bytes(block)


def _record(
    kind: int, data: bytes, at: int, size: int, block: bytearray, cover: Cover, done: set[int]
) -> None:
    value = data[at : at + size]
    if (kind, size) == (1, 4):
        block[at : at + 4] = cover.ip4(value)
    elif (kind, size) == (28, 16):
        block[at : at + 16] = cover.ip6(value)
    elif kind in (2, 5, 12) or (kind == 33 and size > 6) or kind == 47:
        start = at + (6 if kind == 33 else 0)
        stop = _dns_name(data, start, block, cover, done)
        if stop is None or stop > at + size:
            block[start : at + size] = cover.veil(data[start : at + size])
        elif kind != 47:  # NSEC goes on with a list of record types, RFC 4034 section 4.1
            block[stop : at + size] = cover.veil(data[stop : at + size])
    elif kind in (13, 16):  # texts, each after its length
        spot = at
        while spot < at + size:
            text = data[spot + 1 : min(spot + 1 + data[spot], at + size)]
            block[spot + 1 : spot + 1 + len(text)] = cover.name(text)
            spot += 1 + data[spot]
    else:
        block[at : at + size] = cover.veil(value)


def _dns_name(data: bytes, at: int, block: bytearray, cover: Cover, done: set[int]) -> int | None:
    """Replace the labels of the name at `at`, once each; where it ends, or None where it makes no sense."""
    labels: list[tuple[int, bytes]] = []
    stop = None
    for _ in range(128):
        if at >= len(data):
            return None
        size = data[at]
        if size == 0:
            stop = at + 1 if stop is None else stop
            break
        if size >= 0xC0:
            if at + 2 > len(data):
                return None
            stop = at + 2 if stop is None else stop
            to = int.from_bytes(data[at : at + 2]) & 0x3FFF
            if not 12 <= to < at:
                return None
            at = to
            continue
        if size >= 64 or at + 1 + size > len(data):
            return None
        labels.append((at + 1, data[at + 1 : at + 1 + size]))
        if stop is not None and at + 1 in done:
            break  # the rest was seen to: names that point at each other's ends take no longer than others
        at += 1 + size
    else:
        return None
    for number, (spot, label) in enumerate(labels):
        after = labels[number + 1][1].lower() if number + 1 < len(labels) else b""
        known = label.lower() in _DNS_WORDS
        if not known and after in (b"_tcp", b"_udp", b"_sub") and _SERVICE.fullmatch(label):
            known = True
        if not known and spot not in done:
            block[spot : spot + len(label)] = cover.name(label)
        done.add(spot)
    return stop


# -- texts -----------------------------------------------------------------------------------------------------

_SSDP_STARTS = re.compile(rb"NOTIFY \* HTTP/1\.1|M-SEARCH \* HTTP/1\.1|HTTP/1\.1 200 OK")
_SSDP_HEADERS = re.compile(
    rb"(?:HOST|CACHE-CONTROL|LOCATION|NT|NTS|SERVER|USN|ST|MAN|MX|EXT|DATE|BOOTID\.UPNP\.ORG|CONFIGID\.UPNP\.ORG)[ ]*",
    re.IGNORECASE,
)
_SSDP_WORDS = re.compile(
    rb"urn:schemas-upnp-org:(?:device|service):[A-Za-z0-9]{1,40}:\d{1,2}|upnp:rootdevice|uuid:|ssdp:[a-z]{1,12}"
    rb"|max-age|UPnP/\d\.\d|http://|239\.255\.255\.250:1900|\[ff0\d::c\]:1900|(?<![\w.:-])\d{1,5}(?![\w.:-])",
    re.IGNORECASE,
)


def ssdp(data: bytes, cover: Cover) -> bytes:
    """UPnP Device Architecture 2.0 section 1: kinds of devices and services stay."""
    lines = data.split(b"\r\n")
    out = [lines[0] if _SSDP_STARTS.fullmatch(lines[0]) else cover.veil(lines[0])]
    for line in lines[1:]:
        name, colon, value = line.partition(b":")
        known = colon and _SSDP_HEADERS.fullmatch(name)
        out.append(name + colon + cover.text(value, _SSDP_WORDS) if known else cover.text(line))
    return b"\r\n".join(out)


_SDP_WORDS = {
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


def sdp(data: bytes, cover: Cover) -> bytes:
    """RFC 8866: formats, ports and groups stay; names, senders and clocks are replaced."""
    return re.sub(rb"[^\r\n]+", lambda line: _sdp_line(line.group(), cover), data)


def _sdp_line(line: bytes, cover: Cover) -> bytes:
    kind, value = line[:1], line[2:]
    if line[1:2] != b"=":
        return cover.text(line)
    if kind == b"s" or kind == b"i":
        return line[:2] + cover.name(value)
    out, at = line[:2], 0
    for found in sorted(
        (*_IDENTITY.finditer(value), *_ADDRESS.finditer(value)), key=lambda each: each.start()
    ):
        if found.start() >= at:
            out += cover.text(value[at : found.start()], _SDP_WORDS.get(kind))
            out += _spelled(found.group(), cover)
            at = found.end()
    return out + cover.text(value[at:], _SDP_WORDS.get(kind))


def _spelled(text: bytes, cover: Cover) -> bytes:
    """An address in writing, in as many letters: a group stays; a device's is filled up with spaces, and gets a
    pseudonym where it is too long."""
    plain = text.decode("ascii")
    if "-" in plain:
        raw = bytes.fromhex(plain.replace("-", ""))
        replace = {6: cover.mac, 8: cover.eui}.get(len(raw))
        return replace(raw).hex("-").upper().encode() if replace else cover.name(text)
    try:
        address = ip_address(plain)
    except ValueError:
        return cover.name(text)
    told = cover.address_text(plain).encode()
    if address.is_multicast or len(told) == len(text):
        return told
    return told.ljust(len(text)) if len(told) < len(text) else cover.name(text)


def sap(data: bytes, cover: Cover) -> bytes:
    """RFC 2974 section 3. What is packed or encrypted is veiled."""
    size = 16 if data[:1] and data[0] & 0x10 else 4
    start = 4 + size + 4 * (data[1] if len(data) > 1 else 0)
    if len(data) < start:
        return cover.veil(data)
    out = (
        data[:4]
        + (cover.ip6 if size == 16 else cover.ip4)(data[4 : 4 + size])
        + cover.veil(data[4 + size : start])
    )
    body = data[start:]
    if data[0] & 0x03:
        return out + cover.veil(body)
    if not body.startswith((b"v=0", b"o=")):
        kind, end, body = body.partition(b"\0")
        if kind.strip().lower() != b"application/sdp" or not end:
            return out + cover.veil(data[start:])
        out += kind + end
    return out + sdp(body, cover)


MESSAGES: dict[int, Message] = {
    f.K_LLDP: lldp,
    f.K_CDP: cdp,
    f.K_DHCP4: dhcp4,
    f.K_DHCP6: dhcp6,
    f.K_MDNS: mdns,
    f.K_SSDP: ssdp,
    f.K_SAP: sap,
}
