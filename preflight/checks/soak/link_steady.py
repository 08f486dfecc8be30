"""A link that a soak holds for hours stays up, at one speed.

What a look at the computer cannot show: how often the link went down over hours, and whether it came back at
another speed. Asked after a soak only; link-up and link-speed judge how it stands.
"""

from collections.abc import Iterator

from preflight.checks.asks import Soaked
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, span_text, when
from preflight.checks.says import Limits, Measured, Says, Span, fail, passed, unproven
from preflight.checks.step import When
from preflight.soak.facts import NS, SoakFacts

CHECK = Check(
    name="link-steady",
    subject="soak",
    order=60,
    asks=Soaked,
    when=When.PLANNING,
    explains=(Explains(("link-errors",), "culprit"), Explains(("capture-quality", *KEEPS_TIME), "time")),
    soak="sums",
    question="Did the link stay up, at one speed, for the whole soak?",
    looks_at=(
        "The system's count of link changes, twice a second for hours, and the speed and duplex at each "
        "look. What was not watched, as between a stop and its resumption, counts for nothing."
    ),
    why=(
        "A plug with a weak spring, a cracked cable or a tired port holds for an hour and then lets go for "
        "a second. On a show that second is heard, and receivers may need many more to come back."
    ),
    limits=(
        Limit("downs", 1, "time that the link goes down in a soak", "common practice: at rest it never does"),
        Limit("changes", 1, "change of speed or duplex in a soak", "common practice: at rest it never does"),
    ),
    sources=(
        "IEEE 802.3 clause 28: a link takes its speed and duplex anew only when it went down",
        "Linux, Documentation/ABI/testing/sysfs-class-net: carrier_changes",
    ),
    fixes=(
        "Was a plug touched, or the other end switched off, at the times named here? Then soak the item "
        "again.",
        "Soak again with another cable. Steady now? Then the first cable is bad: mark it, and take it out.",
        "Soak again at another switch port, then with another adapter. What the fault goes with is at fault.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Soak the item with `preflight soak run` on a computer whose system tells of the link.",
)
SHOWN = 8


def judge(view: Soaked, limits: Limits) -> Says:
    soak, figures = view.soak, view.soak.figures
    slowest, fastest, watched = figures.slowest_mbps, figures.fastest_mbps, span_text(figures.watched_ns / NS)
    yield Measured(
        {
            "downs": figures.downs,
            "down_s": round(figures.down_ns / NS, 1),
            "changes": figures.changes,
            "slowest_mbps": slowest,
            "fastest_mbps": fastest,
        }
    )
    uneven = slowest != fastest  # even where it changed while nobody watched
    did = []
    if figures.downs >= limits["downs"]:
        times = "once" if figures.downs == 1 else f"{count_text(figures.downs)} times"
        did.append(f"went down {times} in {watched}")
    if max(figures.changes, uneven) >= limits["changes"]:
        did.append(f"ran at {slowest} and at {fastest} Mb/s" if uneven else "changed its duplex")
    if did:
        yield fail(
            f"The link of {soak.adapter} {', and '.join(did)}.",
            _changes(soak),
            culprits=[soak.adapter],
            spans=_spans(soak),
        )
    elif slowest is None and not figures.rises.rx_frames:
        yield unproven(f"The system tells too little of the link of {soak.adapter}.")
    else:
        speed = f" at {slowest} Mb/s" if slowest else ""
        yield passed(f"The link of {soak.adapter} stayed up{speed} for {watched}.")


def _changes(soak: SoakFacts) -> Iterator[Evidence]:
    for note in soak.links[:SHOWN]:
        yield Evidence(f"{when(note.at_ns)}: {note.text}", time_s=(note.at_ns - soak.begun_ns) / NS)
    if len(soak.links) > SHOWN:
        yield Evidence("more of them in the log: preflight soak show")
    if soak.figures.down_ns:
        yield Evidence(f"without a link for {span_text(soak.figures.down_ns / NS)} in all")


def _spans(soak: SoakFacts) -> Iterator[Span]:
    """From each note of the link to the next: it says what changed, and holds until something is said
    anew."""
    times = [(note.at_ns - soak.begun_ns) / NS for note in soak.links]
    ends = [*times[1:], (soak.until_ns - soak.begun_ns) / NS]
    for note, start, end in zip(soak.links, times, ends, strict=False):
        yield start, end if note.kind == "link-down" else start
