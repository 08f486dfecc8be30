"""Every planned stream over every link that it crosses, with all that a frame costs on the cable."""

from preflight.checks.asks import Plan
from preflight.checks.rule import Check, Limit
from preflight.checks.say import listed
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.rig.budget import LARGEST_PACKET, Way, packet

CHECK = Check(
    name="trunk-budget",
    subject="plan",
    order=410,
    asks=Plan,
    question="Do the streams fit through every link, each way?",
    looks_at=(
        "The sum of the rig sheet's streams on each link and each way of it. Headers of RTP, UDP, IP and Ethernet, tags, check "
        "sequence, preamble and gap count too. Also after an engine or a link has failed."
    ),
    why="A link that is nearly full has no room for bursts: frames wait, then are dropped.",
    limits=(
        Limit(
            "share", 0.70, "share of the link", "common practice; frame overhead: IEEE 802.3, RFC 5180 A.1"
        ),
        Limit("packet_bytes", LARGEST_PACKET, "bytes of an IP packet", "IEEE 802.3 clause 3.2.7, RFC 894"),
    ),
    sources=("RFC 3550, RFC 768, RFC 791, IEEE 802.3, IEEE 802.1Q: bytes beside the audio",),
    fixes=(
        "Use a faster link there: 10 Gb/s fibre between the switches.",
        "Send less over it: move a device to the other switch, or send each stream only where it is needed.",
        "Turn IGMP snooping on, on every switch, with one querier.",
        "Longer packets carry the same audio with fewer headers, and with more delay.",
    ),
    unproven="Write its streams on it.",
)


def judge(plan: Plan, limits: Limits) -> Says:
    budget, most = plan.budget, limits["share"]
    if not plan.sheet.stream:
        yield unproven("The rig sheet has no streams.")
        return
    full = [way for way in budget.ways if way.share > most]
    for way in full:
        yield fail(f"{_fullness(way)}.")
    for stream in plan.sheet.stream:
        if (size := packet(stream).ip) > limits["packet_bytes"]:
            yield fail(
                f"“{stream.name}” does not fit in a packet: it takes {size} bytes, {limits['packet_bytes']:g} is the most. "
                "Fewer channels or a shorter packet time."
            )
    if len(budget.unplugged) == len(plan.sheet.device):  # a draft, of what was heard
        where = f"The rig sheet does not tell where {listed(budget.unplugged)} is plugged in."
        yield unproven(where, fixes=["Write the port of each device on the rig sheet."])
        return
    for name, receiver in budget.cut_off:
        yield fail(f"“{name}” has no way to {receiver}.")
    then = [(failure.busiest, failure.what) for failure in budget.failures if failure.busiest]
    for way, what in sorted(then, key=lambda pair: -pair[0].share):
        if way.share > most and not full:
            yield caution(f"If {what} fails, {_fullness(way)}.")
    yield Measured(
        {
            "busiest_share": round(budget.ways[0].share, 4) if budget.ways else 0.0,
            "too_full": [way.name for way in full],
            "streams_cut_off": len(budget.cut_off),
        }
    )
    for way in budget.ways[:1]:  # the fullest
        yield passed(
            f"The fullest link, {_fullness(way)}. Up to {most:.0%}, {most - way.share:.1%} are left."
        )


def _fullness(way: Way) -> str:
    return f"{way.name} is {way.share:.1%} full ({way.bits_per_s / 1e6:.1f} of {way.capacity_mbps} Mb/s)"
