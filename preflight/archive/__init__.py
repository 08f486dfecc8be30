"""The archive: what was found in thousands of captures, kept so that one can ask whether this has been seen
before.

    places ──► cluster: judge ──► rows ──► store ──► library: find, like, show ──► words, page

`place` lists and fetches captures wherever they lie (fsspec). `judge` makes of one capture its rows, on a
worker of the Dask cluster that `cluster` starts or is told of. `store` keeps rows as Parquet in segments that
are only ever added and merged, so that nothing that ends at a bad moment can break what is there. `library`
asks questions of them (DuckDB). `marks` tells which checks have changed since a capture was judged.

A case is one capture, known by the SHA-256 of its bytes. All of it needs the extra `archive`; nothing outside
this room and `cli/archive.py` imports it.
"""


class ArchiveError(Exception):
    """What cannot be done with an archive or a place. Its text is one line: what, where, why."""
