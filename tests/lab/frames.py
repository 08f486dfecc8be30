"""Frames built by hand, byte for byte, for what no component on this machine sends by itself.

Independent of the product on purpose: a test that built its frames with the reader's own code would prove
little.
"""

import socket
import struct
from functools import cache, lru_cache

BROADCAST = "ff:ff:ff:ff:ff:ff"
BEAT_ETHERTYPE = 0x88B5  # IEEE 802: local experimental EtherType 1


@cache
def mac_bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace(":", ""))


def ethernet(dst: str, src: str, ethertype: int, payload: bytes) -> bytes:
    """An Ethernet II frame, padded to the 60 bytes that a cable would carry (without the check sequence)."""
    return (mac_bytes(dst) + mac_bytes(src) + struct.pack("!H", ethertype) + payload).ljust(60, b"\0")


def llc(dst: str, src: str, payload: bytes) -> bytes:
    """An IEEE 802.3 frame: a length where Ethernet II has its type."""
    return ethernet(dst, src, len(payload), payload)


def tagged(frame: bytes, vlan: int, priority: int = 0) -> bytes:
    """The same frame with an IEEE 802.1Q tag."""
    return frame[:12] + struct.pack("!HH", 0x8100, priority << 13 | vlan) + frame[12:]


def checksum(data: bytes) -> int:
    """The internet checksum (RFC 1071), by the remainder that equals the folded sum."""
    if len(data) % 2:
        data += b"\0"
    total = int.from_bytes(data, "big")
    folded = total % 0xFFFF
    return ~(folded or (0xFFFF if total else 0)) & 0xFFFF


@cache
def multicast_mac(group: str) -> str:
    """RFC 1112 section 6.4: the low 23 bits of the group."""
    low = struct.unpack("!I", socket.inet_aton(group))[0] & 0x7FFFFF
    return "01:00:5e:" + ":".join(f"{byte:02x}" for byte in struct.pack("!I", low)[1:])


@lru_cache(1000)
def ipv4_head(src: str, dst: str, protocol: int, length: int, ttl: int, dscp: int, ident: int) -> bytes:
    head = struct.pack("!BBHHHBBH", 0x45, dscp << 2, 20 + length, ident, 0x4000, ttl, protocol, 0)
    head += socket.inet_aton(src) + socket.inet_aton(dst)
    return head[:10] + struct.pack("!H", checksum(head)) + head[12:]


def ipv4(src: str, dst: str, protocol: int, payload: bytes, *, ttl: int = 64, dscp: int = 0, ident: int = 0):
    return ipv4_head(src, dst, protocol, len(payload), ttl, dscp, ident) + payload


def udp(
    src_mac: str,
    dst_mac: str,
    src: tuple[str, int],
    dst: tuple[str, int],
    data: bytes,
    *,
    ttl: int = 64,
    dscp: int = 0,
    ident: int = 0,
) -> bytes:
    length = 8 + len(data)
    body = struct.pack("!HHHH", src[1], dst[1], length, 0) + data
    pseudo = socket.inet_aton(src[0]) + socket.inet_aton(dst[0]) + struct.pack("!BBH", 0, 17, length)
    body = body[:6] + struct.pack("!H", checksum(pseudo + body) or 0xFFFF) + data
    return ethernet(dst_mac, src_mac, 0x0800, ipv4(src[0], dst[0], 17, body, ttl=ttl, dscp=dscp, ident=ident))


def rtp_header(sequence: int, timestamp: int, ssrc: int, payload_type: int = 97) -> bytes:
    """RFC 3550 section 5.1, version 2, no extension."""
    return struct.pack("!BBHII", 0x80, payload_type, sequence & 0xFFFF, timestamp & 0xFFFFFFFF, ssrc)


def arp(src_mac: str, src_ip: str, dst_ip: str, *, reply_to: str | None = None) -> bytes:
    """RFC 826: a request, or the reply to one hardware address."""
    target = mac_bytes(reply_to) if reply_to else bytes(6)
    body = struct.pack("!HHBBH", 1, 0x0800, 6, 4, 2 if reply_to else 1) + mac_bytes(src_mac)
    body += socket.inet_aton(src_ip) + target + socket.inet_aton(dst_ip)
    return ethernet(reply_to or BROADCAST, src_mac, 0x0806, body)


def dns_question(name: str, ident: int = 0, qtype: int = 12) -> bytes:
    labels = b"".join(bytes([len(part)]) + part.encode() for part in name.split("."))
    return struct.pack("!HHHHHH", ident, 0, 1, 0, 0, 0) + labels + b"\0" + struct.pack("!HH", qtype, 1)


def mdns_question(src_mac: str, src_ip: str, name: str) -> bytes:
    """RFC 6762: a question to 224.0.0.251, port 5353."""
    group = "224.0.0.251"
    return udp(src_mac, multicast_mac(group), (src_ip, 5353), (group, 5353), dns_question(name), ttl=255)


def dhcp_discover(src_mac: str, transaction: int, hostname: str = "", seconds: int = 0) -> bytes:
    """RFC 2131 DISCOVER with the broadcast flag, so that an answer would be heard by all."""
    fixed = struct.pack("!BBBBIHH", 1, 1, 6, 0, transaction, seconds, 0x8000) + bytes(16)
    options = b"\x63\x82\x53\x63\x35\x01\x01\x37\x04\x01\x03\x06\x0f"
    if hostname:
        options += bytes([12, len(hostname)]) + hostname.encode()
    body = (fixed + mac_bytes(src_mac).ljust(16, b"\0") + bytes(192) + options + b"\xff").ljust(300, b"\0")
    return udp(src_mac, BROADCAST, ("0.0.0.0", 68), ("255.255.255.255", 67), body)


def layer2_update(station_mac: str) -> bytes:
    """What an access point sends in the name of a station that associates: LLC exchange identification,
    broadcast, so that switches learn the way to the station (IEEE 802.11 access points; byte layout from
    memory)."""
    return llc(BROADCAST, station_mac, bytes.fromhex("0001af810100"))


def gateway_notify(src_mac: str, src_ip: str, number: int) -> bytes:
    """The announcement of a home gateway: UPnP `NOTIFY` for an InternetGatewayDevice."""
    group = "239.255.255.250"
    text = (
        "NOTIFY * HTTP/1.1\r\n"
        f"HOST: {group}:1900\r\n"
        "CACHE-CONTROL: max-age=1800\r\n"
        f"LOCATION: http://{src_ip}:5000/root.xml\r\n"
        "NT: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n"
        "NTS: ssdp:alive\r\n"
        "SERVER: invented/1.0 UPnP/1.1 invented-router/1.0\r\n"
        f"USN: uuid:00000000-0000-4000-8000-00005e0053{number:02x}"
        "::urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n\r\n"
    )
    return udp(src_mac, multicast_mac(group), (src_ip, 1900), (group, 1900), text.encode(), ttl=4)


def igmp_query(src_mac: str, src_ip: str) -> bytes:
    """RFC 2236: a general query, with the router alert option (RFC 2113)."""
    body = struct.pack("!BBH4x", 0x11, 100, 0)
    body = body[:2] + struct.pack("!H", checksum(body)) + body[4:]
    head = struct.pack("!BBHHHBBH", 0x46, 0xC0, 32, 0, 0x4000, 1, 2, 0)
    head += socket.inet_aton(src_ip) + socket.inet_aton("224.0.0.1") + b"\x94\x04\0\0"
    head = head[:10] + struct.pack("!H", checksum(head)) + head[12:]
    return ethernet(multicast_mac("224.0.0.1"), src_mac, 0x0800, head + body)


def pause(src_mac: str, quanta: int) -> bytes:
    """IEEE 802.3 Annex 31B: stop sending for so many times 512 bits."""
    return ethernet("01:80:c2:00:00:01", src_mac, 0x8808, struct.pack("!HH", 1, quanta))


def sap(
    src_mac: str, src_ip: str, name: str, group: str, *, channels: int, port: int = 5004, kind: int = 97
) -> bytes:
    """RFC 2974: the announcement of one stream of linear audio, described as RFC 8866 and RFC 3190 have
    it."""
    to = "239.255.255.255"
    text = (
        f"v=0\r\no=- 53 1 IN IP4 {src_ip}\r\ns={name}\r\nc=IN IP4 {group}/15\r\nt=0 0\r\n"
        f"m=audio {port} RTP/AVP {kind}\r\na=rtpmap:{kind} L24/48000/{channels}\r\na=ptime:1\r\n"
    )
    head = struct.pack("!BBH", 0x20, 0, 0x5353) + socket.inet_aton(src_ip) + b"application/sdp\0"
    return udp(src_mac, multicast_mac(to), (src_ip, 9875), (to, 9875), head + text.encode(), ttl=15)
