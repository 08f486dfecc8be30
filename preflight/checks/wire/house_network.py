"""An office, venue or home network joined to the audio LAN: told by what such networks carry, each sign with a weight.

Strategy: packets from several networks of the internet that one hardware address hands over are a gateway at work: that
is enough. All else must come together: a device that asks for the internet in vain is only set wrong, a file server may
belong to the show, a device may carry an internet address of its own. Asking counts less than an answer, each
device counts once, and what this computer asks counts not at all, for its answers tell. Addresses for private
use, for the link alone and for documentation are ours (RFC 1918, 4193, 6598; RFC 3927, 4291; RFC 5737, 3849).
Silence is no proof.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from ipaddress import ip_address, ip_network

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Explains, Limit
from preflight.checks.say import what, who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow
from preflight.wire.arp import ArpMessage
from preflight.wire.mdns import MdnsMessage
from preflight.wire.ssdp import SsdpMessage

PRIVATE = "RFC 1918, 6598, 3927, 4193; RFC 5737 and 3849: documentation"

CHECK = Check(
    name="house-network",
    subject="wire",
    order=110,
    asks=View,
    explains=(Explains(("stray-dhcp", "stray-router"), "culprit"),),
    question="Is the audio LAN joined to an office, venue or home network?",
    looks_at=(
        "Traffic that such networks carry: internet addresses, name lookups, file sharing, printers, office sign-in, gateways. "
        "Each sign has its weight."
    ),
    why="Updates, backups and strangers' computers then share the links with the audio, and two networks' faults become one.",
    limits=(
        Limit("fail", 10, "points in all", "common practice"),
        Limit("caution", 3, "points in all", "common practice"),
        Limit(
            "gateway at work",
            10,
            "points; packets of two internet networks from one sender",
            f"common practice; {PRIVATE}",
        ),
        Limit("internet address", 4, "points each, 8 at most", f"common practice; {PRIVATE}"),
        Limit("to the internet", 3, "points each, 6 at most", f"common practice; {PRIVATE}"),
        Limit("names answered", 4, "points each, 8 at most", "common practice; DNS: RFC 1035"),
        Limit("names asked", 2, "points each, 4 at most", "common practice; DNS: RFC 1035"),
        Limit("gateway", 2, "points each, 4 at most", "common practice; UPnP InternetGatewayDevice"),
        Limit(
            "routing",
            4,
            "points each, 8 at most",
            "common practice; RFC 2328 (OSPF), 2453 (RIP), 2281 (HSRP), 7868 (EIGRP)",
        ),
        Limit("office sign-in", 4, "points each, 4 at most", "common practice; RFC 4120, RFC 4511"),
        Limit("printing", 2, "points each, 4 at most", "common practice; RFC 1179, RFC 8011"),
        Limit(
            "file sharing",
            2,
            "points each, 4 at most",
            "common practice; RFC 1001, ports of the IANA registry",
        ),
        Limit("network names", 1, "points each, 2 at most", "common practice; NetBIOS: RFC 1001"),
    ),
    sources=(f"Private addresses: {PRIVATE}", "Ports: IANA service name and port number registry"),
    fixes=(
        "Look for a cable from an audio switch to a wall socket, an office switch, or a router. Unplug it.",
        "Not found? Look up the addresses named here in the switch's address table: that tells the port.",
        "A computer with two network cables? Plug only the audio adapter into the audio LAN.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for some minutes while the venue's people work, or at a mirror of the port towards the building.",
)
# Points of one kind count up to this; the first limit's text tells it to the user.
MOST = {
    "internet address": 8, "to the internet": 6, "names answered": 8, "names asked": 4, "gateway": 4, "routing": 8,
    "office sign-in": 4, "printing": 4, "file sharing": 4, "network names": 2, "gateway at work": 10,
}  # fmt: skip
TCP, UDP = 6, 17
DNS = 53
SERVERS = {
    "file sharing": (139, 445, 548, 2049),
    "printing": (515, 631, 9100),
    "office sign-in": (88, 389, 636),
}
NETBIOS = (137, 138)
ROUTING_PROTOCOLS = (88, 89)  # EIGRP, OSPF; not VRRP, which engines use to share an address
ROUTING_PORTS = (520, 521, 1985)  # RIP, RIPng, HSRP
_GIVEN_OUT = ip_network("2000::/3")
PRINTERS = ("_ipp._tcp.local.", "_ipps._tcp.local.", "_printer._tcp.local.", "_pdl-datastream._tcp.local.")


@dataclass(frozen=True)
class _Sign:
    """`weight` is the name of its limit; `device` the hardware address that it speaks of."""

    weight: str
    device: str
    text: str
    frame: int
    first_s: float
    last_s: float


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    found: dict[tuple[str, str], _Sign] = {}
    for sign in (*_by_addresses(facts), *_by_ports(facts), *_by_words(facts)):
        found.setdefault((sign.weight, sign.device), sign)
    signs = sorted(found.values(), key=lambda s: -limits[s.weight])
    sums: dict[str, float] = defaultdict(float)
    for sign in signs:
        sums[sign.weight] = min(sums[sign.weight] + limits[sign.weight], MOST[sign.weight])
    points = sum(sums.values())
    measured = {"points": points, "signs": sorted(sums)}
    if points < limits["caution"]:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "No sign of an office or venue network, but it can stay silent.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    failed = points >= limits["fail"]
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"Another network {'is' if failed else 'may be'} joined to the audio LAN: {signs[0].text}.",
        evidence=tuple(Evidence(s.text, s.frame, s.first_s) for s in signs[:12]),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(s.device for s in signs if s.device))[:16],
        spans=((min(s.first_s for s in signs), max(s.last_s for s in signs)),),
    )


def _own(facts: Facts) -> set[str]:
    assert facts.tally is not None
    return {talker.hardware for talker in facts.tally.talkers if talker.own}


def _by_addresses(facts: Facts) -> Iterator[_Sign]:
    """Internet addresses: who hands packets over from them, and who sends to them."""
    assert facts.tally is not None
    own = _own(facts)
    claimed = {(m.sender_hardware, m.sender_address) for m in facts.heard(ArpMessage)}
    unicast = [f for f in facts.tally.flows if f.cast == "unicast"]
    # What a device has for an address of its own is no internet, however odd.
    incoming: dict[str, list[Flow]] = defaultdict(list)
    for flow in unicast:
        if (
            flow.source not in own
            and outside(flow.source_ip)
            and (flow.source, flow.source_ip) not in claimed
        ):
            incoming[flow.source].append(flow)
    single = set()
    for hardware, flows in incoming.items():
        networks = {_network(f.source_ip) for f in flows}
        if len(networks) > 1:
            text = (
                f"{who(hardware)} hands over packets from {flows[0].source_ip} and other internet addresses"
            )
            yield _sign("gateway at work", hardware, text, flows)
        else:
            single.add((hardware, *networks))
            yield _sign(
                "internet address", hardware, f"{who(hardware)} sends from {flows[0].source_ip}", flows
            )
    for flow in unicast:
        to = (flow.destination, flow.destination_ip)
        if flow.source in own or not outside(flow.destination_ip) or to in claimed:
            continue
        if (flow.destination, _network(flow.destination_ip)) not in single:
            text = f"{who(flow.source, flow.source_ip)} sends to the internet ({flow.destination_ip})"
            yield _sign("to the internet", flow.source, text, [flow])


def _by_ports(facts: Facts) -> Iterator[_Sign]:
    """Services of office and home networks, by protocol and port."""
    assert facts.tally is not None
    own = _own(facts)
    for flow in facts.tally.flows:
        sender = who(flow.source, flow.source_ip)
        if flow.source in own:
            continue
        if flow.protocol in (TCP, UDP) and flow.cast == "unicast":
            if flow.source_port == DNS:
                yield _sign("names answered", flow.source, f"{sender} answers name lookups", [flow])
            elif flow.destination_port == DNS:
                yield _sign(
                    "names asked", flow.source, f"{sender} looks up names at {flow.destination_ip}", [flow]
                )
            for weight, ports in SERVERS.items():
                # The answer proves the server; asking alone proves nothing.
                if flow.protocol == TCP and flow.source_port in ports and flow.destination_port >= 1024:
                    yield _sign(weight, flow.source, f"{sender} offers {weight}", [flow])
        elif flow.protocol == UDP and flow.destination_port in NETBIOS:
            yield _sign("network names", flow.source, f"{sender} calls out its name for file sharing", [flow])
        if flow.protocol in ROUTING_PROTOCOLS or (
            flow.protocol == UDP and flow.destination_port in ROUTING_PORTS and flow.cast != "unicast"
        ):
            yield _sign(
                "routing",
                flow.source,
                f"{sender} talks as routers do among themselves ({what(flow)})",
                [flow],
            )


def _by_words(facts: Facts) -> Iterator[_Sign]:
    """What devices announce."""
    for notice in facts.heard(SsdpMessage):
        if notice.gateway and not notice.seen.outgoing:
            text, at = (
                f"{who(notice.seen.src, notice.source)} says it is an internet gateway",
                notice.seen.time_s,
            )
            yield _Sign("gateway", notice.seen.src, text, notice.seen.frame, at, at)
    for words in facts.heard(MdnsMessage):
        if not words.seen.outgoing and {s.lower() for s in words.services}.intersection(PRINTERS):
            text, at = f"{who(words.seen.src, words.source)} announces a printer", words.seen.time_s
            yield _Sign("printing", words.seen.src, text, words.seen.frame, at, at)


def _sign(weight: str, device: str, text: str, flows: list[Flow]) -> _Sign:
    first = min(flows, key=lambda f: f.first_frame)
    return _Sign(weight, device, text, first.first_frame, first.first_s, max(f.last_s for f in flows))


@cache
def outside(text: str) -> bool:
    """Whether an address is one of the internet: not for private use, the link, a group or documentation."""
    try:
        address = ip_address(text)
    except ValueError:
        return False
    # Of IPv6 only 2000::/3 is given out (RFC 4291 section 2.4, IANA).
    given_out = address.version == 4 or address in _GIVEN_OUT
    return address.is_global and given_out and not address.is_multicast


def _network(text: str) -> str:
    """The smallest network that the internet routes: devices have several addresses within one."""
    return str(ip_network(f"{text}/{24 if '.' in text else 64}", strict=False))
