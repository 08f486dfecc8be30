"""A DHCP server on the audio LAN: heard itself, or named by a client that took its offer.

Strategy: one word of a server, or of a client that takes its offer, is proof enough (see/dhcp.py). Silence
proves nothing, except where a client asked, and either went on asking as one does that gets no answer, or an
answer would have come by here. Neither counts where something was sent to a client that could not be read,
nor for time in which the capture itself may have paused.
"""

from collections.abc import Iterable
from dataclasses import replace

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, listed, who
from preflight.checks.says import Limits, Measured, Saw, Says, fail, passed, unproven
from preflight.checks.see.dhcp import Server, heard_servers
from preflight.checks.see.flows import shown
from preflight.checks.see.membership import another_first
from preflight.checks.see.silence import hole_s
from preflight.checks.step import HOME_ROUTER, PORT_OF_IT, in_a_break, now, unmanaged
from preflight.wire import Malformed
from preflight.wire.datagram import UDP
from preflight.wire.dhcp4 import REQUEST, Dhcp4Message
from preflight.wire.dhcp6 import Dhcp6Message
from preflight.wire.picked import Seen

CHECK = Check(
    name="stray-dhcp",
    subject="wire",
    order=150,
    asks=Wire,
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
        Limit("hole_s", 0.5, "s without any frame, in which an answer may be lost", "common practice"),
    ),
    sources=("RFC 2131", "RFC 2132 section 9", "RFC 8415"),
    fixes=(
        HOME_ROUTER,
        PORT_OF_IT,
        unmanaged(
            in_a_break(
                "Unplug one cable at a time, and after each set a spare computer to automatic address. "
                "When it gets none, that cable was it."
            )
        ),
        now("Unplug the server from the audio LAN, or turn its DHCP server off."),
        "Restart devices that took an address from it, or set their addresses back.",
        now("Is it meant to be there? Name it in the rig sheet: [dhcp], allowed = [its address]."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Set one spare computer on the audio LAN to automatic address (DHCP) while this listens. "
        "Wait half a minute, then set it back."
    ),
)
LOOKING = 2  # steps before anything is unplugged
OWN_FIXES = (
    "Turn off internet sharing (connection sharing) on this computer's audio adapter.",
    now("End any DHCP server program on this computer."),
    AGAIN,
)
ADDRESS_FIX = now(
    "Only the server's IP address is known. Read its hardware address on the computer that took the offer: "
    "open a command line and type arp -a."
)
MIRRORED_S = 0.5  # the same question so soon again is a copy made by a mirror port: common practice
CLIENT_PORTS = (68, 546)  # only servers and relays send to these: RFC 2131 section 4.1, RFC 8415 section 7.2
# By client: each question, and whether an answer to it would go to all.
Asks = dict[str, list[tuple[Seen, bool]]]


def judge(wire: Wire, limits: Limits) -> Says:
    servers = heard_servers(wire)
    if not servers:
        yield from _silence(wire, limits)
        return
    allowed = wire.sheet.dhcp.allowed if wire.sheet is not None else ()
    strays = [each for each in servers if each.hardware not in allowed and each.address not in allowed]
    named = sum(each.named for each in strays)
    yield Measured({"servers": len(strays), "named_only": named, "allowed": len(servers) - len(strays)})
    saw = [_stray(each, another_first(wire, each.hardware)) for each in strays]
    if len(saw) > 1:
        several = f"{len(saw)} DHCP servers are on this network: {listed(each.name for each in strays)}."
        saw[0] = replace(saw[0], headline=several)
    yield from saw
    if not strays:
        yield passed(
            f"The only DHCP server heard is allowed by the rig sheet: {servers[0].name}."
            if len(servers) == 1
            else "All DHCP servers heard are allowed by the rig sheet.",
            [next(iter(each.evidence.values())) for each in servers],
        )


def _stray(server: Server, before: tuple[str, ...]) -> Saw:
    fixes: tuple[str, ...] = (*CHECK.fixes[:LOOKING], *before, *CHECK.fixes[LOOKING:])
    if not server.hardware:
        fixes = (ADDRESS_FIX, *CHECK.fixes)
    if server.own:
        headline, fixes = "This computer itself is a DHCP server on this network.", OWN_FIXES
    elif server.named:
        headline = f"A DHCP server is on this network: {server.name}. A client took its offer."
    else:
        headline = f"A DHCP server answers on this network: {server.name}."
    return fail(
        headline,
        list(server.evidence.values())[:4],
        fixes=fixes,
        cautions=() if server.own else None,
        culprits=[server.hardware or server.address],
        spans=[(server.first_s, server.last_s)],
    )


def _silence(wire: Wire, limits: Limits) -> Says:
    """No server spoke and none was named: proved, or only not seen?"""
    v4, v6 = wire.heard(Dhcp4Message), wire.heard(Dhcp6Message)
    asked = sum(m.message_type == "DISCOVER" and not m.relay for m in v4)
    asks = _asks("DISCOVER", ((m.client_hardware, m, m.broadcast_flag) for m in v4 if not m.relay))
    asks6 = _asks("SOLICIT", ((n.client_id or n.seen.src, n, False) for n in v6))
    proof, proof6 = _unanswered(wire, limits, asks), _unanswered(wire, limits, asks6)
    asked6 = sum(n.message_type == "SOLICIT" for n in v6)
    measured = {"questions": asked, "questions_ipv6": asked6, "ipv6_proved": proof6 is not None}
    yield Measured(measured, (proof6,) if proof6 else ())
    unread = [f for f in wire.tally.flows if f.protocol == UDP and f.destination_port in CLIENT_PORTS]
    if unread:
        yield unproven(
            "Something was sent to a DHCP client that could not be read: it may be a server's answer.",
            [shown(f"{who(f.source, f.source_ip)} sent {counted(f.frames, 'frame')}", f) for f in unread],
        )
    elif known := next((m for m in v4 if m.op == REQUEST and m.server_id), None):
        yield unproven(
            f"{who(known.client_hardware)} knows a DHCP server {known.server_id}: it may be here, and "
            "silent.",
            [Evidence(f"a {known.message_type} names it", known.seen.frame, known.seen.time_s)],
        )
    elif content := _content(v4):
        yield unproven(
            f"{who(content.client_hardware)} asked for the address it had, and asked no more: a server may "
            "have answered it.",
            [Evidence("a REQUEST without a server's name", content.seen.frame, content.seen.time_s)],
        )
    elif proof is not None:
        yield passed("No DHCP server: a client asked for an address, and nobody answered.", [proof])
    elif asked:
        yield unproven("A client asked for an address, but not long enough to show that nobody answers.")
    elif any(not m.message_type for m in v4):
        yield unproven("The frames are cut too short to tell what DHCP clients ask.")
    elif proof6 is not None:
        yield unproven("No DHCP server answers over IPv6, but over IPv4 nobody asked.")
    else:
        yield unproven("Nobody asked for an address, and a DHCP server is silent until somebody asks.")


def _content(messages: Iterable[Dhcp4Message]) -> Dhcp4Message | None:
    """The last word of a client that asked for its old address and for none since (RFC 2131 sections 3.2,
    4.4.5): the answer may have gone to it alone."""
    last = {m.client_hardware: m for m in messages if m.op == REQUEST and not m.relay}
    return next((m for m in last.values() if m.message_type == "REQUEST" and not m.server_id), None)


def _asks(question: str, messages: Iterable[tuple[str, Dhcp4Message | Dhcp6Message, bool]]) -> Asks:
    """The questions of each client for any server, without copies. What it asked before it went on to request
    shows nothing."""
    asks: Asks = {}
    for client, message, visible in messages:
        if message.message_type == "REQUEST":
            asks.pop(client, None)
        elif message.message_type == question:
            earlier = asks.setdefault(client, [])
            if not earlier or message.seen.time_s - earlier[-1][0].time_s >= MIRRORED_S:
                earlier.append((message.seen, visible))
    return asks


def _unanswered(wire: Wire, limits: Limits, asks: Asks) -> Evidence | None:
    """The first client that shows by its questions that no server answers."""
    within_s, least_s = limits["answer_within_s"], limits["hole_s"]
    # An answer that was lost or could not be read would look like none.
    complete = not wire.source.dropped and not any(
        m.kind in ("dhcp4", "dhcp6") for m in wire.heard(Malformed)
    )
    for client, questions in asks.items():
        first, last = questions[0][0].time_s, questions[-1][0]
        asked_s = last.time_s - first
        listened_s = asked_s - hole_s(wire, first, last.time_s, least_s)
        if len(questions) >= limits["asked_times"] and listened_s >= limits["asked_for_s"]:
            text = f"{who(client)} asked {len(questions)} times in {asked_s:.1f} s and took no offer"
            return Evidence(text, last.frame, last.time_s)
        for seen, visible in questions if complete else ():
            at_s, waited_s = seen.time_s, wire.source.duration_s - seen.time_s
            shows = visible or seen.outgoing or wire.vantage == "mirror"
            if shows and waited_s >= within_s and not hole_s(wire, at_s, at_s + within_s, least_s):
                came = f"an answer would have come by here, and none came in {waited_s:.1f} s"
                return Evidence(f"{who(client)} asked; {came}", seen.frame, at_s)
    return None
