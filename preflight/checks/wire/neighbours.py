"""What the switch says of the port that this computer is plugged into, beside what this computer says of it.

Strategy: an LLDP frame to the nearest bridge comes from the other end of the cable, or through a switch that knows no
LLDP. So one neighbour is the port's own word, several mean that something simple stands between. CDP is passed on by
switches that do not speak it, and counts only where no LLDP is heard. In a capture it is just told who that is.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import who
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.host.facts import Adapter
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.lldp import NEAREST, LldpNeighbour
from preflight.wire.picked import Seen

CHECK = Check(
    name="neighbours",
    subject="wire",
    order=80,
    asks=View,
    question="Does the switch say the same of this port as this computer does?",
    looks_at=(
        "What the switch tells of the port by LLDP or CDP: its name, the port, speed, duplex, largest frame, VLAN, "
        "whether it lets the link sleep. And how many neighbours one cable has."
    ),
    why=(
        "Two ends of a cable that are set differently lose frames only under load: it works at soundcheck and fails in "
        "the show."
    ),
    limits=(
        Limit(
            "neighbours", 1, "switch at the other end of the cable", "IEEE 802.1AB section 7.1, from memory"
        ),
        Limit(
            "frame_overhead", 18, "bytes of header and check sequence", "IEEE 802.3 clause 3.1.1, from memory"
        ),
    ),
    sources=(
        "IEEE 802.1AB: LLDP",
        "IEEE 802.3 annex 79.3: MAC/PHY, maximum frame size and EEE; IEEE 802.1Q annex D: port VLAN",
        "IANA-MAU-MIB: the numbers of the operational types",
        "CDP: from memory",
    ),
    fixes=(
        "Set the adapter and the switch port both to automatic speed and duplex, or both the same by hand.",
        "Replace the cable, and plug it in again.",
        "Run the line check again: both ends should say the same.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Turn LLDP on in the switch and listen for a minute: it speaks every 30 s. A switch without LLDP cannot tell; "
        "look at its port lamps or its own pages instead."
    ),
)
BETWEEN_FIXES = (
    "Follow the cable of this computer. Is there a small switch, a floor box or a desk's network port in between?",
    "Plug this computer straight into the main switch, or make sure that the box in between is meant to be there.",
    "Run the line check again.",
)
SLEEP_FIXES = (
    "Turn energy-efficient Ethernet (EEE, green Ethernet) off for this port in the switch.",
    "Turn it off in the adapter's settings too.",
    "Run the line check again.",
)
FRAME_FIXES = (
    "Set the adapter's MTU to 1500, jumbo frames off. Or allow jumbo frames in every switch and every box.",
    "Run the line check again.",
)


@dataclass(frozen=True)
class _Neighbour:
    """The latest word of one neighbour, by LLDP or CDP."""

    seen: Seen
    near: bool
    name: str
    port: str
    speed_mbps: int | None
    duplex: Literal["full", "half"] | None
    by_hand: bool | None
    eee: bool | None
    max_frame_bytes: int | None
    vlan: int | None

    @property
    def told(self) -> str:
        port = f", port {self.port}" if self.port else ""
        return f"{self.name or who(self.seen.src)}{port}"

    @property
    def details(self) -> str:
        known = (
            f"{self.speed_mbps} Mb/s" if self.speed_mbps else "",
            f"{self.duplex} duplex" if self.duplex else "",
            "set by hand" if self.by_hand else "",
            f"frames of up to {self.max_frame_bytes} bytes" if self.max_frame_bytes else "",
            f"VLAN {self.vlan}" if self.vlan else "",
            "may sleep (EEE)" if self.eee else "",
        )
        return ", ".join(part for part in known if part) or "nothing of how the port is set"


@dataclass(frozen=True)
class _Trouble:
    outcome: Outcome
    headline: str
    fixes: tuple[str, ...] = CHECK.fixes


def judge(facts: Facts) -> Finding | None:
    if facts.source is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    near, far = _neighbours(facts)
    neighbours = near or far
    if not neighbours:
        return Finding(
            CHECK.name, Outcome.UNPROVEN, "No switch told which port this is.", fixes=(CHECK.unproven,)
        )
    evidence = [
        Evidence(
            f"{n.told} ({n.seen.src}, {'LLDP' if n.near else 'CDP'}): {n.details}",
            n.seen.frame,
            n.seen.time_s,
        )
        for n in neighbours[:8]
    ]
    measured: dict[str, object] = {"neighbours": len(neighbours)}
    only = neighbours[0]
    if len(neighbours) == 1:
        measured |= {
            "name": only.name,
            "port": only.port,
            "speed_mbps": only.speed_mbps,
            "duplex": only.duplex,
            "max_frame_bytes": only.max_frame_bytes,
            "vlan": only.vlan,
            "eee": only.eee,
        }
    limits = CHECK.values()
    adapter = facts.host.adapter(facts.adapter) if facts.host is not None else None
    troubles: list[_Trouble] = []
    if adapter is not None and facts.vantage != "mirror":
        if len(neighbours) == 1:
            troubles = list(_differences(only, adapter))
        elif near:
            troubles = [
                _Trouble(
                    Outcome.CAUTION,
                    f"{len(near)} devices say that they are at the other end of this cable: "
                    "there is a simple switch in between.",
                    BETWEEN_FIXES,
                )
            ]
    if not troubles:
        one = f"This is {only.told}." if adapter is not None else f"The neighbour is {only.told}."
        headline = one if len(neighbours) == 1 else f"{len(neighbours)} neighbours: {_names(neighbours)}."
        return Finding(
            CHECK.name,
            Outcome.PASS,
            headline,
            evidence=tuple(evidence),
            measured=measured,
            limits=limits,
        )
    troubles.sort(key=lambda trouble: trouble.outcome != Outcome.FAIL)
    evidence += [Evidence(trouble.headline) for trouble in troubles[1:]]
    return Finding(
        CHECK.name,
        troubles[0].outcome,
        troubles[0].headline,
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=troubles[0].fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,) if adapter is not None and len(neighbours) == 1 else (),
    )


def _neighbours(facts: Facts) -> tuple[list[_Neighbour], list[_Neighbour]]:
    """Those by LLDP, and those by CDP; each with its latest word, without farewells and this computer itself."""
    near: dict[str, _Neighbour] = {}
    far: dict[str, _Neighbour] = {}
    for word in facts.heard(LldpNeighbour):
        if word.seen.outgoing or word.seen.dst != NEAREST:
            continue
        if word.ttl_s == 0:
            near.pop(word.chassis, None)
            continue
        near[word.chassis] = _Neighbour(
            word.seen,
            True,
            word.system_name,
            word.port_description or word.port,
            word.speed_mbps,
            word.duplex,
            word.by_hand,
            word.eee,
            word.max_frame_bytes,
            word.vlan,
        )
    for other in facts.heard(CdpNeighbour):
        if not other.seen.outgoing:
            far[other.device or other.seen.src] = _Neighbour(
                other.seen, False, other.device, other.port, None, other.duplex, None, None, None, other.vlan
            )
    return list(near.values()), list(far.values())


def _differences(switch: _Neighbour, adapter: Adapter) -> Iterable[_Trouble]:
    """Where the two ends of the cable disagree. What either does not say is not compared."""
    if switch.duplex and adapter.duplex and switch.duplex != adapter.duplex:
        yield _Trouble(
            Outcome.FAIL,
            f"Duplex mismatch: {switch.told} is {switch.duplex} duplex, {adapter.name} is {adapter.duplex} duplex.",
        )
    if switch.speed_mbps and adapter.speed_mbps and switch.speed_mbps != adapter.speed_mbps:
        yield _Trouble(
            Outcome.CAUTION,
            f"{switch.told} says {switch.speed_mbps} Mb/s, {adapter.name} says {adapter.speed_mbps} Mb/s: "
            "is something in between?",
            BETWEEN_FIXES,
        )
    sends = adapter.mtu + int(CHECK.limit("frame_overhead")) if adapter.mtu else None
    if switch.max_frame_bytes and sends and switch.max_frame_bytes < sends:
        yield _Trouble(
            Outcome.CAUTION,
            f"{switch.told} takes frames of up to {switch.max_frame_bytes} bytes, {adapter.name} may send {sends}.",
            FRAME_FIXES,
        )
    if switch.eee:
        yield _Trouble(
            Outcome.CAUTION,
            f"{switch.told} may put the link to sleep between frames (energy-efficient Ethernet).",
            SLEEP_FIXES,
        )


def _names(neighbours: list[_Neighbour]) -> str:
    return "; ".join(n.told for n in neighbours[:4])
