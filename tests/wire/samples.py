"""Frames for the tests, built by Scapy or byte for byte, and how to hand them to a reader."""

from scapy.contrib.cdp import (
    CDPMsgCapabilities,
    CDPMsgDeviceID,
    CDPMsgDuplex,
    CDPMsgNativeVLAN,
    CDPMsgPlatform,
    CDPMsgPortID,
    CDPv2_HDR,
)
from scapy.contrib.lldp import (
    LLDPDUChassisID,
    LLDPDUEndOfLLDPDU,
    LLDPDUGenericOrganisationSpecific,
    LLDPDUPortDescription,
    LLDPDUPortID,
    LLDPDUSystemCapabilities,
    LLDPDUSystemDescription,
    LLDPDUSystemName,
    LLDPDUTimeToLive,
)
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.dhcp6 import (
    DUID_LL,
    DHCP6_Advertise,
    DHCP6_Request,
    DHCP6_Solicit,
    DHCP6OptClientId,
    DHCP6OptDNSServers,
    DHCP6OptIA_NA,
    DHCP6OptIAAddress,
    DHCP6OptServerId,
)
from scapy.layers.dns import DNS, DNSQR, DNSRR, DNSRRSRV
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import ARP, LLC, SNAP, Dot3, Ether
from scapy.packet import Packet, Raw

from preflight.wire.picked import Picked
from tests.tally.captures import sap, sdp
from tests.wire import groups, routers

CLIENT, SERVER, STATION = "00:00:5e:00:53:0b", "00:00:5e:00:53:42", "02:00:5e:00:53:77"
BROADCAST = "ff:ff:ff:ff:ff:ff"
SERVER_IP = "192.0.2.66"


def picked(frame: bytes | Packet, number: int = 1, time_s: float = 0.0, **more: bool) -> Picked:
    """The frame as the kernel would hand it over: addresses, EtherType after tags, where the rest begins."""
    data = bytes(frame)
    at = 12
    while data[at : at + 2] in (b"\x81\x00", b"\x88\xa8"):
        at += 4
    etype = int.from_bytes(data[at : at + 2])
    dst, src = int.from_bytes(data[:6]), int.from_bytes(data[6:12])
    return Picked(number, time_s, data, at + 2, etype if etype >= 1536 else 0, src, dst, **more)


def dhcp4(
    kind: str, *, src: str = CLIENT, client: str = CLIENT, flags: int = 0, xid: int = 7, **more
) -> Packet:
    """A DHCP message by its name in Scapy ("discover"); `more` are options by Scapy's names, or addresses
    such as `giaddr`."""
    reply = kind in ("offer", "ack", "nak")
    fixed = {name: more.pop(name) for name in ("yiaddr", "giaddr", "ciaddr", "siaddr") if name in more}
    options = [("message-type", kind), *((name, *_many(value)) for name, value in more.items()), "end"]
    ip = IP(src=SERVER_IP if reply else "0.0.0.0", dst="255.255.255.255")
    udp = UDP(sport=67, dport=68) if reply else UDP(sport=68, dport=67)
    mac = bytes.fromhex(client.replace(":", ""))
    head = BOOTP(op=2 if reply else 1, xid=xid, flags=flags, chaddr=mac, **fixed)
    return Ether(src=src, dst=BROADCAST) / ip / udp / head / DHCP(options=options)


def _many(value: object) -> tuple:
    return value if isinstance(value, tuple) else (value,)


def offer(src: str = SERVER, **more) -> Packet:
    settings = {
        "yiaddr": "192.0.2.111",
        "server_id": SERVER_IP,
        "subnet_mask": "255.255.255.0",
        "router": "192.0.2.1",
        "name_server": ("192.0.2.2", "192.0.2.3"),
        "domain": b"stage.example",
        "lease_time": 3600,
    }
    return dhcp4("offer", src=src, **settings | more)


def dhcp6(message: Packet, src: str, dst: str = "33:33:00:01:00:02") -> Packet:
    asks = dst.startswith("33:33")
    ip = IPv6(src="fe80::1" if asks else "fe80::2", dst="ff02::1:2" if asks else "fe80::1")
    udp = UDP(sport=546, dport=547) if asks else UDP(sport=547, dport=546)
    return Ether(src=src, dst=dst) / ip / udp / message


def solicit(trid: int = 5) -> Packet:
    return dhcp6(DHCP6_Solicit(trid=trid) / DHCP6OptClientId(duid=DUID_LL(lladdr=CLIENT)), CLIENT)


def advertise() -> Packet:
    message = (
        DHCP6_Advertise(trid=5)
        / DHCP6OptClientId(duid=DUID_LL(lladdr=CLIENT))
        / DHCP6OptServerId(duid=DUID_LL(lladdr=SERVER))
        / DHCP6OptIA_NA(ianaopts=[DHCP6OptIAAddress(addr="2001:db8::111")])
        / DHCP6OptDNSServers(dnsservers=["2001:db8::53"])
    )
    return dhcp6(message, SERVER, CLIENT)


def request6() -> Packet:
    ids = DHCP6OptClientId(duid=DUID_LL(lladdr=CLIENT)) / DHCP6OptServerId(duid=DUID_LL(lladdr=SERVER))
    return dhcp6(DHCP6_Request(trid=6) / ids, CLIENT)


def mdns(message: DNS, src: str = STATION) -> Packet:
    ip = IP(src="192.0.2.77", dst="224.0.0.251", ttl=255)
    return Ether(src=src, dst="01:00:5e:00:00:fb") / ip / UDP(sport=5353, dport=5353) / message


def announcement(service: str = "_companion-link._tcp.local.", ttl: int = 120, src: str = STATION) -> Packet:
    pointer = DNSRR(rrname=service, type="PTR", ttl=ttl, rdata=f"Monitors.{service}")
    place = DNSRRSRV(rrname=f"Monitors.{service}", ttl=ttl, port=9, target="monitors.local.")
    return mdns(DNS(qr=1, aa=1, qd=[], an=[pointer, place]), src)


def question(name: str = "_http._tcp.local.") -> Packet:
    known = DNSRR(rrname=name, type="PTR", ttl=120, rdata=f"Other.{name}")
    return mdns(DNS(qr=0, qd=[DNSQR(qname=name, qtype="PTR")], an=[known]))


def ssdp(text: str, src: str = SERVER) -> Packet:
    ip = IP(src=SERVER_IP, dst="239.255.255.250", ttl=4)
    return Ether(src=src, dst="01:00:5e:7f:ff:fa") / ip / UDP(sport=1900, dport=1900) / Raw(text.encode())


def notify(
    device: str = "InternetGatewayDevice", start: str = "NOTIFY * HTTP/1.1", field: str = "NT"
) -> Packet:
    kind = f"urn:schemas-upnp-org:device:{device}:1"
    lines = (
        start,
        "HOST: 239.255.255.250:1900",
        f"{field}: {kind}",
        "Server: invented/1.0",
        f"USN: uuid:5::{kind}",
    )
    return ssdp("\r\n".join((*lines, "", "")))


def lldp(
    *,
    src: str = SERVER,
    description: bytes = b"an invented switch",
    name: bytes = b"backstage",
    ttl: int = 120,
    more: tuple[str, ...] = (),
    **capabilities: int,
) -> Packet:
    """`capabilities` by Scapy's names, such as wlan_access_point_enabled=1; `more` are values of
    organisations in hexadecimal (IEEE 802.3 annex 79.3, IEEE 802.1Q annex D)."""
    head = (
        Ether(src=src, dst="01:80:c2:00:00:0e", type=0x88CC)
        / LLDPDUChassisID(subtype=4, id=src)
        / LLDPDUPortID(subtype=5, id=b"trunk")
        / LLDPDUTimeToLive(ttl=ttl)
        / LLDPDUPortDescription(description=b"port 3")
        / LLDPDUSystemName(system_name=name)
        / LLDPDUSystemDescription(description=description)
        / LLDPDUSystemCapabilities(**capabilities)
    )
    for value in (bytes.fromhex(each) for each in more):
        head /= LLDPDUGenericOrganisationSpecific(
            org_code=int.from_bytes(value[:3]), subtype=value[3], data=value[4:]
        )
    return head / LLDPDUEndOfLLDPDU()


def cdp(
    platform: bytes = b"invented",
    *,
    src: str = SERVER,
    device: bytes = b"foh-switch",
    duplex: int | None = None,
    vlan: int | None = None,
) -> Packet:
    parts = [
        CDPMsgDeviceID(val=device),
        CDPMsgPortID(iface=b"port 3"),
        CDPMsgCapabilities(cap=0x09),
        CDPMsgPlatform(val=platform),
        *([CDPMsgDuplex(duplex=duplex)] if duplex is not None else []),
        *([CDPMsgNativeVLAN(vlan=vlan)] if vlan is not None else []),
    ]
    head = Dot3(src=src, dst="01:00:0c:cc:cc:cc") / LLC() / SNAP(OUI=0x0C, code=0x2000)
    return head / CDPv2_HDR(msg=parts)


def llc(payload: str, *, dst: str = BROADCAST, src: str = STATION) -> bytes:
    """An IEEE 802.3 frame of the hexadecimal payload, padded as a cable would carry it."""
    body = bytes.fromhex(payload)
    return (bytes.fromhex((dst + src).replace(":", "")) + len(body).to_bytes(2) + body).ljust(60, b"\0")


def ethernet(etype: int, payload: bytes, *, dst: str = SERVER, src: str = STATION) -> bytes:
    return bytes.fromhex((dst + src).replace(":", "")) + etype.to_bytes(2) + payload


LAYER2_UPDATE = "00 01 af 81 01 00"
EAPOL_START = bytes.fromhex("01010000")
REMOTE_REQUEST = bytes.fromhex("01 02 00 0a")


def bpdu(
    root: int = 0xF1,
    bridge: int = 0xF1,
    *,
    version: int = 2,
    flags: int = 0,
    priority: int = 0x8000,
    forward_s: float = 15,
    age_s: float = 20,
    hello_s: float = 2,
    vlan: int | None = None,
    cost: int = 0,
) -> bytes:
    """A bridge's word on the tree (IEEE 802.1D-1998 9.3.1, 802.1w 9.3.3); bridges by their last byte."""
    ids = [
        level.to_bytes(2) + bytes.fromhex("00005e0053") + bytes([n])
        for level, n in ((priority, root), (0x8000, bridge))
    ]
    times = b"".join(round(seconds * 256).to_bytes(2) for seconds in (0, age_s, hello_s, forward_s))
    body = bytes([0, 0, version, 2 if version >= 2 else 0, flags]) + ids[0] + cost.to_bytes(4) + ids[1]
    body += b"\x80\x01" + times + (b"\0" if version >= 2 else b"")
    src = f"00:00:5e:00:53:{bridge:02x}"
    if vlan is None:
        return llc("424203" + body.hex(), dst="01:80:c2:00:00:00", src=src)
    tail = bytes.fromhex("0000000002") + vlan.to_bytes(2)
    return llc("aaaa0300000c010b" + (body + tail).hex(), dst="01:00:0c:cc:cc:cd", src=src)


def topology_change_notice(bridge: int = 0xF2) -> bytes:
    return llc("42420300000080", dst="01:80:c2:00:00:00", src=f"00:00:5e:00:53:{bridge:02x}")


# At least one well-formed frame for every kind.
VALID: dict[str, tuple[bytes, ...]] = {
    "dhcp4": (bytes(dhcp4("discover", hostname=b"spare")), bytes(offer())),
    "dhcp6": (bytes(solicit()), bytes(advertise()), bytes(request6())),
    "mdns": (bytes(announcement()), bytes(question())),
    "ssdp": (bytes(notify()),),
    "lldp": (bytes(lldp(wlan_access_point_enabled=1, mac_bridge_enabled=1)),),
    "cdp": (bytes(cdp()),),
    "xid": (llc(LAYER2_UPDATE),),
    "preauth": (ethernet(0x88C7, EAPOL_START),),
    "fast-transition": (ethernet(0x890D, REMOTE_REQUEST),),
    "sap": (sap(5, sdp("Stage left", "233.252.0.9")),),
    "stp": (bpdu(), bpdu(version=0), bpdu(vlan=5), topology_change_notice()),
    "arp": (bytes(Ether(src=SERVER, dst=BROADCAST) / ARP(hwsrc=SERVER, psrc=SERVER_IP, pdst="192.0.2.9")),),
    "igmp": (
        groups.query(1),
        groups.query(1, 2, group="233.252.0.1"),
        groups.report(2, "233.252.0.1", "233.252.0.2"),
        groups.leave(2, "233.252.0.1"),
    ),
    "icmp4": (routers.redirect4(), routers.advertisement4()),
    "icmp6": (routers.advertisement(), routers.redirect6(), routers.solicitation6()),
}
