"""A Wi-Fi access point bridged into the audio LAN: seen by its traces on the cable, each with a weight.

Strategy: some frames exist only because of Wi-Fi, or say so themselves; one is enough. A home gateway may be
wired only, and a device with a made-up address that asks for an address may be a virtual machine: such signs
count less, each device once, and have to come together. A made-up address alone is no sign. Where this
computer holds, by Wi-Fi, an address in the audio LAN's subnet, the two may be one network, or two that were
given the same private range: that counts as much as a gateway, and is a caution by itself. Silence is no
proof.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from ipaddress import IPv4Interface, IPv6Interface
from typing import TYPE_CHECKING

from preflight.checks.asks import Missing, View, Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.rule import AGAIN, Check, Explains, Limit
from preflight.checks.say import who
from preflight.checks.says import Limits, Says, unproven
from preflight.checks.see.addresses import one_subnet
from preflight.checks.see.maker import locally_administered
from preflight.checks.see.signs import Sign, of_flows, of_message, weighed
from preflight.checks.step import PORT_OF_THEM, in_a_break, now, unmanaged
from preflight.text import clean
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import HANDHELD_CLASSES, Dhcp4Message
from preflight.wire.lldp import ACCESS_POINT_WORDS, LldpNeighbour
from preflight.wire.mdns import MdnsMessage
from preflight.wire.picked import Seen
from preflight.wire.ssdp import SsdpMessage
from preflight.wire.wlan import WlanSign

if TYPE_CHECKING:
    from preflight.host.facts import Adapter

CHECK = Check(
    name="wifi-bridge",
    subject="wire",
    order=100,
    asks=View,
    explains=(Explains(("stray-dhcp", "stray-router", "house-network", "control-plan"), "culprit"),),
    question="Is a Wi-Fi access point bridged into the audio LAN?",
    looks_at=(
        "Frames that access points send when a device joins them or roams, what devices say of themselves, "
        "home gateways, hand-held devices with made-up addresses, and whether this computer reaches the "
        "audio LAN's subnet by Wi-Fi too. Each sign has its weight."
    ),
    why=(
        "An access point lets phones and strangers into the audio LAN, and sends the LAN's multicast into "
        "the air, so that neither works."
    ),
    limits=(
        Limit("fail", 10, "points in all", "common practice"),
        Limit("caution", 3, "points in all", "common practice"),
        Limit("layer-2 update", 10, "points", "common practice; the frame: IEEE 802.2, 802.11F, from memory"),
        Limit("pre-authentication", 10, "points", "common practice; EtherType 0x88C7: IEEE 802.11"),
        Limit("direct link", 10, "points", "common practice; EtherType 0x88C7: IEEE 802.11"),
        Limit("fast transition", 10, "points", "common practice; EtherType 0x890D: IEEE 802.11"),
        Limit("says access point", 10, "points", "common practice; IEEE 802.1AB section 8.5.8, bit 3; UPnP"),
        Limit("described so", 4, "points", "common practice"),
        Limit("computer with Wi-Fi", 4, "points", "common practice"),
        Limit("same subnet", 4, "points", "common practice"),
        Limit("gateway", 4, "points", "common practice; UPnP InternetGatewayDevice"),
        Limit("hand-held", 3, "points", "common practice; IEEE 802 local bit"),
        Limit("hand-held, all", 9, "points at most", "common practice"),
    ),
    sources=("IEEE 802.11", "IEEE 802.1AB", "IEEE 802", "UPnP Device Architecture"),
    fixes=(
        now("Look for a wireless router or access point with a cable to an audio switch."),
        PORT_OF_THEM,
        unmanaged(
            in_a_break(
                "Turn each Wi-Fi off in turn, or unplug one cable at a time, and run the line check after "
                "each."
            )
        ),
        now("Unplug it from the audio LAN. Plug it into the control network instead."),
        now("Turn Wi-Fi off on computers that are plugged into the audio LAN."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Join a tablet to each Wi-Fi network in the room while this listens for a minute. "
        "If one of them reaches the audio LAN, it shows."
    ),
)
# What hand-held devices announce by mDNS, and lab gear with made-up addresses does not: common practice.
HANDHELD_SERVICES = ("_companion-link._tcp.local.", "_rdlink._tcp.local.", "_remotepairing._tcp.local.")
HANDHELD_WORDS = ("phone", "pad", "tablet", "android")  # in host names: common practice
# Made-up addresses of virtual machines and containers: common practice.
VIRTUAL = ("52:54:00:", "fe:54:00:", "02:42:", "0a:00:27:")
TO_CONTROLLERS = (5246, 5247, 12222, 12223)  # CAPWAP: RFC 5415 section 3.1; LWAPP: RFC 5412 section 4
ACCESS_POINTS = ("says access point", "fast transition")  # signs of the access point itself
WORDS = {
    "layer-2 update": "{} joined a Wi-Fi access point on this network (the access point announced it)",
    "pre-authentication": "{} prepares to roam between Wi-Fi access points",
    "direct link": "{} is a Wi-Fi device that looks for another to talk to directly",
    "fast transition": "{} is an access point that hands over a Wi-Fi device",
}
SAYS_SO, DESCRIBED_SO = "{} says it is a Wi-Fi access point", "{} is described as an access point"
GATEWAY = "{} says it is an internet gateway; most of these are Wi-Fi routers"


def judge(view: View, limits: Limits) -> Says:
    wire, signs = Wire.of(view), _signs(view)
    if isinstance(wire, Missing) and not signs:
        yield unproven(wire.headline)
    elif wire is not None:
        yield from weighed(
            signs,
            limits,
            {"hand-held": limits["hand-held, all"]},
            ("Wi-Fi", "bridged into the audio LAN"),
            "No sign of Wi-Fi, but an access point that nobody uses can stay silent.",
        )


def _signs(view: View) -> list[Sign]:
    """Every sign, once for each device; an access point itself before the devices that joined it."""
    found: dict[tuple[str, str], Sign] = {}

    def sign(weight: str, seen: Seen, text: str, device: str = "", ip: str = "") -> None:
        device = device or seen.src
        name = "this computer" if seen.outgoing and device == seen.src else who(device, ip)
        found.setdefault((weight, device), of_message(weight, text.format(name), seen, device))

    for frame in view.heard(WlanSign):
        sign(frame.sign, frame.seen, WORDS[frame.sign])
    for peer in view.heard(LldpNeighbour):
        if peer.wlan_access_point and peer.station and not peer.bridge:
            sign("computer with Wi-Fi", peer.seen, "{} says it is a computer with Wi-Fi on")
        elif peer.wlan_access_point:
            sign("says access point", peer.seen, SAYS_SO)
        elif _described(peer.system_description, peer.port_description):
            sign("described so", peer.seen, DESCRIBED_SO)
    for other in view.heard(CdpNeighbour):
        if _described(other.platform, other.software):
            sign("described so", other.seen, DESCRIBED_SO)
    for notice in view.heard(SsdpMessage):
        if notice.access_point:
            sign("says access point", notice.seen, SAYS_SO, ip=notice.source)
        elif notice.gateway:
            sign("gateway", notice.seen, GATEWAY, ip=notice.source)
    asking = [
        m for m in view.heard(Dhcp4Message) if m.message_type in ("DISCOVER", "REQUEST") and not m.relay
    ]
    prefixes = Counter(mac[:8] for mac in {m.client_hardware for m in asking})
    for flow in view.tally.flows if view.tally is not None else ():
        if flow.protocol == 17 and flow.destination_port in TO_CONTROLLERS and flow.sane:
            speaks = "talks to" if flow.cast == "unicast" else "looks for"
            text = f"{who(flow.source, flow.source_ip)} {speaks} its controller as a Wi-Fi access point does"
            found.setdefault(("says access point", flow.source), of_flows("says access point", text, flow))
    for m in asking:
        # Boxes whose maker numbers them by himself share the beginning, and have names of their own.
        random = _made_up(m.client_hardware) and prefixes[m.client_hardware[:8]] == 1
        named = bool(m.hostname) and not any(word in m.hostname.lower() for word in HANDHELD_WORDS)
        handheld = (random and not named) or m.vendor_class.lower().startswith(HANDHELD_CLASSES)
        if handheld and not m.seen.outgoing:
            sign("hand-held", m.seen, "{} asks for an address like a hand-held device", m.client_hardware)
    for words in view.heard(MdnsMessage):
        services = {service.lower() for service in words.services}
        if _made_up(words.seen.src) and not words.seen.outgoing and services.intersection(HANDHELD_SERVICES):
            sign("hand-held", words.seen, "{} announces services of a hand-held device", ip=words.source)
    return sorted([*found.values(), *_by_wifi_too(view)], key=lambda each: each.weight not in ACCESS_POINTS)


def _by_wifi_too(view: View) -> Iterator[Sign]:
    """This computer's Wi-Fi adapters that hold an address in the audio adapter's subnet."""
    audio = view.host.adapter(view.adapter) if view.host is not None else None
    if view.host is None or audio is None or audio.kind == "wifi":
        return
    for adapter in view.host.adapters:
        shared = [one for one in _fixed(adapter) if any(one_subnet(one, own) for own in _fixed(audio))]
        if shared and adapter.kind == "wifi" and not adapter.down:
            by = f"by Wi-Fi ({clean(adapter.name)}) as well as by the audio adapter"
            yield Sign("same subnet", adapter.name, f"this computer is in {shared[0].network} {by}")


def _fixed(adapter: Adapter) -> list[IPv4Interface | IPv6Interface]:
    """Its addresses, without the link-local ones that every adapter has."""
    interfaces = (address.interface for address in adapter.addresses)
    return [each for each in interfaces if each is not None and not each.is_link_local]


def _described(*texts: str) -> bool:
    return any(word in text.lower() for text in texts for word in ACCESS_POINT_WORDS)


def _made_up(mac: str) -> bool:
    """A random address, as Wi-Fi devices make them up, but not one of a virtual machine."""
    return locally_administered(mac) and not mac.startswith(VIRTUAL)
