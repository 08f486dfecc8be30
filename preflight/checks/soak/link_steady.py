"""A link that a soak holds for hours stays up, at one speed.

What a look at the computer cannot show: how often the link went down over hours, and whether it came back at another
speed. Asked after a soak only; link-up and link-speed judge how it stands.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, span_text, when
from preflight.facts import Facts
from preflight.soak.facts import NS, SoakFacts

CHECK = Check(
    name="link-steady",
    subject="soak",
    order=60,
    asks=View,
    explains=(
        Explains(("link-errors",), "culprit"),
        Explains(("capture-quality", *KEEPS_TIME), "time"),
    ),
    soak="sums",
    question="Did the link stay up, at one speed, for the whole soak?",
    looks_at=(
        "The system's count of link changes, twice a second for hours, and the speed and duplex at each look. What was not "
        "watched, as between a stop and its resumption, counts for nothing."
    ),
    why=(
        "A plug with a weak spring, a cracked cable or a tired port holds for an hour and then lets go for a second. On a show "
        "that second is heard, and receivers may need many more to come back."
    ),
    limits=(
        Limit(
            "downs", 1, "time that the link goes down in a soak", "common practice: at rest a link never does"
        ),
        Limit(
            "changes", 1, "change of speed or duplex in a soak", "common practice: at rest a link never does"
        ),
    ),
    sources=(
        "IEEE 802.3 clause 28: a link takes its speed and duplex anew only when it went down",
        "Linux, Documentation/ABI/testing/sysfs-class-net: carrier_changes",
    ),
    fixes=(
        "Was a plug touched, or the other end switched off, at the times named here? Then soak the item again.",
        "Soak again with another cable. Steady now? Then the first cable is bad: mark it, and take it out.",
        "Soak again at another switch port, then with another adapter. What the fault goes with is at fault.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Soak the item with `preflight soak run` on a computer whose system tells of the link.",
)
SHOWN = 8


def judge(facts: Facts) -> Finding | None:
    soak = facts.soak
    if soak is None:
        return None
    figures, limits = soak.figures, CHECK.values()
    measured: dict[str, object] = {
        "downs": figures.downs,
        "down_s": round(figures.down_ns / NS, 1),
        "changes": figures.changes,
        "slowest_mbps": figures.slowest_mbps,
        "fastest_mbps": figures.fastest_mbps,
    }
    uneven = figures.slowest_mbps != figures.fastest_mbps
    words = []
    if figures.downs >= limits["downs"]:
        times = "once" if figures.downs == 1 else f"{count_text(figures.downs)} times"
        words.append(f"went down {times} in {span_text(figures.watched_ns / NS)}")
    if uneven:
        words.append(f"ran at {figures.slowest_mbps} and at {figures.fastest_mbps} Mb/s")
    elif figures.changes >= limits["changes"]:
        words.append("changed its duplex")
    if words:
        return Finding(
            CHECK.name,
            Outcome.FAIL,
            f"The link of {soak.adapter} {', and '.join(words)}.",
            evidence=_seen(soak),
            measured=measured,
            limits=limits,
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
            culprits=(soak.adapter,),
            spans=_spans(soak),
        )
    if figures.slowest_mbps is None and not figures.rises.rx_frames:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            f"The system tells too little of the link of {soak.adapter}.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    speed = f" at {figures.slowest_mbps} Mb/s" if figures.slowest_mbps else ""
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"The link of {soak.adapter} stayed up{speed} for {span_text(figures.watched_ns / NS)}.",
        measured=measured,
        limits=limits,
    )


def _seen(soak: SoakFacts) -> tuple[Evidence, ...]:
    shown = [
        Evidence(f"{when(note.at_ns)}: {note.text}", time_s=(note.at_ns - soak.begun_ns) / NS)
        for note in soak.links[:SHOWN]
    ]
    if len(soak.links) > SHOWN:
        shown.append(Evidence("more of them in the log: preflight soak show"))
    if soak.figures.down_ns:
        shown.append(Evidence(f"without a link for {span_text(soak.figures.down_ns / NS)} in all"))
    return tuple(shown)


def _spans(soak: SoakFacts) -> tuple[tuple[float, float], ...]:
    """From each note of the link to the next: it says what changed, and holds until something is said anew."""
    times = [(note.at_ns - soak.begun_ns) / NS for note in soak.links]
    ends = [*times[1:], (soak.until_ns - soak.begun_ns) / NS]
    return tuple(
        (start, end if note.kind == "link-down" else start)
        for note, start, end in zip(soak.links, times, ends, strict=False)
    )
