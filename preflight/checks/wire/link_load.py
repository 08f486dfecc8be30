"""How full the link is, with everything that a frame costs on the cable."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts

CHECK = Check(
    name="link-load",
    subject="wire",
    order=290,
    asks=View,
    explains=(Explains(KEEPS_TIME, "time"),),
    question="Is the link so full that audio has to wait?",
    looks_at=(
        "Bytes in the busiest millisecond, 100 ms and second, against the link's rate. Check sequence, preamble and gap of "
        "each frame count too."
    ),
    why="A full port holds frames back, then drops them. Audio that comes late is lost.",
    limits=(
        Limit("fail_share", 0.70, "share of the link over a full second", "common practice"),
        Limit("caution_share_100ms", 0.70, "share of the link over 100 ms", "common practice"),
        Limit("overhead", 24, "bytes a frame beside those captured", "IEEE 802.3; RFC 2544 B, RFC 5180 A.1"),
    ),
    sources=("RFC 2544 appendix B and RFC 5180 A.1: frame rates with preamble and gap",),
    fixes=(
        "See in the list what fills the link. Stop what the show does not need: file copies, updates, video.",
        "If streams fill it, send each only where it is needed: turn on IGMP snooping with one querier, on every switch.",
        "If it is the long cable between switches, add a second one only as a link aggregation, never as a plain cable.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for at least one second, at the port itself: a mirror adds up both ways of a cable, or several cables.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    rates = facts.tally.rates
    # A cable carries both directions at once: each has the whole rate. A capture that does not tell them apart is
    # judged on both together.
    way = "bytes" if rates.peaks["bytes"].in_1s >= rates.peaks["sent_bytes"].in_1s else "sent_bytes"
    peak = rates.peaks[way]  # type: ignore[index]
    mirror = facts.vantage == "mirror"
    part = 0.5 if mirror and facts.tally.copies.pairs > 0.4 * facts.tally.copies.distinct else 1.0
    bits = facts.link_mbps * 1e6
    second = peak.in_1s * 8 * part / bits
    tenth = peak.in_100ms * 8 * part / (bits / 10)
    busiest = rates.busiest_ms_bytes * 8 * part / (bits / 1000)
    limits = CHECK.values()
    measured = {
        "link_mbps": facts.link_mbps,
        "share_1s": round(second, 4),
        "share_100ms": round(tenth, 4),
        "share_1ms": round(busiest, 4),
        "queue_bytes": rates.queue_bytes,
    }
    of = f"{facts.link_mbps} Mb/s" + (" (assumed: the capture does not tell)" if facts.link_assumed else "")
    failed = second >= limits["fail_share"]
    if not failed and tenth < limits["caution_share_100ms"]:
        if short := enough(CHECK, facts, 1.0):
            return short
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"At most {second:.1%} of {of} in a second, {tenth:.1%} in 100 ms.",
            measured=measured,
            limits=limits,
        )
    if mirror:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            f"The mirror shows {max(second, tenth):.0%} of {of}; how full each cable is, it does not tell.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    evidence = [
        Evidence(f"{second:.0%} of {of} in the busiest second", time_s=peak.in_1s_at_s),
        # Capturing systems stamp frames in bunches, so that a millisecond can seem to hold more than the link carries.
        Evidence(
            "the busiest millisecond is full"
            if busiest >= 1
            else f"{busiest:.0%} in the busiest millisecond",
            time_s=rates.busiest_ms_at_s,
        ),
        Evidence(
            f"a port at this rate would have had to hold back {count_text(rates.queue_bytes)} bytes, "
            f"{rates.queue_bytes * 8 / bits * 1000:.2f} ms of the link",
            time_s=rates.queue_at_s,
        ),
    ]
    senders = sorted(facts.tally.talkers, key=lambda t: -t.bytes)[:3]
    senders = [t for t in senders if t.bytes >= 0.1 * senders[0].bytes]
    for sender in senders:
        flows = [f for f in facts.tally.flows if f.source == sender.hardware]
        most = max(flows, key=lambda f: f.bytes, default=None)
        evidence.append(
            Evidence(
                f"{who(sender.hardware, most.source_ip if most else '')} sent {sender.bytes * part / 1e6:.1f} MB in all"
                + (
                    f", in {count_text(len(flows))} {'flow' if len(flows) == 1 else 'flows'}; the largest: {what(most)}"
                    if most
                    else ""
                ),
                frame=most.first_frame if most else sender.first_frame,
                time_s=most.first_s if most else sender.first_s,
            )
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"The link is {second:.0%} full for a second; from {limits['fail_share']:.0%} on there is no room for bursts."
        if failed
        else f"The link is {tenth:.0%} full for 100 ms.",
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(sender.hardware for sender in senders if sender.hardware),
        spans=rates.spans(way, limits["fail_share"] * bits / 8)  # type: ignore[arg-type]
        or ((peak.in_100ms_at_s, peak.in_100ms_at_s + 0.1),),
    )
