"""Whether what comes through comes in time: how much longer than the quickest a frame took."""

from preflight.between.facts import Path
from preflight.checks.asks import Places
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.paths import (
    CABLE_BETWEEN,
    HALVE,
    PORT_COUNTERS,
    SHOWN,
    TAKE_AGAIN,
    called,
    ends,
    judged_paths,
    titles,
)
from preflight.checks.step import before_doors, managed, now

FULL = now(
    "Look for a full or slow port on the way: a link at 100 Mb/s or half duplex, a file copy, a mirror."
)
PRIORITY = managed(before_doors("Give the audio its priority on every switch between the two places."))
BUFFER = "Until then: raise the receive buffer (link offset) of the receivers above the value shown."

CHECK = Check(
    name="between-delay",
    subject="between",
    order=364,
    asks=Places,
    question="Does everything come through in time?",
    looks_at=(
        "Packet delay variation: how much longer each frame took from one place to the other than the "
        "quickest of its flow. Frames whose content repeats are left out. The true time on the way shows "
        "only where both captures have one clock."
    ),
    why="What comes later than the receiver waits is lost to the audio.",
    limits=(
        Limit(
            "late_ms",
            1,
            "ms beyond the quickest, unless --buffer gives another",
            "common practice: one packet time of AES67",
        ),
        Limit("late_frames", 0, "frames of a flow that may be later", "common practice"),
        Limit("fail_ms", 20, "ms that receivers are advised to even out at most", "AES67 7.6 (from memory)"),
        Limit("bend_ms", 0.5, "ms that the clocks may stray from an even drift", "common practice"),
    ),
    sources=("RFC 5481: packet delay variation", "RFC 3393"),
    fixes=(FULL, PRIORITY, CABLE_BETWEEN, PORT_COUNTERS, BUFFER, HALVE, TAKE_AGAIN),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Capture both places by one computer with two adapters: it has one clock.",
)


def judge(view: Places, limits: Limits) -> Says:
    between = view.between
    clocks = between.clocks
    paths = [path for path in judged_paths(between) if path.timed]
    if clocks is None or not paths:
        yield unproven(
            "Nothing that passes both places has a content of its own, by which it could be timed."
        )
        return
    late_ms = 1000 * between.late_s or limits["late_ms"]
    slowest = max(paths, key=lambda path: path.spread_s)
    yield Measured(
        {
            "late_ms": late_ms,
            "late": sum(path.late for path in paths),
            "most_ms": round(1000 * slowest.spread_s, 6),
            "least_true_ms": _true_ms(paths) if clocks.one else None,
        }
    )
    if not clocks.one and clocks.bend_s * 1000 > limits["bend_ms"]:
        yield unproven(
            f"The two clocks do not run evenly against each other: by {1000 * clocks.bend_s:.2f} ms. One of "
            "them was set, or is being steered, so that late frames cannot be told."
        )
        return
    late = sorted((p for p in paths if p.late > limits["late_frames"]), key=lambda p: -p.spread_s)
    if late:
        failed = 1000 * slowest.spread_s > max(limits["fail_ms"], late_ms)
        yield trouble(
            Outcome.FAIL if failed else Outcome.CAUTION,
            f"{counted(sum(path.late for path in late), 'frame')} of {titles(late, 'flow')} came more than "
            f"{late_ms:g} ms late, up to {1000 * slowest.spread_s:.2f} ms.",
            [_evidence(view, path) for path in late[:SHOWN]],
            spans=[(path.first_late.at_s, max(path.spread_at.at_s, path.first_late.at_s)) for path in late],
        )
    true = f" The least time on the way is {_true_ms(paths):.3f} ms." if clocks.one else ""
    yield passed(
        f"Everything came through within {1000 * slowest.spread_s:.3f} ms of the quickest of its flow.{true}",
        [_evidence(view, slowest)],
    )


def _true_ms(paths: list[Path]) -> float:
    """The least time on the way, whichever way it was; of one clock."""
    return min(1000 * min(abs(path.least_s or 0.0), abs(path.most_s or 0.0)) for path in paths)


def _evidence(view: Places, path: Path) -> Evidence:
    (near, _), (far, _) = ends(view.between, path)
    seen = path.spread_at
    frames = (seen.b, seen.a) if near == "B" else (seen.a, seen.b)
    return Evidence(
        f"{called(path)}: frame {frames[0]} of {near} came as frame {frames[1]} of {far}, "
        f"{1000 * path.spread_s:.3f} ms after the quickest (mean {1000 * path.mean_s:.3f} ms)",
        None,
        seen.at_s,
    )
