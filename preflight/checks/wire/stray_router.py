"""A router on the audio LAN: heard to advertise itself, or to send devices another way.

Strategy: only routers send these messages, so one is enough. A router that is the default way out (lifetime
above 0) fails, as does a redirect; one that only hands out a prefix, or takes itself back (lifetime 0), is a
caution. Devices that look for a router are natural. Silence proves nothing, except where a device asked over
IPv6 and no answer came within the time a router may take.
"""

from collections import defaultdict

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Saw, Says, passed, trouble, unproven
from preflight.checks.see.membership import another_first
from preflight.checks.see.silence import hole_s
from preflight.checks.step import (
    FOLLOW_CABLES,
    HOME_ROUTER,
    PORT_OF_IT,
    before_doors,
    in_a_break,
    managed,
    now,
)
from preflight.wire.icmp import RouterMessage

CHECK = Check(
    name="stray-router",
    subject="wire",
    order=160,
    asks=Wire,
    question="Does a router offer itself on the audio LAN?",
    looks_at=(
        "IPv6 router advertisements, ICMP redirects, and IPv4 router advertisements: who sends them, for "
        "how long, for which addresses. And whether devices that look for a router get an answer."
    ),
    why="Devices take a stray router for the way out: they get second addresses, and send their traffic to "
    "it.",
    limits=(
        Limit(
            "fail_lifetime_s",
            1,
            "s as default router, or more",
            "RFC 4861 section 4.2: 0 is no default router",
        ),
        Limit(
            "answer_within_s",
            4,
            "s for an answer that would be seen",
            "RFC 4861 section 10: 0.5 s, and 4 s to the next question",
        ),
        Limit("hole_s", 0.5, "s without any frame, in which an answer may be lost", "common practice"),
    ),
    sources=(
        "RFC 4861 sections 4.2, 4.5 and 6: router advertisements, redirects; RFC 8106: name servers in them",
        "RFC 6105: how a switch keeps stray advertisements out",
        "RFC 792: redirects; RFC 1256: router advertisements over IPv4",
    ),
    fixes=(
        HOME_ROUTER,
        PORT_OF_IT,
        FOLLOW_CABLES,
        now("Unplug it from the audio LAN, or turn routing and router advertisements off in it."),
        "Restart devices that took an address from it.",
        managed(before_doors("Switches with RA guard can keep such messages out.")),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=in_a_break(
        "Unplug one spare computer with IPv6 from the audio LAN and plug it in again while this listens: "
        "it asks for a router."
    ),
)

LOOKING = 2  # steps before anything is unplugged


def judge(wire: Wire, limits: Limits) -> Says:
    routers: dict[str, list[RouterMessage]] = defaultdict(list)
    asked: list[RouterMessage] = []
    for message in wire.heard(RouterMessage):
        if message.kind == "solicitation":
            asked.append(message)
        else:
            routers[message.seen.src or message.source].append(message)
    saw = [
        _router(messages, limits["fail_lifetime_s"], another_first(wire, messages[0].seen.src))
        for messages in routers.values()
    ]
    yield Measured(
        {
            "routers": len(saw),
            "default_routers": sum(each.outcome == Outcome.FAIL for each in saw),
            "asked": len(asked),
        }
    )
    yield from saw or [_silence(wire, asked, limits)]


def _router(messages: list[RouterMessage], fail_lifetime_s: float, before: tuple[str, ...]) -> Saw:
    """One router, by all that it sent."""
    first, last = messages[0], messages[-1]
    name = _sender(first)
    told: dict[str, Evidence] = {}
    for m in messages:
        text = f"{name} {_offer(m)}"
        told.setdefault(text, Evidence(text, m.seen.frame, m.seen.time_s))
    offers = any(m.kind == "advertisement" and m.lifetime_s >= fail_lifetime_s for m in messages)
    redirects = any(m.kind == "redirect" for m in messages)
    verb = (
        "tells devices which way to send (redirect)" if redirects else "announces addresses, but no way out"
    )
    verb = "offers itself as a router" if offers else verb
    return trouble(
        Outcome.FAIL if offers or redirects else Outcome.CAUTION,
        f"A router is on the audio LAN: {name} {verb}.",
        told.values(),
        culprits=filter(None, [first.seen.src]),
        fixes=(*CHECK.fixes[:LOOKING], *before, *CHECK.fixes[LOOKING:]),
        spans=[(first.seen.time_s, last.seen.time_s)],
    )


def _sender(m: RouterMessage) -> str:
    return "this computer" if m.seen.outgoing else who(m.seen.src, m.source)


def _offer(m: RouterMessage) -> str:
    if m.kind == "redirect":
        return f"tells a device to send what goes to {m.target or 'another network'} by {m.gateway}"
    text = f"advertises itself over IPv{m.version}"
    text += f" as default router for {m.lifetime_s} s" if m.lifetime_s else ", not as default router"
    if m.prefixes:
        text += f", addresses {', '.join(m.prefixes)}"
    if m.dns:
        text += f", name server {', '.join(m.dns)}"
    return text


def _silence(wire: Wire, asked: list[RouterMessage], limits: Limits) -> Saw:
    within_s, heard_s = limits["answer_within_s"], wire.source.duration_s
    for m in asked if not wire.source.dropped else ():
        at_s = m.seen.time_s
        hole = hole_s(wire, at_s, at_s + within_s, limits["hole_s"])
        if m.version == 6 and heard_s - at_s >= within_s and not hole:
            asker = "This computer" if m.seen.outgoing else who(m.seen.src)
            return passed(f"{asker} asked for a router, and none answered.")
    return unproven("No router spoke, but nobody asked for one long enough before the end.")
