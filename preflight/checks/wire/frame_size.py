"""Frames longer or shorter than Ethernet allows.

Strategy: a capture shows sizes that never were on the cable. A computer hands long TCP segments to its adapter to be
cut, and puts received ones together, so long TCP frames are its own work, and so is anything long that it sent. Some
captures keep the check sequence, 4 bytes. What a computer sends, and what comes by a virtual cable, is not padded to 60
bytes, and a real adapter drops short frames before a capture sees them: so short ones count only where
padding is the rule, and never for more than a caution.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow

CHECK = Check(
    name="frame-size",
    subject="wire",
    order=310,
    asks=View,
    soak="run",
    question="Are any frames too long or too short?",
    looks_at=(
        "The size of every frame. Long TCP frames are left out: computers cut and join those themselves. So are frames that "
        "this computer sent."
    ),
    why="Devices that keep to 1500 bytes never get a jumbo frame. Short frames come from collisions and broken adapters.",
    limits=(
        Limit(
            "longest", 1518, "bytes with check sequence, and 4 more for each tag", "IEEE 802.3; IEEE 802.1Q"
        ),
        Limit("shortest", 64, "bytes with check sequence", "IEEE 802.3"),
        Limit("check_sequence", 4, "bytes that some captures keep", "common practice"),
    ),
    sources=("IEEE 802.3: 1500 bytes of payload at most, frames of 64 bytes at least",),
    fixes=(
        "Set the frame size (MTU) of the named device to 1500. Look for a setting called jumbo frames.",
        "Short frames: change its cable, and set both ends of the link to automatic speed and duplex.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for at least one second.",
)
IPV4, ARP, IPV6 = 0x0800, 0x0806, 0x86DD
TCP = 6
# Tunnels carry TCP too (RFC 2003, 2473, 2784): a long one proves nothing.
TUNNELS = (4, 41, 47)
PADDED = 60  # a padded frame, without check sequence
LONGEST_CARRIED = 16384  # what no adapter sends in one frame was joined by a computer, or is a broken record: common practice
COOKED = 6  # bytes that the header of a cooked capture is longer than Ethernet's, at most


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    own = {talker.hardware for talker in facts.tally.talkers if talker.own}
    foreign = [f for f in facts.tally.flows if f.source not in own]
    ethernet = facts.source.link_types == ("Ethernet",)
    most = limits["longest"] + (0 if ethernet else COOKED)
    long = [
        f
        for f in foreign
        if f.giants and most < f.longest <= LONGEST_CARRIED and f.protocol not in (TCP, *TUNNELS)
    ]
    joined = sum(f.giants for f in facts.tally.flows if f.protocol == TCP)
    short = _short(foreign) if ethernet else []
    measured = {
        "jumbo_frames": sum(f.giants for f in long),
        "longest_bytes": max((f.longest for f in facts.tally.flows), default=0),
        "long_tcp_frames": joined,
        "short_frames": sum(f.runts for f in facts.tally.flows),
        "short_frames_among_padded": sum(f.runts for f in short),
    }
    if not long and not short:
        if brief := enough(CHECK, facts, 1.0):
            return brief
        headline = "Every frame has a size that Ethernet allows."
        if joined:
            headline = "No jumbo frames. The long TCP frames were cut or joined by the capturing computer."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    # What is flooded reaches devices that cannot take it; two that agreed on jumbo frames may use them between them.
    flooded = [f for f in long if f.cast != "unicast"]
    bad = sorted(long, key=lambda f: -f.giants) + sorted(short, key=lambda f: -f.runts)
    if long:
        headline = f"{count_text(sum(f.giants for f in long))} jumbo frames, up to {max(f.longest for f in long)} bytes"
        headline += ", go to everyone." if flooded else "."
    else:
        count = sum(f.runts for f in short)
        headline = (
            f"{count_text(count)} {'frame is' if count == 1 else 'frames are'} shorter than Ethernet allows."
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL if flooded else Outcome.CAUTION,
        headline,
        evidence=tuple(
            Evidence(
                f"{count_text(f.giants or f.runts)} frames of {what(f)} from {who(f.source, f.source_ip)}, "
                f"{f.longest if f.giants else f.shortest} bytes without check sequence",
                frame=f.first_frame,
                time_s=f.first_s,
            )
            for f in bad[:6]
        ),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(f.source for f in bad if f.source))[:16],
        spans=((min(f.first_s for f in bad), max(f.last_s for f in bad)),),
    )


def _short(foreign: list[Flow]) -> list[Flow]:
    """Flows with short frames, where the others show that frames are padded here: ARP and short IP packets come with 60
    bytes, and none unpadded."""
    usual = [f for f in foreign if f.ethertype in (ARP, IPV4, IPV6)]
    unpadded = sum(f.runts > 0 for f in usual)
    padded = sum(f.shortest == PADDED for f in usual)
    if unpadded or not padded:
        return []
    return [f for f in foreign if f.runts]
