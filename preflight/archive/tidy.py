"""Merging segments, so that there are few files however captures come.

Segments of about the same size are merged once there are enough of them, so that a row is written anew only a
few times in its life. When all is added, what is small is merged once more, and so is what holds superseded
rows.
"""

from preflight.archive.columns import TABLES
from preflight.archive.library import Library, Vanished
from preflight.archive.store import Segment, Store

SIZES = (64, 1024, 16384)  # captures; larger segments are left as they are
TOGETHER = 16


def tidy(store: Store, segments: list[Segment]) -> list[Segment]:
    """Merge where there are many alike. Returns the segments after it."""
    for below in SIZES:
        above = SIZES[SIZES.index(below) - 1] if below != SIZES[0] else 0
        alike = [s for s in segments if above <= s.rows.get("captures", 0) < below]
        if len(alike) >= TOGETHER:
            merged = _merge(store, alike, segments)
            segments = [s for s in segments if s not in alike] + ([merged] if merged else [])
    return segments


def settle(store: Store) -> None:
    """Merge all that is small, and all that holds rows of a capture that was judged again since."""
    store.sweep()
    segments = store.segments()
    with Library(store, segments) as library:
        live = {
            row["segment"]: row["n"]
            for row in (
                library.ask("select segment, count(*) n from live group by 1") if library.superseded else ()
            )
        }

    def superseded(segment: Segment) -> bool:
        return bool(live) and live.get(segment.name, 0) < segment.rows.get("captures", 0)

    wanted = [s for s in segments if s.rows.get("captures", 0) < SIZES[-1] or superseded(s)]
    if len(wanted) > 1 or any(superseded(s) for s in wanted):
        _merge(store, wanted, segments)


def _merge(store: Store, segments: list[Segment], among: list[Segment]) -> Segment | None:
    """One segment of several. None where somebody else merges them at this moment."""
    names = [segment.name for segment in segments]
    try:
        with Library(store, among, only=segments) as library:
            filled = [table for table in TABLES if any(segment.rows.get(table) for segment in segments)]
            merged = store.add_tables({table: library.pieces(table) for table in filled}, names)
    except Vanished:
        return None
    store.remove(names)
    return merged
