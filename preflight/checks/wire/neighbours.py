"""What the switch says of the port that this computer is plugged into, beside what this computer says of it.

Strategy: an LLDP frame to the nearest bridge comes from the other end of the cable, or through a switch that
knows no LLDP. So one neighbour is the port's own word, several mean that something simple stands between. CDP
is passed on by switches that do not speak it, and counts only where no LLDP is heard. In a capture it is just
told who that is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, unproven
from preflight.checks.step import ALWAYS_AUTOMATIC, before_doors, in_a_break, managed, now
from preflight.wire.cdp import CdpNeighbour
from preflight.wire.lldp import NEAREST, LldpNeighbour
from preflight.wire.picked import Seen

if TYPE_CHECKING:
    from preflight.host.facts import Adapter

CHECK = Check(
    name="neighbours",
    subject="wire",
    order=80,
    asks=Wire,
    question="Does the switch say the same of this port as this computer does?",
    looks_at=(
        "What the switch tells of the port by LLDP or CDP: its name, the port, speed, duplex, largest "
        "frame, VLAN, whether it lets the link sleep. And how many neighbours one cable has."
    ),
    why=(
        "Two ends of a cable that are set differently lose frames only under load: it works at soundcheck "
        "and fails in the show."
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
        managed(
            in_a_break(
                "Set the adapter and the switch port both to automatic speed and duplex, or both the same "
                "by hand."
            )
        ),
        ALWAYS_AUTOMATIC,
        "Replace the cable, and plug it in again.",
        now("Both ends should say the same then."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Has the switch LLDP? Turn it on there and listen for a minute: it speaks every 30 s. A "
    "switch without LLDP, as most unmanaged ones are, cannot tell: look at its port lamps instead.",
)
BETWEEN_FIXES = (
    now(
        "Follow the cable of this computer. Is there a small switch, a floor box or a desk's network port "
        "in between?"
    ),
    "Plug this computer straight into the main switch, or make sure that the box in between is meant to be "
    "there.",
    AGAIN,
)
SLEEP_FIXES = (
    managed(
        in_a_break("Turn energy-efficient Ethernet (EEE, green Ethernet) off for this port in the switch.")
    ),
    "Turn it off in the adapter's settings. One end of a link is enough.",
    AGAIN,
)
FRAME_FIXES = (
    "Set the adapter's MTU to 1500, jumbo frames off.",
    managed(before_doors("Or allow jumbo frames in every switch and every box.")),
    AGAIN,
)


@dataclass(frozen=True)
class _Neighbour:
    """The latest word of one neighbour, by LLDP or CDP."""

    seen: Seen
    name: str
    port: str
    duplex: Literal["full", "half"] | None
    vlan: int | None
    speed_mbps: int | None = None
    by_hand: bool | None = None
    eee: bool | None = None
    max_frame_bytes: int | None = None

    @property
    def place(self) -> str:
        port = f", port {self.port}" if self.port else ""
        return f"{self.name or who(self.seen.src)}{port}"

    @property
    def settings(self) -> str:
        known = (
            f"{self.speed_mbps} Mb/s" if self.speed_mbps else "",
            f"{self.duplex} duplex" if self.duplex else "",
            "set by hand" if self.by_hand else "",
            f"frames of up to {self.max_frame_bytes} bytes" if self.max_frame_bytes else "",
            f"VLAN {self.vlan}" if self.vlan else "",
            "may sleep (EEE)" if self.eee else "",
        )
        return ", ".join(part for part in known if part) or "nothing of how the port is set"


def judge(wire: Wire, limits: Limits) -> Says:
    near = _by_lldp(wire)
    neighbours = near or _by_cdp(wire)
    if not neighbours:
        yield unproven("No switch told which port this is.")
        return
    how = "LLDP" if near else "CDP"
    told = tuple(
        Evidence(f"{n.place} ({n.seen.src}, {how}): {n.settings}", n.seen.frame, n.seen.time_s)
        for n in neighbours
    )
    yield Measured({"neighbours": len(neighbours)}, told)
    adapter = wire.host.adapter(wire.adapter) if wire.host is not None else None
    at_the_port = adapter is not None and wire.vantage != "mirror"
    if len(neighbours) == 1:
        names = ("name", "port", "speed_mbps", "duplex", "max_frame_bytes", "vlan", "eee")
        yield Measured({name: getattr(neighbours[0], name) for name in names})
        if adapter is not None and at_the_port:
            yield from _differences(neighbours[0], adapter, int(limits["frame_overhead"]))
        yield passed(f"{'The neighbour' if adapter is None else 'This'} is {neighbours[0].place}.")
        return
    if at_the_port and len(near) > limits["neighbours"]:
        yield caution(
            f"{len(near)} devices say that they are at the other end of this cable: "
            "there is a simple switch in between.",
            fixes=BETWEEN_FIXES,
        )
    yield passed(f"{len(neighbours)} neighbours: {'; '.join(n.place for n in neighbours[:4])}.")


def _by_lldp(wire: Wire) -> list[_Neighbour]:
    """Each with its latest word, without farewells and this computer itself."""
    found: dict[str, _Neighbour] = {}
    for word in wire.heard(LldpNeighbour):
        if word.seen.outgoing or word.seen.dst != NEAREST:
            continue
        if word.ttl_s == 0:
            found.pop(word.chassis, None)
            continue
        found[word.chassis] = _Neighbour(
            word.seen,
            word.system_name,
            word.port_description or word.port,
            word.duplex,
            word.vlan,
            word.speed_mbps,
            word.by_hand,
            word.eee,
            word.max_frame_bytes,
        )
    return list(found.values())


def _by_cdp(wire: Wire) -> list[_Neighbour]:
    found = {
        word.device or word.seen.src: _Neighbour(word.seen, word.device, word.port, word.duplex, word.vlan)
        for word in wire.heard(CdpNeighbour)
        if not word.seen.outgoing
    }
    return list(found.values())


def _differences(switch: _Neighbour, adapter: Adapter, overhead: int) -> Iterator[Saw]:
    """Where the two ends of the cable disagree. What either does not say is not compared."""
    here, there, culprits = adapter.name, switch.place, [adapter.name]
    if switch.duplex and adapter.duplex and switch.duplex != adapter.duplex:
        ends = f"{there} is {switch.duplex} duplex, {here} is {adapter.duplex} duplex"
        yield fail(f"Duplex mismatch: {ends}.", culprits=culprits)
    if switch.speed_mbps and adapter.speed_mbps and switch.speed_mbps != adapter.speed_mbps:
        ends = f"{there} says {switch.speed_mbps} Mb/s, {here} says {adapter.speed_mbps} Mb/s"
        yield caution(f"{ends}: is something in between?", fixes=BETWEEN_FIXES, culprits=culprits)
    sends, takes = adapter.mtu + overhead if adapter.mtu else 0, switch.max_frame_bytes
    if takes and takes < sends:
        ends = f"{there} takes frames of up to {takes} bytes, {here} may send {sends}"
        yield caution(f"{ends}.", fixes=FRAME_FIXES, culprits=culprits)
    if switch.eee:
        sleeps = f"{there} may put the link to sleep between frames (energy-efficient Ethernet)."
        yield caution(sleeps, fixes=SLEEP_FIXES, culprits=culprits)
