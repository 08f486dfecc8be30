"""DHCP servers: heard themselves, or named by a client that took their offer.

What a server sends is proof enough, and so is a client's REQUEST that names the server whose offer it takes,
for the offer itself often goes to the client alone and never comes by an access port.
"""

from dataclasses import dataclass, field

from preflight.checks.finding import Evidence
from preflight.checks.say import who
from preflight.facts import Facts
from preflight.wire.arp import ArpMessage
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.dhcp6 import Dhcp6Message
from preflight.wire.picked import Seen


@dataclass
class Server:
    """One server as it comes together from frames. `hardware` is "" where only its IP address is known,
    `address` its IP address or DHCPv6 identity; `named` while only a client's words tell of it. `evidence` is
    by kind of message. `relay` is the hardware address of who passes its answers on from another network."""

    hardware: str
    address: str
    own: bool
    named: bool
    first_s: float
    last_s: float
    evidence: dict[str, Evidence] = field(default_factory=dict)
    relay: str = ""

    @property
    def name(self) -> str:
        if self.relay:
            return f"{self.address}, by the relay {who(self.relay)}"
        return "this computer" if self.own else who(self.hardware, self.address)


def heard_servers(facts: Facts) -> list[Server]:
    """Every server, the first heard first."""
    servers: dict[str, Server] = {}

    def tell(
        kind: str,
        text: str,
        seen: Seen,
        hardware: str,
        address: str,
        *,
        named: bool = False,
        relayed: bool = False,
    ) -> None:
        own, at_s = seen.outgoing and not named, seen.time_s
        server = servers.setdefault(hardware or address, Server(hardware, address, own, named, at_s, at_s))
        server.relay = hardware if relayed else server.relay
        server.first_s, server.last_s = min(server.first_s, at_s), max(server.last_s, at_s)
        told = text if named else f"{server.name} sent {text}"
        server.evidence.setdefault(kind, Evidence(told, seen.frame, at_s))

    v4, v6 = facts.heard(Dhcp4Message), facts.heard(Dhcp6Message)
    known: set[str] = set()
    for m in v4:
        if m.from_server:
            address = m.server_id or m.source
            known.add(address)
            # A server that answers a relay sends from its own address; what a relay passes on comes from the
            # relay's.
            relayed = bool(m.relay) and m.source != address
            tell(m.message_type, _handed_out(m), m.seen, m.seen.src, address, relayed=relayed)
    for n in v6:
        if n.from_server:
            known.add(n.server_id)
            tell(f"6 {n.message_type}", _handed_out6(n), n.seen, n.seen.src, n.source)
    hardware_of = {arp.sender_address: arp.sender_hardware for arp in facts.heard(ArpMessage)}
    for m in v4:
        # With an address of its own the client renews an old lease; only without does it take an offer made
        # now.
        takes = m.message_type == "REQUEST" and not m.client_address
        if m.op == 1 and m.server_id and m.server_id not in known and (takes or m.message_type == "DECLINE"):
            text = _taken(m.client_hardware, m.server_id, m.requested_address)
            tell(m.message_type, text, m.seen, hardware_of.get(m.server_id, ""), m.server_id, named=True)
    for n in v6:
        if n.message_type in ("REQUEST", "DECLINE") and n.server_id and n.server_id not in known:
            name = n.server_hardware or f"DHCPv6 identity {n.server_id}"
            address = "" if n.server_hardware else name
            text = _taken(n.seen.src, name, "")
            tell(f"6 {n.message_type}", text, n.seen, n.server_hardware, address, named=True)
    return sorted(servers.values(), key=lambda each: each.first_s)


def _handed_out(m: Dhcp4Message) -> str:
    parts = [f"a DHCP {m.message_type or 'reply (its type is cut off)'}"]
    if m.offered_address:
        parts.append(f"address {m.offered_address}" + (f" mask {m.subnet_mask}" if m.subnet_mask else ""))
    if m.router:
        parts.append(f"gateway {m.router}")
    if m.dns:
        parts.append(f"name server {', '.join(m.dns)}")
    if m.lease_s is not None:
        parts.append(f"for {m.lease_s} s")
    if m.relay:
        parts.append(f"by way of the relay {m.relay}")
    return ", ".join(parts)


def _handed_out6(n: Dhcp6Message) -> str:
    parts = [f"a DHCPv6 {n.message_type}", *(f"address {each}" for each in n.offered_addresses)]
    if n.dns:
        parts.append(f"name server {', '.join(n.dns)}")
    return ", ".join(parts)


def _taken(client: str, server: str, address: str) -> str:
    offer = f"an offer of {address}" if address else "an offer"
    return f"{who(client)} takes {offer} from the server {server}; the offer itself did not come by here"
