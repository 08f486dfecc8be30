"""Every planned stream over every link that it crosses, with all that a frame costs on the cable."""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.rig.budget import LARGEST_PACKET, Way, packet

CHECK = Check(
    name="trunk-budget",
    subject="plan",
    order=410,
    asks=View,
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
)
SHOWN = 6


def judge(facts: Facts) -> Finding | None:
    if facts.budget is None or facts.sheet is None:
        return None
    limits = CHECK.values()
    budget = facts.budget
    if not facts.sheet.stream:
        return Finding(
            CHECK.name, Outcome.UNPROVEN, "The rig sheet has no streams.", fixes=("Write its streams on it.",)
        )
    giants = [s for s in facts.sheet.stream if packet(s).ip > limits["packet_bytes"]]
    full = [way for way in budget.ways if way.share > limits["share"]]
    later = [
        failure
        for failure in budget.failures
        if failure.busiest is not None and failure.busiest.share > limits["share"]
    ]
    measured = {
        "busiest_share": round(budget.ways[0].share, 4) if budget.ways else 0.0,
        "too_full": [way.name for way in full],
        "streams_cut_off": len(budget.cut_off),
    }
    evidence = [Evidence(_told(way)) for way in full[:SHOWN]]
    evidence += [
        Evidence(f"“{s.name}”: one packet has {packet(s).ip} bytes, {limits['packet_bytes']:g} is the most")
        for s in giants[:SHOWN]
    ]
    evidence += [
        Evidence(f"“{stream}” has no way to {receiver}") for stream, receiver in budget.cut_off[:SHOWN]
    ]
    if evidence:
        if full:
            headline = f"{_told(full[0])}."
        elif giants:
            headline = (
                f"“{giants[0].name}” does not fit in a packet: fewer channels or a shorter packet time."
            )
        else:
            headline = f"{len(budget.cut_off)} streams have no way to their receiver."
        return _finding(Outcome.FAIL, headline, evidence, measured, limits)
    if later:
        worst = max(later, key=lambda f: f.busiest.share if f.busiest else 0.0)
        assert worst.busiest is not None
        return _finding(
            Outcome.CAUTION,
            f"If {worst.what} fails, {_told(worst.busiest)}.",
            [Evidence(f"If {f.what} fails: {_told(f.busiest)}") for f in later[:SHOWN] if f.busiest],
            measured,
            limits,
        )
    most = budget.ways[0]
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"The fullest link, {_told(most)}. Up to {limits['share']:.0%}, {limits['share'] - most.share:.1%} are left.",
        measured=measured,
        limits=limits,
    )


def _told(way: Way) -> str:
    return f"{way.name} is {way.share:.1%} full ({way.bits_per_s / 1e6:.1f} of {way.capacity_mbps} Mb/s)"


def _finding(
    outcome: Outcome, headline: str, evidence: list[Evidence], measured: dict, limits: dict[str, float]
) -> Finding:
    return Finding(
        CHECK.name, outcome, headline, tuple(evidence), measured=measured, limits=limits, fixes=CHECK.fixes
    )
