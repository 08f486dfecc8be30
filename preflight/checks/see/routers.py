"""Who is a switch and who a router, by what each says of itself."""

from collections.abc import Iterator

from preflight.checks.finding import Evidence
from preflight.checks.see.dhcp import heard_servers
from preflight.facts import Facts
from preflight.tally.facts import Flow
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.icmp import RouterMessage
from preflight.wire.lldp import LldpNeighbour
from preflight.wire.ssdp import SsdpMessage
from preflight.wire.stp import Bpdu

SERVES = "it serves addresses (DHCP)"  # a switch may, too
PORT_ADDRESSES = 64  # a switch's ports have addresses just above its own. Common practice.


def switches(facts: Facts) -> set[str]:
    """The hardware addresses from which switches spoke: by LLDP, CDP or spanning tree."""
    by_lldp = {each.seen.src for each in facts.heard(LldpNeighbour) if each.bridge}
    by_cdp = {each.seen.src for each in facts.heard(CdpNeighbour) if each.switch or each.bridge}
    return by_lldp | by_cdp | {each.seen.src for each in facts.heard(Bpdu)}


def of_a_switch(hardware: str, known: set[str]) -> bool:
    """Whether it is an address of one of the `known` switches: its own, or that of another of its ports."""
    return hardware in known or any(
        abs(_number(each) - _number(hardware)) <= PORT_ADDRESSES for each in known
    )


def _number(hardware: str) -> int:
    return int(hardware.replace(":", "") or "0", 16)


def router_signs(facts: Facts, hardware: str, address: str) -> Iterator[Evidence]:
    """What shows that a device, itself of `address`, is a router or a home gateway."""
    for notice in facts.heard(SsdpMessage):
        if notice.seen.src == hardware and notice.gateway:
            yield Evidence("it says it is an internet gateway (UPnP)", notice.seen.frame, notice.seen.time_s)
            break
    for router in facts.heard(RouterMessage):
        if router.seen.src == hardware and router.kind == "advertisement" and router.lifetime_s:
            yield Evidence("it offers itself as a router", router.seen.frame, router.seen.time_s)
            break
    for lldp in facts.heard(LldpNeighbour):
        if lldp.seen.src == hardware and lldp.router:
            yield Evidence("it tells by LLDP that it routes", lldp.seen.frame, lldp.seen.time_s)
            break
    if any(server.hardware == hardware and not server.named for server in heard_servers(facts)):
        yield Evidence(SERVES)
    for offer in facts.heard(Dhcp4Message):
        if offer.from_server and offer.router and hardware in _holders(facts, offer.router):
            yield Evidence(
                f"a DHCP server names it as the router ({offer.router})", offer.seen.frame, offer.seen.time_s
            )
            break
    handed = (f for f in _flows(facts) if f.source == hardware and f.cast == "unicast" and f.passed_on)
    if flow := next((f for f in handed if f.source_ip != address), None):
        yield Evidence(f"it hands over packets of {flow.source_ip}", flow.first_frame, flow.first_s)


def _holders(facts: Facts, address: str) -> set[str]:
    return {flow.source for flow in _flows(facts) if flow.source_ip == address}


def _flows(facts: Facts) -> tuple[Flow, ...]:
    return facts.tally.flows if facts.tally is not None else ()
