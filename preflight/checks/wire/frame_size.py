"""Frames longer or shorter than Ethernet allows.

Strategy: a capture shows sizes that never were on the cable. A computer hands long TCP segments to its
adapter to be cut, and puts received ones together, so long TCP frames are its own work, and so is anything
long that it sent. Some captures keep the check sequence, 4 bytes. What a computer sends, and what comes by a
virtual cable, is not padded to 60 bytes, and a real adapter drops short frames before a capture sees them: so
short ones count only where padding is the rule, and never for more than a caution. Packets of a stream that
are too long for a frame go in two: the second tells neither port nor number.
"""

from collections import Counter
from collections.abc import Iterable, Sequence

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, what, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, trouble
from preflight.checks.see.flows import lived, shown
from preflight.checks.see.streams import Heard, called, heard_streams, names, titles
from preflight.tally.facts import Flow
from preflight.wire.datagram import GENEVE, GRE, IPV4, IPV6, UDP, VXLAN

CHECK = Check(
    name="frame-size",
    subject="wire",
    order=310,
    asks=Wire,
    soak="run",
    question="Are any frames too long or too short?",
    looks_at=(
        "The size of every frame. Long TCP frames are left out: computers cut and join those themselves. So "
        "are frames that this computer sent. Whether packets of a stream are too long for a frame, so that "
        "they come in fragments."
    ),
    why="Devices that keep to 1500 bytes never get a jumbo frame. Short frames come from collisions and "
    "broken adapters.",
    limits=(
        Limit(
            "longest", 1518, "bytes with check sequence, and 4 more for each tag", "IEEE 802.3; IEEE 802.1Q"
        ),
        Limit("shortest", 60, "bytes without check sequence", "IEEE 802.3"),
        Limit("in_fragments", 0.5, "share of a stream's packets that come in fragments", "common practice"),
        Limit("least_s", 1, "s of listening, to show that there is none", "common practice"),
    ),
    least_s="least_s",
    sources=(
        "IEEE 802.3: 1500 bytes of payload at most, frames of 64 bytes at least",
        "AES67: packets are not fragmented, and hold 1440 bytes at most (from memory)",
    ),
    fixes=(
        "Set the frame size (MTU) of the named device to 1500. Look for a setting called jumbo frames.",
        "Short frames: change its cable, and set both ends of the link to automatic speed and duplex.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for at least one second.",
)
FRAGMENT_FIXES = (
    "Set the sender named here to fewer channels a stream, or to a shorter packet time, so that a packet "
    "fits into one frame.",
    AGAIN,
)
ARP, TCP = 0x0806, 6
# bytes of a frame whose packet goes on in another, at least: fragments are cut at multiples of 8 (RFC 791)
FULL = 1500
# Tunnels carry TCP too (RFC 2003, 2473, 2784): a long one proves nothing.
TUNNELS = (4, 41, GRE)
TUNNEL_PORTS = (VXLAN, GENEVE)
NEVER_FORWARDED = "01:80:c2:00:00:0"  # IEEE 802.1Q table 8-1
TAG = 4  # bytes, IEEE 802.1Q
# what no adapter sends in one frame was joined by a computer, or is a broken record: common practice
LONGEST_CARRIED = 16384
COOKED = 6  # bytes that the header of a cooked capture is longer than Ethernet's, at most


def judge(wire: Wire, limits: Limits) -> Says:
    flows = wire.tally.flows
    own = {talker.hardware for talker in wire.tally.talkers if talker.own}
    foreign = [f for f in flows if f.source not in own]
    ethernet = wire.source.link_types == ("Ethernet",)
    most = limits["longest"] + (0 if ethernet else COOKED)
    long = [
        f
        for f in foreign
        if f.giants
        and most + (TAG if f.vlan is not None else 0) < f.longest <= LONGEST_CARRIED
        and f.sane
        and not _may_be_joined(f)
    ]
    short = _short(foreign, limits["shortest"]) if ethernet else []
    joined = sum(f.giants for f in flows if _may_be_joined(f) or f.longest > LONGEST_CARRIED)
    yield Measured(
        {
            "jumbo_frames": sum(f.giants for f in long),
            "longest_bytes": max((f.longest for f in flows), default=0),
            "long_tcp_frames": sum(f.giants for f in flows if f.protocol == TCP),
            "short_frames": sum(f.runts for f in flows),
            "short_frames_among_padded": sum(f.runts for f in short),
        }
    )
    if not joined:
        yield passed("Every frame has a size that Ethernet allows.")
    elif all(f.protocol == TCP for f in flows if f.giants):
        yield passed("No jumbo frames. The long TCP frames were cut or joined by the capturing computer.")
    else:
        yield passed("No jumbo frames. What is longer was joined by the capturing computer, or is damaged.")
    if long:
        count = sum(f.giants for f in long)
        # What is flooded reaches devices that cannot take it; two that agreed on jumbo frames may use them
        # between them.
        flooded = any(f.cast != "unicast" and not f.destination.startswith(NEVER_FORWARDED) for f in long)
        yield _off(
            Outcome.FAIL if flooded else Outcome.CAUTION,
            f"{counted(count, 'jumbo frame')}, up to {max(f.longest for f in long)} bytes"
            + (f", {'goes' if count == 1 else 'go'} to everyone." if flooded else "."),
            [(f.giants, f.longest, f) for f in long],
        )
    heard = heard_streams(wire)
    if cut := _in_fragments(heard, flows, limits["in_fragments"]):
        known = names(wire)
        yield caution(
            f"Packets of {titles(cut, heard, known, '')} come in fragments: many receivers take none.",
            [shown(f"in two frames or more each: {called(flow, known)}", flow) for _, flow in cut[:6]],
            culprits=list(dict.fromkeys(flow.source for _, flow in cut if flow.source))[:16],
            fixes=FRAGMENT_FIXES,
        )
    if short:
        count = sum(f.runts for f in short)
        yield _off(
            Outcome.CAUTION,
            f"{counted(count, 'frame')} {'is' if count == 1 else 'are'} shorter than Ethernet allows.",
            [(f.runts, f.shortest, f) for f in short],
        )


def _may_be_joined(flow: Flow) -> bool:
    return flow.protocol in (TCP, *TUNNELS) or flow.destination_port in TUNNEL_PORTS


def _in_fragments(heard: Sequence[Heard], flows: Iterable[Flow], share: float) -> list[Heard]:
    """The streams whose frames are full, and beside which fragments without ports come, from the sender to
    the receivers."""
    rest: Counter[tuple[object, ...]] = Counter()
    for flow in flows:
        if flow.protocol == UDP and flow.source_port == flow.destination_port == 0:
            rest[_ends(flow)] += flow.frames
    return [
        (stream, flow)
        for stream, flow in heard
        if flow.longest >= FULL and rest[_ends(flow)] >= share * stream.received
    ]


def _ends(flow: Flow) -> tuple[object, ...]:
    return flow.source, flow.vlan, flow.source_ip, flow.destination_ip


def _off(outcome: Outcome, headline: str, bad: list[tuple[int, int, Flow]]) -> Saw:
    """`bad` are flows with how many of their frames are off, and the bytes of the worst."""
    bad.sort(key=lambda each: -each[0])
    flows = [f for *_, f in bad]
    return trouble(
        outcome,
        headline,
        [
            shown(
                f"{counted(count, 'frame')} of {what(f)} from {who(f.source, f.source_ip)}, "
                f"{size} bytes without check sequence",
                f,
            )
            for count, size, f in bad[:6]
        ],
        culprits=list(dict.fromkeys(f.source for f in flows if f.source))[:16],
        spans=[lived(flows)],
    )


def _short(foreign: list[Flow], shortest: float) -> list[Flow]:
    """Flows with short frames, where the others show that frames are padded here: ARP and short IP packets
    come with `shortest` bytes, and none unpadded."""
    usual = [f.shortest for f in foreign if f.ethertype in (ARP, IPV4, IPV6)]
    return [f for f in foreign if f.shortest < shortest] if min(usual, default=None) == shortest else []
