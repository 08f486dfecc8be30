"""A DHCP server on the audio LAN: heard itself, or named by a client that took its offer.

Strategy: what a server sends is proof enough, and so is a client's REQUEST that names the server whose
offer it takes, for the offer itself often goes to the client alone and never comes by an access port.
Silence proves nothing, except where a client asked, and either went on asking as one does that gets no
answer, or an answer would have come by here.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.wire import Malformed
from preflight.wire.arp import ArpMessage
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.dhcp6 import Dhcp6Message
from preflight.wire.picked import Seen

CHECK = Check(
    name="stray-dhcp",
    subject="wire",
    order=150,
    asks=View,
    question="Does a DHCP server hand out addresses on the audio LAN?",
    looks_at=(
        "What DHCP servers send, over IPv4 and IPv6. The server that a client names when it takes an offer. "
        "And whether clients that ask get no answer."
    ),
    why=(
        "A stray server gives devices addresses of another network. They vanish from the show, one after "
        "another, often hours after it was plugged in."
    ),
    limits=(
        Limit("asked_times", 3, "times that one client asks in vain", "RFC 2131 section 4.1 (asks again)"),
        Limit("asked_for_s", 8, "s from its first to its last", "RFC 2131 section 4.1 (after 4 s, then 8 s)"),
        Limit(
            "answer_within_s", 4, "s for an answer that would be seen", "RFC 2131 section 4.1 (first wait)"
        ),
    ),
    sources=("RFC 2131", "RFC 2132 section 9", "RFC 8415"),
    fixes=(
        "Look for a home router, wireless router or computer with a shared connection that was plugged in.",
        "Not found? Look up its hardware address in the switch's address table: that tells the port.",
        "No table? Unplug one cable at a time, and after each set a spare computer to automatic address. "
        "When it gets none, that cable was it.",
        "Unplug the server from the audio LAN, or turn its DHCP server off.",
        "Restart devices that took an address from it, or set their addresses back.",
        "Run the line check again.",
        "Is it meant to be there? Name it in the rig sheet: [dhcp], allowed = [its address].",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Set one spare computer on the audio LAN to automatic address (DHCP) while this listens. "
        "Wait 20 seconds, then set it back."
    ),
)
OWN_FIXES = (
    "Turn off internet sharing (connection sharing) on this computer's audio adapter.",
    "End any DHCP server program on this computer.",
    "Run the line check again.",
)
ADDRESS_FIX = (
    "Only the server's IP address is known. Read its hardware address on the computer that took the offer: "
    "open a command line and type arp -a."
)
MIRRORED_S = 0.5  # the same question so soon again is a copy made by a mirror port: common practice


@dataclass
class _Server:
    """One server as it comes together from frames. `named` while only a client's words tell of it."""

    hardware: str
    address: str
    own: bool
    named: bool
    first_s: float
    last_s: float
    evidence: list[Evidence] = field(default_factory=list)
    told: set[str] = field(default_factory=set)

    def tell(self, what: str, text: str, seen: Seen) -> None:
        """Keep `text` as evidence, once for each `what`."""
        self.last_s = seen.time_s
        if what not in self.told:
            self.told.add(what)
            self.evidence.append(Evidence(text, seen.frame, seen.time_s))

    @property
    def name(self) -> str:
        return "this computer" if self.own else who(self.hardware, self.address)


@dataclass(frozen=True)
class _Ask:
    """A client's question for any server. `visible` when an answer would have come by here."""

    client: str
    seen: Seen
    visible: bool


def judge(facts: Facts) -> Finding | None:
    if facts.source is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    servers = heard_servers(facts)
    allowed = facts.sheet.dhcp.allowed if facts.sheet is not None else ()
    strays = [each for each in servers if each.hardware not in allowed and each.address not in allowed]
    if strays:
        return _failed(strays)
    if servers:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"The only DHCP server heard is allowed by the rig sheet: {servers[0].name}."
            if len(servers) == 1
            else "All DHCP servers heard are allowed by the rig sheet.",
            evidence=tuple(evidence for each in servers[:8] for evidence in each.evidence[:1]),
            measured={"servers": 0, "allowed": len(servers)},
        )
    return _silent(facts)


def heard_servers(facts: Facts) -> list[_Server]:
    servers: dict[str, _Server] = {}

    def server(key: str, hardware: str, address: str, seen: Seen, *, named: bool) -> _Server:
        own = seen.outgoing and not named
        return servers.setdefault(key, _Server(hardware, address, own, named, seen.time_s, seen.time_s))

    v4, v6 = facts.heard(Dhcp4Message), facts.heard(Dhcp6Message)
    known: set[str] = set()
    for m in v4:
        if m.from_server:
            address = m.server_id or m.source
            known.add(address)
            found = server(m.seen.src or address, m.seen.src, address, m.seen, named=False)
            found.tell(m.message_type, f"{found.name} sent {_sent(m)}", m.seen)
    for n in v6:
        if n.from_server:
            known.add(n.server_id)
            found = server(n.seen.src or n.source, n.seen.src, n.source, n.seen, named=False)
            found.tell(f"6 {n.message_type}", f"{found.name} sent {_sent6(n)}", n.seen)
    hardware_of = {arp.sender_address: arp.sender_hardware for arp in facts.heard(ArpMessage)}
    for m in v4:
        # With an address of its own the client renews an old lease; only without does it take an offer made
        # now.
        takes = m.message_type == "REQUEST" and not m.client_address
        if m.op == 1 and m.server_id and m.server_id not in known and (takes or m.message_type == "DECLINE"):
            hardware = hardware_of.get(m.server_id, "")
            found = server(hardware or m.server_id, hardware, m.server_id, m.seen, named=True)
            found.tell(m.message_type, _named(m.client_hardware, m.server_id, m.requested_address), m.seen)
    for n in v6:
        if n.message_type in ("REQUEST", "DECLINE") and n.server_id and n.server_id not in known:
            name = n.server_hardware or f"DHCPv6 identity {n.server_id}"
            address = "" if n.server_hardware else name
            found = server(name, n.server_hardware, address, n.seen, named=True)
            found.tell(f"6 {n.message_type}", _named(n.seen.src, name, ""), n.seen)
    return sorted(servers.values(), key=lambda each: each.first_s)


def _sent(m: Dhcp4Message) -> str:
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
        parts.append(f"passed on by the relay {m.relay}")
    return ", ".join(parts)


def _sent6(n: Dhcp6Message) -> str:
    parts = [f"a DHCPv6 {n.message_type}", *(f"address {each}" for each in n.offered_addresses)]
    if n.dns:
        parts.append(f"name server {', '.join(n.dns)}")
    return ", ".join(parts)


def _named(client: str, server: str, address: str) -> str:
    taken = f" of {address}" if address else ""
    return (
        f"{who(client)} takes an offer{taken} from the server {server}; the offer itself did not come by here"
    )


def _failed(servers: list[_Server]) -> Finding:
    names = ", ".join(each.name for each in servers[:4]) + (", ..." if len(servers) > 4 else "")
    own = all(each.own for each in servers)
    if len(servers) > 1:
        headline = f"{len(servers)} DHCP servers are on this network: {names}."
    elif own:
        headline = "This computer itself is a DHCP server on this network."
    elif servers[0].named:
        headline = f"A DHCP server is on this network: {names}. A client took its offer."
    else:
        headline = f"A DHCP server answers on this network: {names}."
    fixes = OWN_FIXES if own else CHECK.fixes
    if any(not each.hardware for each in servers):
        fixes = (ADDRESS_FIX, *fixes)
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        headline,
        evidence=tuple(evidence for each in servers[:8] for evidence in each.evidence[:4]),
        measured={"servers": len(servers), "named_only": sum(each.named for each in servers)},
        fixes=fixes,
        cautions=() if own else CHECK.cautions,
        culprits=tuple(each.hardware or each.address for each in servers),
        spans=tuple((each.first_s, each.last_s) for each in servers),
    )


def _silent(facts: Facts) -> Finding:
    """No server spoke and none was named: proved, or only not seen?"""
    v4, v6 = facts.heard(Dhcp4Message), facts.heard(Dhcp6Message)
    limits = CHECK.values()
    mirror = facts.vantage == "mirror"
    asked = [
        _Ask(m.client_hardware, m.seen, m.broadcast_flag or m.seen.outgoing or mirror)
        for m in v4
        if m.message_type == "DISCOVER" and not m.relay
    ]
    asked6 = [
        _Ask(n.client_id or n.seen.src, n.seen, n.seen.outgoing or mirror)
        for n in v6
        if n.message_type == "SOLICIT"
    ]
    requested = {m.client_hardware: m.seen.time_s for m in v4 if m.message_type == "REQUEST"}
    requested6 = {n.client_id or n.seen.src: n.seen.time_s for n in v6 if n.message_type == "REQUEST"}
    proof, proof6 = _unanswered(facts, asked, requested), _unanswered(facts, asked6, requested6)
    measured = {"questions": len(asked), "questions_ipv6": len(asked6), "ipv6_proved": proof6 is not None}
    if proof is not None:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            "No DHCP server: a client asked for an address, and nobody answered.",
            evidence=(proof, proof6) if proof6 else (proof,),
            measured=measured,
            limits=limits,
        )
    if asked:
        headline = "A client asked for an address, but not long enough to show that nobody answers."
    elif any(m.op == 1 and not m.message_type for m in v4):
        headline = "The frames are cut too short to tell what DHCP clients ask."
    elif proof6 is not None:
        headline = "No DHCP server answers over IPv6, but over IPv4 nobody asked."
    else:
        headline = "Nobody asked for an address, and a DHCP server is silent until somebody asks."
    return Finding(
        CHECK.name,
        Outcome.UNPROVEN,
        headline,
        evidence=(proof6,) if proof6 else (),
        measured=measured,
        limits=limits,
        fixes=(CHECK.unproven,),
    )


def _unanswered(facts: Facts, asks: Iterable[_Ask], requested: dict[str, float]) -> Evidence | None:
    """The first client that shows by its questions that no server answers."""
    by_client: dict[str, list[_Ask]] = {}
    for ask in asks:
        if ask.seen.time_s <= requested.get(ask.client, -1.0):
            continue  # what it asked before it went on to request shows nothing
        earlier = by_client.setdefault(ask.client, [])
        if not earlier or ask.seen.time_s - earlier[-1].seen.time_s >= MIRRORED_S:
            earlier.append(ask)
    assert facts.source is not None
    # An answer that was lost or could not be read would look like none.
    complete = not facts.source.dropped and not any(
        each.kind in ("dhcp4", "dhcp6") for each in facts.heard(Malformed)
    )
    for client, questions in by_client.items():
        first, last = questions[0].seen, questions[-1].seen
        asked_s = last.time_s - first.time_s
        if len(questions) >= CHECK.limit("asked_times") and asked_s >= CHECK.limit("asked_for_s"):
            return Evidence(
                f"{who(client)} asked {len(questions)} times in {asked_s:.1f} s and took no offer",
                last.frame,
                last.time_s,
            )
        for ask in questions:
            waited_s = facts.source.duration_s - ask.seen.time_s
            if complete and ask.visible and waited_s >= CHECK.limit("answer_within_s"):
                return Evidence(
                    f"{who(client)} asked; an answer would have come by here, and none came in "
                    f"{waited_s:.1f} s",
                    ask.seen.frame,
                    ask.seen.time_s,
                )
    return None
