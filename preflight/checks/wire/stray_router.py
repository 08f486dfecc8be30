"""A router on the audio LAN: heard to advertise itself, or to send devices another way.

Strategy: only routers send these messages, so one is enough. A router that is the default way out (lifetime above 0)
fails, as does a redirect; one that only hands out a prefix, or takes itself back (lifetime 0), is a caution. Devices
that look for a router are natural. Silence proves nothing, except where a device asked over IPv6 and no answer came
within the time a router may take.
"""

from dataclasses import dataclass, field

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.wire.icmp import RouterMessage

CHECK = Check(
    name="stray-router",
    subject="wire",
    order=160,
    asks=View,
    question="Does a router offer itself on the audio LAN?",
    looks_at=(
        "IPv6 router advertisements, ICMP redirects, and IPv4 router advertisements: who sends them, for how long, for "
        "which addresses. And whether devices that look for a router get an answer."
    ),
    why="Devices take a stray router for the way out: they get second addresses, and send their traffic to it.",
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
    ),
    sources=(
        "RFC 4861 sections 4.2, 4.5 and 6: router advertisements, redirects; RFC 8106: name servers in them",
        "RFC 6105: how a switch keeps stray advertisements out",
        "RFC 792: redirects; RFC 1256: router advertisements over IPv4",
    ),
    fixes=(
        "Look for a home router, wireless router or computer with a shared connection that was plugged in.",
        "Not found? Look up its hardware address in the switch's address table: that tells the port.",
        "Unplug it from the audio LAN, or turn routing and router advertisements off in it.",
        "Restart devices that took an address from it.",
        "Run the line check again. Switches with RA guard can keep such messages out.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Unplug one spare computer with IPv6 from the audio LAN and plug it in again while this listens: "
        "it asks for a router."
    ),
)


@dataclass
class _Router:
    hardware: str
    address: str
    own: bool
    default: bool = False
    first_s: float = 0.0
    last_s: float = 0.0
    evidence: dict[str, Evidence] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return "this computer" if self.own else who(self.hardware, self.address)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    routers = list(_routers(facts, limits["fail_lifetime_s"]).values())
    asked = [m for m in facts.heard(RouterMessage) if m.kind == "solicitation"]
    measured: dict[str, object] = {
        "routers": len(routers),
        "default_routers": sum(r.default for r in routers),
        "asked": len(asked),
    }
    if not routers:
        return _silent(facts, asked, measured, limits)
    routers.sort(key=lambda r: not r.default)
    first = routers[0]
    verb = "offers itself as a router" if first.default else "announces addresses, but no way out"
    more = "" if len(routers) == 1 else f", and {len(routers) - 1} more"
    return Finding(
        CHECK.name,
        Outcome.FAIL if first.default else Outcome.CAUTION,
        f"A router is on the audio LAN: {first.name} {verb}{more}.",
        evidence=tuple(each for router in routers for each in router.evidence.values())[:12],
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(r.hardware for r in routers if r.hardware)),
        spans=tuple((r.first_s, r.last_s) for r in routers),
    )


def _routers(facts: Facts, fail_lifetime_s: float) -> dict[str, _Router]:
    routers: dict[str, _Router] = {}
    for m in facts.heard(RouterMessage):
        if m.kind == "solicitation":
            continue
        key = m.seen.src or m.source
        if key not in routers:
            routers[key] = _Router(m.seen.src, m.source, m.seen.outgoing, first_s=m.seen.time_s)
        router = routers[key]
        router.last_s = m.seen.time_s
        router.default |= m.kind == "redirect" or m.lifetime_s >= fail_lifetime_s
        text = _words(m)
        router.evidence.setdefault(text, Evidence(f"{router.name} {text}", m.seen.frame, m.seen.time_s))
    return routers


def _words(m: RouterMessage) -> str:
    if m.kind == "redirect":
        return f"tells a device to send what goes to {m.target or 'another network'} by {m.gateway}"
    text = f"advertises itself over IPv{m.version}"
    text += f" as default router for {m.lifetime_s} s" if m.lifetime_s else ", not as default router"
    if m.prefixes:
        text += f", addresses {', '.join(m.prefixes)}"
    if m.dns:
        text += f", name server {', '.join(m.dns)}"
    return text


def _silent(
    facts: Facts, asked: list[RouterMessage], measured: dict[str, object], limits: dict[str, float]
) -> Finding:
    assert facts.source is not None
    in_vain = [
        m
        for m in asked
        if m.version == 6 and facts.source.duration_s - m.seen.time_s >= limits["answer_within_s"]
    ]
    if in_vain and not facts.source.dropped:
        first = in_vain[0]
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{'This computer' if first.seen.outgoing else who(first.seen.src)} asked for a router, and none answered.",
            measured=measured,
            limits=limits,
        )
    return Finding(
        CHECK.name,
        Outcome.UNPROVEN,
        "No router spoke, but nobody asked for one long enough before the end.",
        measured=measured,
        limits=limits,
        fixes=(CHECK.unproven,),
    )
