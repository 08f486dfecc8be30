"""An office, venue or home network joined to the audio LAN: told by what such networks carry, each sign with
a weight.

Strategy: packets from several networks of the internet that one hardware address hands over are a gateway at
work: that is enough. All else must come together: a device that asks for the internet in vain is only set
wrong, a file server may belong to the show, a device may carry an internet address of its own. Asking counts
less than an answer, each device counts once, and what this computer asks counts not at all, for its answers
tell. Addresses for private use, for the link alone and for documentation are ours (RFC 1918, 4193, 6598; RFC
3927, 4291; RFC 5737, 3849). Silence is no proof.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from ipaddress import ip_address, ip_network

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.rule import AGAIN, Check, Explains, Limit
from preflight.checks.say import what, who
from preflight.checks.says import Limits, Saw, Says
from preflight.checks.see.addresses import own_hardware
from preflight.checks.see.membership import another_first
from preflight.checks.see.routers import of_a_switch, switches
from preflight.checks.see.signs import Sign, of_flows, of_message, weighed
from preflight.checks.step import FOLLOW_CABLES, PORT_OF_THEM, now
from preflight.tally.facts import Flow
from preflight.wire.arp import ArpMessage
from preflight.wire.datagram import IGMP, UDP
from preflight.wire.dhcp4 import REQUEST, Dhcp4Message
from preflight.wire.mdns import MdnsMessage
from preflight.wire.ssdp import SsdpMessage

PRIVATE = "RFC 1918, 6598, 3927, 4193; RFC 5737 and 3849: documentation"
# Each kind of sign: points for each device, the most that it counts in all, and where it is told of.
WEIGHTS = {
    "gateway at work": (10, 10, PRIVATE),
    "internet address": (4, 8, PRIVATE),
    "to the internet": (3, 6, PRIVATE),
    "names answered": (4, 8, "DNS: RFC 1035"),
    "names asked": (2, 4, "DNS: RFC 1035"),
    "gateway": (2, 4, "UPnP InternetGatewayDevice"),
    "silent gateway": (3, 3, "ARP: RFC 826; addresses of routers: common practice"),
    "routing": (4, 8, "RFC 2328 (OSPF), 2453 (RIP), 2281 (HSRP), 7868 (EIGRP)"),
    "dials in": (4, 4, "PPPoE: RFC 2516"),
    "dial-in server": (10, 10, "PPPoE: RFC 2516"),
    "calls itself a router": (4, 4, "DHCP host names: common practice"),
    "office sign-in": (4, 4, "RFC 4120, RFC 4511"),
    "printing": (2, 4, "RFC 1179, RFC 8011"),
    "file sharing": (2, 4, "RFC 1001, ports of the IANA registry"),
    "network names": (1, 2, "NetBIOS: RFC 1001"),
}

CHECK = Check(
    name="house-network",
    subject="wire",
    order=110,
    asks=Wire,
    explains=(Explains(("stray-dhcp", "stray-router"), "culprit"),),
    question="Is the audio LAN joined to an office, venue or home network?",
    looks_at=(
        "Traffic that such networks carry: internet addresses, name lookups, file sharing, printers, office "
        "sign-in, gateways. Each sign has its weight."
    ),
    why="Updates, backups and strangers' computers then share the links with the audio, and two networks' "
    "faults become one.",
    limits=(
        Limit("fail", 10, "points in all", "common practice"),
        Limit("caution", 3, "points in all", "common practice"),
        *(
            Limit(name, points, f"points each, {most} at most", f"common practice; {source}")
            for name, (points, most, source) in WEIGHTS.items()
        ),
    ),
    sources=(f"Private addresses: {PRIVATE}", "Ports: IANA service name and port number registry"),
    fixes=(
        now(
            "Look for a cable from an audio switch to a wall socket, an office switch, or a router. Unplug "
            "it."
        ),
        PORT_OF_THEM,
        FOLLOW_CABLES,
        "A computer with two network cables? Plug only the audio adapter into the audio LAN.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for some minutes while the venue's people work, or at a mirror of the port towards "
    "the building.",
)
TCP = 6
ARP = 0x0806
ROUTERS_ADDRESSES, AGAIN_AND_AGAIN = (".1", ".254"), 3  # common practice
DNS = 53
FIRST_CLIENT_PORT = 1024  # below are the servers' own: RFC 6335 section 6
SERVERS = {
    "file sharing": (139, 445, 548, 2049),
    "printing": (515, 631, 9100),
    "office sign-in": (88, 389, 636),
}
NETBIOS = (137, 138)
ROUTING_PROTOCOLS = (88, 89)  # EIGRP, OSPF; not VRRP, which engines use to share an address
ROUTING_PORTS = (520, 521, 1985, 2029)  # RIP, RIPng, HSRP, HSRP for IPv6 (IANA)
PPPOE = 0x8863  # discovery: RFC 2516
ROUTER_WORDS = ("router", "gateway", "modem", "repeater", "firewall")  # in host names: common practice
_GIVEN_OUT = ip_network("2000::/3")
MOST_ADDRESSES = (
    1 << 14
)  # that are remembered, however long a watch stands by: both ends of as many flows as a tally holds
PRINTERS = ("_ipp._tcp.local.", "_ipps._tcp.local.", "_printer._tcp.local.", "_pdl-datastream._tcp.local.")


def judge(wire: Wire, limits: Limits) -> Says:
    found: dict[tuple[str, str], Sign] = {}
    own = own_hardware(wire)
    signs = (
        *_by_addresses(wire),
        *_by_ports(wire),
        *_by_dialling(wire),
        *_by_silence(wire),
        *_by_words(wire),
    )
    for sign in signs:
        if sign.device not in own:
            found.setdefault((sign.weight, sign.device), sign)
    if len({sign.frame for sign in found.values()}) == 1:  # one frame may have been damaged, or strayed in
        found = dict([max(found.items(), key=lambda each: limits[each[1].weight])])
    for saw in weighed(
        list(found.values()),
        limits,
        {name: most for name, (_, most, _) in WEIGHTS.items()},
        ("Another network", "joined to the audio LAN"),
        "No sign of an office or venue network, but it can stay silent.",
    ):
        if isinstance(saw, Saw):
            before = [step for each in saw.culprits for step in another_first(wire, each)]
            saw = replace(saw, fixes=(*before, *CHECK.fixes)) if before else saw
        yield saw


def _by_addresses(wire: Wire) -> Iterator[Sign]:
    """Internet addresses: who hands packets over from them, and who sends to them."""
    # What a device has for an address of its own is no internet, however odd.
    claimed = {(m.sender_hardware, m.sender_address) for m in wire.heard(ArpMessage)}
    unicast = [flow for flow in _flows(wire) if flow.cast == "unicast"]
    for flow in (
        unicast
    ):  # two in one network that no router stands between: addresses of the internet, and yet their own
        if not flow.passed_on and flow.protocol and _network(flow.source_ip) == _network(flow.destination_ip):
            claimed |= {(flow.source, flow.source_ip), (flow.destination, flow.destination_ip)}
    incoming: dict[str, list[Flow]] = defaultdict(list)
    for flow in unicast:
        if outside(flow.source_ip) and (flow.source, flow.source_ip) not in claimed:
            incoming[flow.source].append(flow)
    single: set[tuple[str, str]] = set()
    for hardware, flows in incoming.items():
        networks, first_ip = {_network(flow.source_ip) for flow in flows}, flows[0].source_ip
        # A device may have an address of each version, and one that no router has sent on is its own.
        handed = {_network(flow.source_ip) for flow in flows if flow.passed_on}
        if max(sum(":" in net for net in handed), sum(":" not in net for net in handed)) > 1:
            text = f"{who(hardware)} hands over packets from {first_ip} and other internet addresses"
            yield of_flows("gateway at work", text, *flows)
        else:
            single.update((hardware, network) for network in networks)
            yield of_flows("internet address", f"{who(hardware)} sends from {first_ip}", *flows)
    for flow in unicast:
        to, ip = flow.destination, flow.destination_ip
        if outside(ip) and (to, ip) not in claimed and (to, _network(ip)) not in single:
            sender = who(flow.source, flow.source_ip)
            yield of_flows("to the internet", f"{sender} sends to the internet ({ip})", flow)


def _flows(wire: Wire) -> list[Flow]:
    """The flows whose addresses can be believed."""
    return [flow for flow in wire.tally.flows if flow.sane]


def _by_ports(wire: Wire) -> Iterator[Sign]:
    """Services of office and home networks, by protocol and port."""
    for flow in _flows(wire):
        sender, port = who(flow.source, flow.source_ip), flow.destination_port
        if flow.protocol in (TCP, UDP) and flow.cast == "unicast":
            if flow.source_port == DNS:
                yield of_flows("names answered", f"{sender} answers name lookups", flow)
            elif port == DNS:
                yield of_flows("names asked", f"{sender} looks up names at {flow.destination_ip}", flow)
            for weight, ports in SERVERS.items():
                # The answer proves the server; asking alone proves nothing.
                if flow.protocol == TCP and flow.source_port in ports and port >= FIRST_CLIENT_PORT:
                    yield of_flows(weight, f"{sender} offers {weight}", flow)
        elif flow.protocol == UDP and port in NETBIOS:
            yield of_flows("network names", f"{sender} calls out its name for file sharing", flow)
        if flow.protocol in ROUTING_PROTOCOLS or (
            flow.protocol == UDP and port in ROUTING_PORTS and flow.cast != "unicast"
        ):
            yield of_flows("routing", f"{sender} talks as routers do among themselves ({what(flow)})", flow)


def _by_dialling(wire: Wire) -> Iterator[Sign]:
    """Who looks for an internet provider by PPPoE, as the outer port of a router does, and who answers as
    one: that goes to the asker alone."""
    flows = [flow for flow in wire.tally.flows if flow.ethertype == PPPOE]
    askers = {flow.source for flow in flows if flow.cast == "broadcast"}
    for flow in flows:
        sender = who(flow.source)
        if flow.source in askers:
            yield of_flows(
                "dials in", f"{sender} looks for an internet provider, as a router by its outer port", flow
            )
        elif flow.cast == "unicast":
            yield of_flows("dial-in server", f"{sender} answers as an internet provider (PPPoE)", flow)


def _by_silence(wire: Wire) -> Iterator[Sign]:
    """Who answers again and again for an address that routers usually have, and says nothing else: a gateway
    through which nobody goes. A switch's own address may be such a one."""
    says: dict[str, set[int]] = defaultdict(set)
    for flow in wire.tally.flows:
        if flow.protocol != IGMP:  # it may ask for group members as well
            says[flow.source].add(flow.ethertype)
    answers: dict[tuple[str, str], list[ArpMessage]] = defaultdict(list)
    for arp in wire.heard(ArpMessage):
        if arp.op == 2 and arp.sender_address.endswith(ROUTERS_ADDRESSES):
            answers[arp.sender_hardware, arp.sender_address].append(arp)
    switching = switches(wire)
    for (hardware, address), several in answers.items():
        if (
            len(several) >= AGAIN_AND_AGAIN
            and says[hardware] == {ARP}
            and not of_a_switch(hardware, switching)
        ):
            text = f"{who(hardware, address)} answers for an address that routers have, and says nothing else"
            yield of_message("silent gateway", text, several[0].seen, hardware)


def _by_words(wire: Wire) -> Iterator[Sign]:
    """What devices announce."""
    for asked in wire.heard(Dhcp4Message):
        if asked.op == REQUEST and any(word in asked.hostname.lower() for word in ROUTER_WORDS):
            client = asked.client_hardware
            says = f"{who(client)} asks for an address and calls itself “{asked.hostname}”"
            yield of_message("calls itself a router", says, asked.seen, client)
    for notice in wire.heard(SsdpMessage):
        if notice.gateway:
            says = f"{who(notice.seen.src, notice.source)} says it is an internet gateway"
            yield of_message("gateway", says, notice.seen)
    for words in wire.heard(MdnsMessage):
        if {service.lower() for service in words.services}.intersection(PRINTERS):
            says = f"{who(words.seen.src, words.source)} announces a printer"
            yield of_message("printing", says, words.seen)


@lru_cache(MOST_ADDRESSES)
def outside(text: str) -> bool:
    """Whether an address is one of the internet: not for private use, the link, a group or documentation."""
    try:
        address = ip_address(text)
    except ValueError:
        return False
    # Of IPv6 only 2000::/3 is given out (RFC 4291 section 2.4, IANA).
    given_out = address.version == 4 or address in _GIVEN_OUT
    return address.is_global and given_out and not address.is_multicast


@lru_cache(MOST_ADDRESSES)
def _network(text: str) -> str:
    """The smallest network that the internet routes: devices have several addresses within one."""
    return str(ip_network(f"{text}/{24 if '.' in text else 64}", strict=False))
