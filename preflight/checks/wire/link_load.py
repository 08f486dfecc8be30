"""How full the link is, with everything that a frame costs on the cable."""

from preflight.checks.asks import Wire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, counted, what, who
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.flows import shown
from preflight.checks.step import before_doors, managed, now, unmanaged
from preflight.tally.facts import Measure, Talker, TallyFacts

CHECK = Check(
    name="link-load",
    subject="wire",
    order=290,
    asks=Wire,
    explains=(Explains(KEEPS_TIME, "time"),),
    question="Is the link so full that audio has to wait?",
    looks_at=(
        "Bytes in the busiest millisecond, 100 ms and second, against the link's rate. Check sequence, "
        "preamble and gap of each frame count too."
    ),
    why="A full port holds frames back, then drops them. Audio that comes late is lost.",
    limits=(
        Limit("fail_share", 0.70, "share of the link over a full second", "common practice"),
        Limit("caution_share_100ms", 0.70, "share of the link over 100 ms", "common practice"),
        Limit("least_s", 1, "s of listening, to show that there is none", "common practice"),
    ),
    least_s="least_s",
    sources=("RFC 2544 appendix B and RFC 5180 A.1: frame rates with preamble and gap",),
    fixes=(
        now(
            "See in the list what fills the link. Stop what the show does not need: file copies, updates, "
            "video."
        ),
        managed(
            before_doors(
                "If streams fill it, send each only where it is needed: turn on IGMP snooping with one "
                "querier, on every switch."
            )
        ),
        unmanaged(before_doors("If streams fill it, use one with IGMP snooping.")),
        before_doors(
            "If it is the long cable between switches, use a faster one. A second plain cable is a loop."
        ),
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Listen for at least one second, at the port itself: a mirror adds up both ways of a cable, "
    "or several cables.",
)


def judge(wire: Wire, limits: Limits) -> Says:
    rates, copies = wire.tally.rates, wire.tally.copies
    # A cable carries both directions at once: each has the whole rate. A capture that does not tell them
    # apart is judged on both together.
    way: Measure = "bytes" if rates.peaks["bytes"].in_1s >= rates.peaks["sent_bytes"].in_1s else "sent_bytes"
    peak = rates.peaks[way]
    mirror = wire.vantage == "mirror"
    part = 0.5 if mirror and copies.pairs > 0.4 * copies.distinct else 1.0
    bits = wire.link_mbps * 1e6
    second = peak.in_1s * 8 * part / bits
    tenth = peak.in_100ms * 8 * part / (bits / 10)
    busiest = rates.busiest_ms_bytes * 8 * part / (bits / 1000)
    yield Measured(
        {
            "link_mbps": wire.link_mbps,
            "share_1s": round(second, 4),
            "share_100ms": round(tenth, 4),
            "share_1ms": round(busiest, 4),
            "queue_bytes": rates.queue_bytes,
        }
    )
    of = f"{wire.link_mbps} Mb/s" + (" (assumed: the capture does not tell)" if wire.link_assumed else "")
    failed = second >= limits["fail_share"]
    if not failed and tenth < limits["caution_share_100ms"]:
        yield passed(f"At most {second:.1%} of {of} in a second, {tenth:.1%} in 100 ms.")
        return
    if mirror:
        yield unproven(
            f"The mirror shows {max(second, tenth):.0%} of {of}; how full each cable is, it does not tell."
        )
        return
    senders = sorted(wire.tally.talkers, key=lambda t: -t.bytes)[:3]
    senders = [t for t in senders if t.bytes >= 0.1 * senders[0].bytes]
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"The link is {second:.0%} full for a second; from {limits['fail_share']:.0%} on there is no room "
        "for bursts."
        if failed
        else f"The link is {tenth:.0%} full for 100 ms.",
        [
            Evidence(f"{second:.0%} of {of} in the busiest second", time_s=peak.in_1s_at_s),
            # Capturing systems stamp frames in bunches, so that a millisecond can seem to hold more than the
            # link carries.
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
            *(_sent(talker, wire.tally) for talker in senders),
        ],
        culprits=[t.hardware for t in senders if t.hardware],
        spans=rates.spans(way, limits["fail_share"] * bits / 8)
        or [(peak.in_100ms_at_s, peak.in_100ms_at_s + 0.1)],
    )


def _sent(talker: Talker, tally: TallyFacts) -> Evidence:
    flows = [f for f in tally.flows if f.source == talker.hardware]
    sent = f"sent {talker.bytes / 1e6:.1f} MB in all"
    if not flows:  # they found no room in the tally
        return Evidence(f"{who(talker.hardware)} {sent}", talker.first_frame, talker.first_s)
    most = max(flows, key=lambda f: f.bytes)
    many = counted(len(flows), "flow")
    return shown(f"{who(talker.hardware, most.source_ip)} {sent}, in {many}; the largest: {what(most)}", most)
