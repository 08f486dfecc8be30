"""The archive's rows as Parquet, in a folder or in object storage, in segments that are added, merged and
never changed.

A segment is a folder with a Parquet file for each table that has rows in it. It counts from the moment when
its marker, `segments/<name>.json`, stands beside it, which is written last; a marker that was cut short
counts as none. A merged segment's marker names those that it replaces, which no longer count from then on,
and are then deleted. So whatever ends at whatever moment, each reader sees all that was added, and a capture
that stands in two segments counts as it was judged last. Nobody has to lock anything: two that add at once
may judge a capture twice, and no harm is done.
"""

import json
import os
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache
from typing import IO, TYPE_CHECKING, Any

from preflight import __version__
from preflight.archive import ArchiveError
from preflight.archive.columns import SCHEMA, TABLES, Rows
from preflight.archive.place import is_local, opened, reason
from preflight.text import clean

if TYPE_CHECKING:
    import pyarrow

FORSAKEN_NS = (
    24 * 3600 * 1_000_000_000
)  # a segment without a marker is somebody's who writes it, or who was killed


@dataclass(frozen=True)
class Segment:
    """`rows` are how many of each table are in it."""

    name: str
    rows: dict[str, int]
    replaces: tuple[str, ...] = field(default=())


class Store:
    """The archive at a place. It is made when the first rows are written."""

    def __init__(self, place: str) -> None:
        self.place = clean(place, 200)
        self.fs, self.root = opened(place)
        self.is_local = is_local(self.fs)
        if self.is_local:
            self.fs.auto_mkdir = True

    def path(self, segment: str, table: str) -> str:
        """Where a segment's table lies, as fsspec and DuckDB both know it."""
        path = f"{self.root}/segments/{segment}/{table}.parquet"
        return path if self.is_local else self.fs.unstrip_protocol(path)

    def segments(self) -> list[Segment]:
        """Those that count, the oldest first. Raises ArchiveError."""
        with self._told("cannot be read"):
            found = [segment for name in self._names(".json") if (segment := self._segment(name))]
        replaced = {name for segment in found for name in segment.replaces}
        return [segment for segment in found if segment.name not in replaced]

    def _names(self, ending: str) -> list[str]:
        """What lies beside one another in `segments/` and ends so, without the ending, sorted."""
        try:
            paths = self.fs.ls(f"{self.root}/segments", detail=False)
        except FileNotFoundError:
            return []
        names = [path.rstrip("/").rpartition("/")[2] for path in paths]
        return sorted(name.removesuffix(ending) for name in names if name.endswith(ending))

    def _segment(self, name: str) -> Segment | None:
        try:
            told = json.loads(self.fs.cat_file(f"{self.root}/segments/{name}.json"))
            schema = int(told["schema"])
            segment = Segment(name, {t: int(n) for t, n in told["rows"].items()}, tuple(told["replaces"]))
        except (FileNotFoundError, ValueError, KeyError, TypeError, AttributeError):
            return None
        if schema > SCHEMA:
            raise ArchiveError(
                f"{self.place}: was written by a newer preflight (schema {schema}, this one knows "
                f"{SCHEMA}); update preflight"
            )
        return segment

    def add(self, rows: Rows) -> Segment | None:
        """Write rows as a new segment. Raises ArchiveError."""
        tables = tables_of(rows)
        return self.add_tables({table: [made] for table, made in tables.items()}) if tables else None

    def add_tables(
        self,
        tables: "Mapping[str, Iterable[pyarrow.Table]]",
        replaces: Sequence[str] = (),
    ) -> Segment:
        """Write a segment, each table in pieces. Raises ArchiveError."""
        from pyarrow import parquet

        name = f"{time.time_ns():019d}-{os.urandom(4).hex()}"
        counted: dict[str, int] = {}
        with self._told("cannot be written"):
            for table, pieces in tables.items():
                written = 0
                with (
                    self._file(self.path(name, table)) as file,
                    parquet.ParquetWriter(file, arrow_schema(table), compression="zstd") as writer,
                ):
                    for piece in pieces:
                        writer.write_table(piece)
                        written += piece.num_rows
                counted[table] = written
            marker = {"schema": SCHEMA, "tool": __version__, "rows": counted, "replaces": list(replaces)}
            with self._file(f"{self.root}/segments/{name}.json") as file:
                file.write(json.dumps(marker).encode())
        return Segment(name, counted, tuple(replaces))

    def remove(self, names: Sequence[str]) -> None:
        """Delete segments that are replaced: the markers first, so that none is left that names missing
        files."""
        with self._told("cannot be tidied"):
            for name in names:
                self._delete(f"{self.root}/segments/{name}.json")
            for name in names:
                self._delete(f"{self.root}/segments/{name}", recursive=True)

    def sweep(self) -> None:
        """Delete what those that were killed have left: replaced segments, and old ones that never got a
        marker."""
        with self._told("cannot be tidied"):
            found = {name: self._segment(name) for name in self._names(".json")}
            folders = [name for name in self._names("") if not name.endswith(".json")]
        replaced = {name for segment in found.values() if segment for name in segment.replaces}
        old = f"{time.time_ns() - FORSAKEN_NS:019d}"
        forsaken = {name for name in folders if not found.get(name) and name < old}
        self.remove(sorted(replaced & (found.keys() | set(folders)) | forsaken))

    def _delete(self, path: str, recursive: bool = False) -> None:
        with suppress(FileNotFoundError):  # somebody else was quicker
            self.fs.rm(path, recursive=recursive)

    @contextmanager
    def _file(self, path: str) -> Iterator[IO[bytes]]:
        """A new file that is on the disk when this is over."""
        with self.fs.open(path, "wb") as file:
            yield file
            if self.is_local:
                file.flush()
                os.fsync(file.fileno())

    @contextmanager
    def _told(self, what: str) -> Iterator[None]:
        try:
            yield
        except ArchiveError:
            raise
        except Exception as error:  # each kind of storage has its own
            raise ArchiveError(f"{self.place}: the archive {what}: {reason(error)}") from None


def tables_of(rows: Rows) -> "dict[str, pyarrow.Table]":
    """Of each table that has rows. Raises what pyarrow raises where Parquet cannot hold one."""
    import pyarrow

    return {
        table: pyarrow.Table.from_pylist(list(of_it), schema=arrow_schema(table))
        for table, of_it in rows.items()
        if of_it
    }


@cache
def arrow_schema(table: str) -> Any:
    import pyarrow as pa

    kinds = {
        "text": pa.string(), "texts": pa.list_(pa.string()), "int": pa.int64(), "float": pa.float64(), "bool": pa.bool_(),
        "moment": pa.timestamp("us"),
    }  # fmt: skip
    told = {"preflight_schema": str(SCHEMA), "preflight": __version__}
    return pa.schema([(name, kinds[kind]) for name, kind in TABLES[table].items()], metadata=told)
