"""How far the capture itself can be trusted: a fault in it must not be taken for a fault of the network."""

from collections.abc import Iterator

from preflight.checks.asks import Wire
from preflight.checks.cautions import PRIVACY
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Explains, Limit
from preflight.checks.say import count_text, counted
from preflight.checks.says import Limits, Measured, Says, caution, passed
from preflight.checks.see.damage import damaged, damaged_arp, damaged_headers
from preflight.checks.step import now
from preflight.tally.facts import Measure

CHECK = Check(
    name="capture-quality",
    subject="wire",
    order=520,
    asks=Wire,
    explains=(Explains(("beat-health",), "time"),),
    soak="run",
    verdict="apart",
    question="Can this capture be trusted, and what can it not show?",
    looks_at=(
        "Frames dropped by the capturing system, frames cut by the snap length, times that step back, times "
        "with no frame at all, damage in the file, and where on the network it was taken."
    ),
    why="A frame that the capture lost looks as if the network had lost it.",
    limits=(
        Limit("step_back_ms", 10, "ms that the time falls back", "common practice"),
        Limit("hole_s", 0.5, "seconds without any frame, in a capture that is busy else", "common practice"),
        Limit("busy_per_s", 100, "frames a second on average", "common practice"),
    ),
    sources=("draft-ietf-opsawg-pcapng: isb_ifdrop, isb_osdrop",),
    fixes=(
        now("Capture again: whole frames (snap length 0), to a fast disk, with nothing else running."),
        now("Set the computer's clock before, not while it captures. Let the capture end by itself."),
    ),
    cautions=(PRIVACY,),
    unproven="Listen again, long enough to hear something.",
)

HOLE = "there is a hole"
FRAMES: tuple[Measure, ...] = ("broadcast", "discovery", "multicast", "unicast")
SEES = {
    "access port": "taken at an access port: it sees what is flooded and what is meant for one station, "
    "not what passes between others",
    "mirror": "taken at a mirror port: it sees traffic between others",
}


def judge(wire: Wire, limits: Limits) -> Says:
    source = wire.source
    silent_at_s, silent_s = _silence(wire)
    notes = [Evidence(SEES[wire.vantage])] if wire.vantage in SEES else []
    if source.partial:
        notes.append(Evidence("stopped by hand: judged on what was read"))
    yield Measured(
        {
            "vantage": wire.vantage,
            "dropped": source.dropped,
            "cut": source.cut,
            "malformed": source.malformed,
            "steps_back": source.steps_back,
            "longest_gap_s": round(silent_s, 3),
        },
        tuple(notes),
    )
    faults = list(_faults(wire, silent_at_s, silent_s, limits))
    if faults:
        words = [fault for fault, _ in faults]
        yield caution(
            f"Trust this capture only in part: {', '.join(words)}.",
            [Evidence(text, time_s=silent_at_s if fault == HOLE else None) for fault, text in faults],
            # A hole that a link's fault covers needs no mending of its own; anything beside it does.
            spans=[(silent_at_s, silent_at_s + silent_s)] if words == [HOLE] else (),
        )
    yield passed(f"{counted(source.frames, 'whole frame')} in {source.duration_s:.1f} s, in order.")


def _faults(wire: Wire, silent_at_s: float, silent_s: float, limits: Limits) -> Iterator[tuple[str, str]]:
    """Each fault in a few words, and what was seen of it."""
    source, tally = wire.source, wire.tally
    if source.dropped:
        share = source.dropped / (source.frames + source.dropped)
        dropped = counted(source.dropped, "frame")
        yield (
            "frames were dropped",
            f"the capturing system dropped {dropped} ({share:.1%}): gaps prove nothing",
        )
    if source.cut:
        yield (
            "frames are cut",
            f"{count_text(source.cut)} of {counted(source.frames, 'frame')} are cut by the snap length: "
            "names and address offers in them cannot be read",
        )
    if source.steps_back and source.longest_step_back_s >= limits["step_back_ms"] / 1000:
        times = "once" if source.steps_back == 1 else counted(source.steps_back, "time")
        yield (
            "time steps back",
            f"the time steps back {times}, by up to {source.longest_step_back_s:.3f} s; times after that "
            "are counted on from there",
        )
    per_s = source.frames / source.duration_s if source.duration_s > 0 else 0.0
    busy = min(per_s, _per_s_before(wire, silent_at_s)) >= limits["busy_per_s"]
    if silent_s >= limits["hole_s"] and busy and _even(wire, silent_s):
        yield (
            HOLE,
            f"no frame at all for {silent_s:.2f} s, in a capture of {count_text(per_s)} frames/s: the "
            "capture paused, the link was down, or the senders stopped",
        )
    damage = (
        [f"{counted(source.malformed, 'frame')} or records could not be read"] if source.malformed else []
    )
    if damaged(wire):
        damage.append(
            f"bits were flipped: {counted(damaged_headers(wire), 'IP header')} with a wrong checksum or "
            f"length, {counted(damaged_arp(wire), 'ARP message')} of no known kind"
        )
    if damage:
        yield "frames are damaged", "; ".join(damage)
    if source.ended_early:
        yield "it ends early", f"reading ended early at {source.ended_early}"
    if tally.flow_overflow or tally.talker_overflow:
        yield (
            "there are too many senders or flows to list",
            f"{counted(tally.flow_overflow, 'frame')} belong to flows, {count_text(tally.talker_overflow)} "
            "to senders beyond the lists; they are counted in the rates",
        )


def _silence(wire: Wire) -> tuple[float, float]:
    """From when on no frame came for the longest time, and for how long, in seconds; live, listening went on
    after the last one."""
    source, rates = wire.source, wire.tally.rates
    if source.kind == "live" and source.first_ns is not None and source.last_ns is not None:
        last_s = (source.last_ns - source.first_ns) / 1e9
        if source.duration_s - last_s > rates.longest_gap_s:
            return last_s, source.duration_s - last_s
    return rates.longest_gap_at_s, rates.longest_gap_s


def _even(wire: Wire, silent_s: float) -> bool:
    """Whether nine in ten stretches of the time line without the hole hold frames: else silence is natural
    here."""
    rates, rows = wire.tally.rates, _frames(wire)
    return sum(row > 0 for row in rows) >= 0.9 * ((wire.source.duration_s - silent_s) / rates.width_s - 1)


def _per_s_before(wire: Wire, silent_at_s: float) -> float:
    """The pace before the silence: what had not begun yet has no hole."""
    width_s = wire.tally.rates.width_s
    whole = int(silent_at_s / width_s) + 1
    return sum(_frames(wire)[:whole]) / max(silent_at_s, width_s)


def _frames(wire: Wire) -> list[int]:
    """Frames in each row of the time line."""
    sums = wire.tally.rates.sums
    return [sum(row) for row in zip(*(sums[m] for m in FRAMES), strict=True)]
