"""Adding captures: look at the places, leave out what is known, have the rest judged, write down each a
moment after it is done."""

import json
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING, Any

from preflight import __version__
from preflight.archive import ArchiveError, rows
from preflight.archive.cluster import ENDED, Client, judge_on
from preflight.archive.columns import Row, Rows
from preflight.archive.judge import Judged, Parcel, completed, name_of, new
from preflight.archive.library import Library
from preflight.archive.marks import marks
from preflight.archive.place import INSIDE, Found, captures_in, digest, outermost, reached
from preflight.archive.store import Store, tables_of
from preflight.archive.tidy import tidy

if TYPE_CHECKING:
    import pyarrow

WRITE_S = 1.5  # a segment for each parcel would keep this process from handing out the next
Tell = Callable[[int, int], None]  # captures done, and their bytes


@dataclass
class Looked:
    """What there is to do: `wanted` are to be judged, `known` and `others` are how many are in the archive as
    they are, and how many files have no capture's name. `troubles` are places that cannot be looked at."""

    wanted: list[Found] = field(default_factory=list)
    known: int = 0
    others: int = 0
    troubles: list[str] = field(default_factory=list)
    by_capture: dict[str, Sequence[str]] = field(default_factory=dict)
    by_size: dict[int, list[str]] = field(default_factory=lambda: defaultdict(list))


@dataclass
class Added:
    """What came of it. `again` were judged again by what has changed; `known` turned out to be in the archive
    when they were read; `troubles` are files that cannot be read, `unreadable` captures that cannot be
    judged, with the reason."""

    new: int = 0
    again: int = 0
    known: int = 0
    verdicts: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    unreadable: list[tuple[str, str]] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    def count(self, judged: Judged, of_it: Rows) -> None:
        """Take note of a capture that was judged, by its rows."""
        (row,) = of_it["captures"]
        self.again += bool(judged.by)
        self.new += not judged.by
        self.verdicts[str(row["verdict"])] += 1
        if row["unreadable"]:
            self.unreadable.append((str(row["name"]), str(row["unreadable"])))


def look(store: Store, places: Sequence[str], limit_s: float) -> Looked:
    """What of `places` is not in the archive yet, or was judged by other checks than today's. Without places,
    all that the archive knows of are looked at. Raises ArchiveError where the archive cannot be read."""
    looked = Looked()
    with Library(store) as library:
        for row in library.ask(
            "select capture, bytes, tool, marks, unreadable, too_slow, limit_s from captures"
        ):
            checks = _to_judge(row, limit_s)
            if checks is not None:
                looked.by_capture[row["capture"]] = checks
                looked.by_size[row["bytes"]].append(row["capture"])
        lying = {
            row["place"]: (row["bytes"], row["stamp"], row["capture"])
            for row in library.ask("select * from places order by seen_ns")
        }

    def is_known(found: Found) -> bool:
        size, stamp, capture = lying.get(found.known_as, (0, "", ""))
        unchanged = bool(capture) and (size, stamp) == (found.bytes, found.stamp)
        return unchanged and looked.by_capture.get(capture) == ()

    every = [Found(place, size, stamp) for place, (size, stamp, _) in lying.items()]
    found: dict[Found, None] = {}
    if not places:
        # What lies in an archive is looked for there again.
        aside = {outermost(one.place) for one in every if INSIDE in one.place and not is_known(one)}
        found = {
            one: None for one in every if not any(one.place.startswith(place + INSIDE) for place in aside)
        }
        places = [place for place in aside if place not in lying]
    for place in places:
        try:
            here = captures_in(place)
        except ArchiveError as error:
            looked.troubles.append(str(error))
            continue
        found |= dict.fromkeys(here.captures)
        looked.others += here.others
        looked.troubles += here.troubles
    looked.wanted = sorted((one for one in found if not is_known(one)), key=lambda one: -one.bytes)
    looked.known = len(found) - len(looked.wanted)
    return looked


def _to_judge(row: Mapping[str, Any], limit_s: float) -> Sequence[str] | None:
    """By which checks a capture of the archive is to be judged again; None where it is to be read as if it
    were new."""
    if _version(row["tool"]) > _version(__version__):
        return ()
    then, now = json.loads(row["marks"]), marks()
    changed = [check for check, mark in now.items() if then.get(check) != mark]
    if len(changed) == len(now) or then.keys() - now.keys() or (changed and row["unreadable"]):
        return None
    if row["too_slow"] and row["limit_s"] < limit_s:
        return None
    return tuple(changed)


def _version(text: str) -> tuple[int, ...]:
    return tuple(int(part) if part.isdigit() else 0 for part in text.split("."))


def add(store: Store, looked: Looked, client: Client, limit_s: float, tell: Tell) -> Added:
    """Judge what is wanted. Each batch of captures is in the archive before it is told as done. Raises
    ArchiveError."""
    added = Added()
    done: dict[str, None] = {}
    segments = store.segments()
    batch: list[Parcel] = []
    since = time.monotonic()

    def write() -> None:
        nonlocal segments
        tables = _tables(store, [_ended(parcel, limit_s) for parcel in batch], done, added)
        if tables:
            segments = tidy(store, [*segments, store.add_tables(tables)])

    def told() -> None:
        founds = [judged.found for parcel in batch for judged in parcel.judged]
        tell(len(founds), sum(found.bytes for found in founds))

    try:
        for parcel in judge_on(client, looked.wanted, looked.by_capture, looked.by_size, limit_s):
            if parcel.judged:
                batch.append(parcel)
            if batch and time.monotonic() - since < WRITE_S:
                continue
            if batch:
                write()
            told()
            batch, since = [], time.monotonic()
    finally:  # Ctrl-C, too, loses nothing that was done
        if batch:
            write()
    told()
    return added


def _ended(parcel: Parcel, limit_s: float) -> Parcel:
    """One that ended its workers is known by its bytes all the same: they are only counted here, not
    judged."""
    if parcel.judged[0].trouble != ENDED:
        return parcel
    found = parcel.judged[0].found
    try:
        with reached([found]) as (place,):
            capture = digest(place)
    except ArchiveError as error:
        return Parcel([Judged(found, "", {}, trouble=str(error))])
    ended = new(found, capture, rows.unreadable(capture, name_of(found), found.bytes, limit_s, ENDED))
    return Parcel([ended], ended.tables)


def _tables(
    store: Store, batch: Sequence[Parcel], done: dict[str, None], added: Added
) -> "dict[str, list[pyarrow.Table]]":
    """What to write of a batch, each table in one piece; `done` are the captures that this run has judged so
    far."""
    import pyarrow

    made: dict[str, list[Row]] = defaultdict(list)
    tables: dict[str, list[pyarrow.Table]] = defaultdict(list)
    kept = _kept(store, [judged.capture for parcel in batch for judged in parcel.judged if judged.by])
    for parcel in batch:
        twice: list[str] = []
        for judged in parcel.judged:
            if judged.trouble:
                added.troubles.append(judged.trouble)
                continue
            made["places"].append(_place(judged))
            if not judged.rows or judged.capture in done:
                added.known += 1
                twice += [judged.capture] if judged.rows else []
                continue
            done[judged.capture] = None
            of_it = completed(judged, kept[judged.capture]) if judged.by else judged.rows
            added.count(judged, of_it)
            if judged.by:
                for table, rows_of_it in of_it.items():
                    made[table] += rows_of_it
        for table, ready in parcel.tables.items():
            tables[table].append(_without(twice, ready))
    for table, of_them in tables_of(made).items():
        tables[table].append(of_them)
    return {table: [pyarrow.concat_tables(of_them)] for table, of_them in tables.items()}


def _kept(store: Store, again: Sequence[str]) -> defaultdict[str, list[Row]]:
    """What was found in captures that are judged again."""
    kept: defaultdict[str, list[Row]] = defaultdict(list)
    if again:
        with Library(store) as library:
            for row in library.ask("select * from findings where capture in (select unnest(?))", [again]):
                kept[row["capture"]].append(row)
    return kept


def _without(captures: Sequence[str], table: "pyarrow.Table") -> "pyarrow.Table":
    if not captures:
        return table
    from pyarrow import concat_tables

    # Each capture's rows are a slice. pyarrow's own filter takes a tenth of a second to load.
    left, at = [table.slice(0, 0)], 0
    for capture, rows_of_it in groupby(table["capture"].to_pylist()):
        count = len(list(rows_of_it))
        left += [] if capture in captures else [table.slice(at, count)]
        at += count
    return concat_tables(left)


def _place(judged: Judged) -> Row:
    return {
        "capture": judged.capture,
        "place": judged.found.known_as,
        "bytes": judged.found.bytes,
        "stamp": judged.found.stamp,
        "seen_ns": time.time_ns(),
    }
