"""Questions to an archive, by DuckDB over the Parquet files as they lie: nothing is loaded beforehand.

A view stands for each table. A capture that was judged more than once counts as it was judged last, and so do
its rows in the other tables: `live` says which segment that is. DuckDB is told to fetch no extension of its
own: it never asks the network for one.
"""

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from preflight.archive import ArchiveError
from preflight.archive.columns import OF_A_JUDGING, SQL, TABLES, Row
from preflight.archive.place import reason
from preflight.archive.store import Segment, Store
from preflight.text import clean

if TYPE_CHECKING:
    import pyarrow

SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "temp_directory": str(Path(tempfile.gettempdir()) / "preflight-archive"),
    "preserve_insertion_order": "false",
    "threads": 2,  # each takes memory of its own, and more would not be felt below a million cases
}
SEGMENT = "regexp_extract(filename, '([^/\\\\]+)[/\\\\][^/\\\\]+$', 1)"  # the folder that a file lies in
PIECE = 50_000  # rows of a merged table at once


class Library:
    """An archive as it is at this moment. `only` reads those segments alone, and of them what counts among
    all `segments`."""

    def __init__(
        self, store: Store, segments: Sequence[Segment] | None = None, only: Sequence[Segment] | None = None
    ) -> None:
        everything = store.segments() if segments is None else segments
        self._db = duckdb.connect(config=SETTINGS)
        if not store.is_local:
            self._db.register_filesystem(store.fs)

        def source(table: str, among: Sequence[Segment]) -> str:
            return _source(table, [store.path(one.name, table) for one in among if one.rows.get(table)])

        # A whole archive is read with its captures in one place each, mostly: then nothing has to be looked
        # up in `live`.
        (told,) = self.ask(
            f"select count(*) > count(distinct capture) as twice from {source('captures', everything)}"
        )
        self.superseded: bool = told["twice"]
        if self.superseded:
            self._put(
                "create temp table live as select capture, arg_max(segment, (judged_ns, segment)) as "
                f"segment from (select {SEGMENT} as segment, capture, judged_ns from "
                f"{source('captures', everything)}) group by all"
            )
        for table, columns in TABLES.items():
            names = ", ".join(f'"{column}"' for column in columns)
            rows = source(table, everything if only is None else only)
            if table not in OF_A_JUDGING:
                names = f"distinct {names}"
            elif self.superseded:
                rows = f"(select *, {SEGMENT} as segment from {rows}) semi join live using (capture, segment)"
            self._put(f"create temp view {table} as select {names} from {rows}")

    def __enter__(self) -> "Library":
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def _put(
        self, sql: str, with_: Sequence[object] | Mapping[str, object] = ()
    ) -> duckdb.DuckDBPyConnection:
        with _told():
            return self._db.execute(sql, with_ or None)

    def ask(self, sql: str, with_: Sequence[object] | Mapping[str, object] = ()) -> list[dict[str, Any]]:
        """The rows of an answer, by column. Raises ArchiveError."""
        found = self._put(sql, with_)
        names = [column[0] for column in found.description or ()]
        with _told():
            return [dict(zip(names, row, strict=True)) for row in found.fetchall()]

    def pieces(self, table: str) -> "Iterator[pyarrow.Table]":
        """All rows of a table, in an order that lets a reader pass over most of a file."""
        import pyarrow

        from preflight.archive.store import arrow_schema

        order = {"captures": "first_frame_at", "findings": '"check", outcome', "devices": "maker"}.get(
            table, "capture"
        )
        with _told():
            for batch in self._db.sql(f"select * from {table} order by {order}").to_arrow_reader(PIECE):
                yield pyarrow.Table.from_batches([batch]).cast(arrow_schema(table))

    def lay(self, name: str, table: str, rows: Sequence[Row]) -> None:
        """Make rows that are not in the archive a table to ask by, with the columns of `table`."""
        columns = TABLES[table]
        made = ", ".join(f'"{column}" {SQL[kind]}' for column, kind in columns.items())
        self._put(f"create temp table {name} ({made})")
        for row in rows:
            marks = ", ".join("?" * len(columns))
            self._put(f"insert into {name} values ({marks})", [row.get(column) for column in columns])

    def case(self, named: str) -> str:
        """The capture that the beginning of its SHA-256 names, or its file's name. Raises ArchiveError where
        there is not just one."""
        wanted = named.strip().lower()
        found = self.ask(
            "select capture, name from captures where (length($wanted) >= 4 and starts_with(capture, "
            "$wanted)) or lower(name) = $wanted order by capture limit 5",
            {"wanted": wanted},
        )
        if not found:
            raise ArchiveError(f"{clean(named)}: no such case; `preflight archive find` lists them")
        if len(found) > 1:
            which = ", ".join(f"{short(row['capture'])} ({row['name']})" for row in found)
            raise ArchiveError(f"{clean(named)}: names several cases: {which}; give the number of one")
        return found[0]["capture"]


def short(capture: str) -> str:
    """A case's number as people read and type it."""
    return capture[:12]


class Vanished(ArchiveError):
    """A file went away, as it does where another one merges what is being read. Asked again, it is there in
    its new place."""


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except (duckdb.IOException, FileNotFoundError) as error:
        raise Vanished(f"the archive cannot be read: {reason(error)}") from None
    except duckdb.InvalidInputException as error:
        raise ArchiveError(f"a file of the archive is damaged: {reason(error)}") from None


def _source(table: str, files: Iterable[str]) -> str:
    listed = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
    if listed:
        return f"read_parquet([{listed}], filename=true)"
    empty = ", ".join(f'null::{SQL[kind]} as "{name}"' for name, kind in TABLES[table].items())
    return f"(select {empty}, '' as filename where false)"
