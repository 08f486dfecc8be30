"""Two captures held against each other, in words and for scripts."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from preflight.between.facts import BetweenFacts, End, Here, Lone, Path, Seen
from preflight.checks.say import count_text
from preflight.checks.see.paths import called
from preflight.report.result import moment

if TYPE_CHECKING:
    from preflight.report.record import (
        BetweenRecord,
        EndRecord,
        HeldPathRecord,
        HereRecord,
        LoneRecord,
        SeenRecord,
    )

MOST_ROWS = 200  # a flood of made-up flows must not fill the file


def summary(between: BetweenFacts) -> str:
    """What was compared, in one sentence or two."""
    sizes = f"A: {count_text(between.a.frames)} frames. B: {count_text(between.b.frames)} frames."
    if between.clocks is None:
        return sizes
    clocks = between.clocks
    apart = (
        "one clock"
        if clocks.one
        else f"B's clock {clocks.offset_s:+.6f} s (±{clocks.uncertainty_s * 1e6:.1f} µs) and "
        f"{clocks.drift_ppm:+.2f} ppm against A's"
    )
    return (
        f"{sizes} {count_text(between.matched)} are in both, which overlap for {between.common_s:.1f} s; "
        f"{apart}. Times are seconds from A's first frame."
    )


def rows(between: BetweenFacts, spelt: Callable[[str], str]) -> list[tuple[str, ...]]:
    """What became of each flow, the heads first; those with the most frames come first. `spelt` puts names
    where devices are mentioned."""
    head: tuple[str, ...] = (
        "Flow",
        "Way",
        "Through",
        "Lost",
        "Never came",
        "Missed by a capture",
        "Late",
        "Out of order",
        "Doubled",
        "Slowest",
    )
    if between.pair:
        head = (
            "Stream",
            "In both",
            "Missing in B",
            "In neither",
            "Missing in A",
            "Late",
            "Out of order",
            "Doubled",
            "Furthest",
        )
    return [head, *(_row(path, between.pair, spelt) for path in between.paths[:MOST_ROWS])]


def _row(path: Path, pair: bool, spelt: Callable[[str], str]) -> tuple[str, ...]:
    sent, got = (path.a, path.b) if pair else (path.sent, path.got)
    return (
        spelt(called(path)),
        *(() if pair else (path.way or "not known",)),
        count_text(path.matched),
        count_text(sent.only),
        count_text(path.never),
        count_text(got.only),
        count_text(path.late),
        count_text(path.reordered),
        count_text(got.doubled),
        f"{1000 * path.spread_s:.3f} ms" if path.timed else "not timed",
    )


def as_dict(between: BetweenFacts) -> "BetweenRecord":
    clocks = between.clocks
    return {
        "pair": between.pair,
        "a": _end(between.a),
        "b": _end(between.b),
        "clocks": None
        if clocks is None
        else {
            "one": clocks.one,
            "offset_s": round(clocks.offset_s, 9),
            "uncertainty_s": round(clocks.uncertainty_s, 9),
            "drift_ppm": round(clocks.drift_ppm, 4),
            "bend_s": round(clocks.bend_s, 9),
            "contents": clocks.contents,
        },
        "common_s": between.common_s,
        "matched": between.matched,
        "patience_s": between.patience_s,
        "late_s": between.late_s,
        "paths": [_path(path) for path in between.paths[:MOST_ROWS]],
    }


def _end(end: End) -> "EndRecord":
    return {
        "name": end.name,
        "frames": end.frames,
        "first_s": end.first_s,
        "last_s": end.last_s,
        "first_frame_at": moment(end.source.first_ns),
        "dropped": end.source.dropped,
        "cut": end.cut,
        "link_local": end.link_local,
        "no_room": end.no_room,
        "twins": end.twins,
        "lone": [_lone(each) for each in end.lone[:MOST_ROWS]],
    }


def _lone(lone: Lone) -> "LoneRecord":
    return {
        "source": lone.source,
        "destination": lone.destination,
        "source_ip": lone.source_ip,
        "destination_ip": lone.destination_ip,
        "ethertype": lone.ethertype,
        "protocol": lone.protocol,
        "destination_port": lone.destination_port,
        "rtp": lone.rtp,
        "frames": lone.frames,
        "first_frame": lone.first_frame,
    }


def _path(path: Path) -> "HeldPathRecord":
    return {
        "source": path.source,
        "destination": path.destination,
        "source_ip": path.source_ip,
        "destination_ip": path.destination_ip,
        "ethertype": path.ethertype,
        "protocol": path.protocol,
        "source_port": path.source_port,
        "destination_port": path.destination_port,
        "b_source": path.b_source,
        "b_source_ip": path.b_source_ip,
        "b_destination_ip": path.b_destination_ip,
        "rtp": path.rtp,
        "way": path.way,
        "matched": path.matched,
        "a": _here(path.a),
        "b": _here(path.b),
        "timed": path.timed,
        "least_s": path.least_s,
        "most_s": path.most_s,
        "spread_s": path.spread_s,
        "spread_at": _seen(path.spread_at),
        "mean_s": path.mean_s,
        "late": path.late,
        "first_late": _seen(path.first_late),
        "reordered": path.reordered,
        "first_reordered": _seen(path.first_reordered),
        "never": path.never,
    }


def _seen(seen: Seen) -> "SeenRecord | None":
    return {"a": seen.a, "b": seen.b, "at_s": seen.at_s} if seen.a else None


def _here(here: Here) -> "HereRecord":
    return {
        "frames": here.frames,
        "first_frame": here.first_frame,
        "first_s": here.first_s,
        "last_frame": here.last_frame,
        "last_s": here.last_s,
        "only": here.only,
        "gap_count": here.gap_count,
        "longest": here.longest,
        "alike": here.alike,
        "gaps": [
            {
                "frames": gap.frames,
                "frame": gap.frame,
                "at_s": gap.at_s,
                "end_s": gap.end_s,
                "other_before": gap.other_before,
                "other_after": gap.other_after,
            }
            for gap in here.gaps
        ],
        "at_the_end": here.ending.frames,
        "doubled": here.doubled,
        "more": here.more,
    }
