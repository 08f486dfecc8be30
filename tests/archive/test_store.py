"""The store: whatever stops a write or a merge at whatever operation, all that was added is there, once."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from preflight.archive import ArchiveError
from preflight.archive import store as store_module
from preflight.archive.library import Library, Vanished
from preflight.archive.store import Store
from preflight.archive.tidy import TOGETHER, settle, tidy
from tests.archive.made import cases as made_cases


class Stopped(BaseException):
    """As if the process had been killed."""


@contextmanager
def stopped_after(store: Store, operations: int) -> Iterator[None]:
    """Ends whatever is done to the store's files after so many writes and deletions; what was being written
    stays cut short."""
    left = operations
    fs = store.fs
    real_open, real_rm = fs.open, fs.rm

    def count() -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise Stopped

    def open_(path: str, mode: str = "rb", **more: object) -> object:
        file = real_open(path, mode, **more)
        if "w" in mode:
            try:
                count()
            except Stopped:
                file.write(b'{"schema": 1, "to')
                file.close()
                raise
        return file

    def rm(path: str, recursive: bool = False) -> None:
        count()
        real_rm(path, recursive=recursive)

    fs.open, fs.rm = open_, rm
    try:
        yield
    except Stopped:
        pass
    finally:
        fs.open, fs.rm = real_open, real_rm


def everything(store: Store) -> dict[str, list[dict]]:
    tables = ("captures", "findings", "devices", "streams", "flows", "notes")
    with Library(store) as library:
        return {table: library.ask(f"select * from {table} order by all") for table in tables}


def filled(place: Path, models, count: int) -> Store:
    store = Store(str(place))
    for rows in made_cases(models, count):
        store.add(rows)
    return store


def test_a_merge_that_is_stopped_anywhere_loses_and_doubles_nothing(models, tmp_path):
    whole = everything(filled(tmp_path / "whole", models, 5))
    for operations in range(100):
        store = filled(tmp_path / str(operations), models, 5)
        with stopped_after(store, operations):
            settle(store)
            break  # it ran to its end: there is nothing left to stop
        assert everything(store) == whole, operations
        settle(Store(store.root))
        assert everything(store) == whole
        assert len(store.segments()) == 1
    else:
        raise AssertionError("never ran to its end")
    assert operations > 10


def test_a_write_that_is_stopped_anywhere_counts_wholly_or_not_at_all(models, tmp_path):
    (first, second) = made_cases(models, 2)
    store = Store(str(tmp_path))
    store.add(first)
    before = everything(store)
    for operations in range(100):
        with stopped_after(store, operations):
            store.add(second)
            break
        assert everything(store) == before, operations
    assert len(everything(store)["captures"]) == 2


def test_what_was_stopped_is_swept_after_a_day_and_not_before(models, tmp_path, monkeypatch):
    (rows,) = made_cases(models, 1)
    store = Store(str(tmp_path))
    with stopped_after(store, 2):
        store.add(rows)
    folder = tmp_path / "segments"
    settle(store)
    assert len(list(folder.iterdir())) == 1  # somebody may be writing it
    monkeypatch.setattr(store_module, "FORSAKEN_NS", -1)
    settle(store)
    assert not list(folder.iterdir())


def test_many_small_segments_become_few(models, tmp_path):
    store = Store(str(tmp_path))
    segments: list = []
    for rows in made_cases(models, 3 * TOGETHER):
        segments = tidy(store, [*segments, store.add(rows)])
        assert len(segments) < TOGETHER + 3
    assert {s.name for s in segments} == {s.name for s in store.segments()}
    assert len(everything(store)["captures"]) == 3 * TOGETHER


def test_the_last_judging_counts_wherever_it_stands(models, tmp_path):
    (rows,) = made_cases(models[:1], 1)
    store = Store(str(tmp_path))
    late = {
        "captures": [
            {**rows["captures"][0], "judged_ns": rows["captures"][0]["judged_ns"] + 1, "verdict": "ready"}
        ],
        "findings": [{**rows["findings"][0], "headline": "as judged last"}],
    }
    store.add(late)
    store.add(rows)  # written later, judged sooner: so it is after a merge
    for _ in range(2):
        told = everything(store)
        assert [row["verdict"] for row in told["captures"]] == ["ready"]
        assert [row["headline"] for row in told["findings"]] == ["as judged last"]
        assert not told["devices"]
        settle(store)
    assert len(store.segments()) == 1


def test_notes_stay_when_a_capture_is_judged_again_and_are_told_once(models, tmp_path):
    (rows,) = made_cases(models[:1], 1)
    store = Store(str(tmp_path))
    capture = rows["captures"][0]["capture"]
    note = {"capture": capture, "at_ns": 1, "who": "Kim", "text": "Cable 7 was bad."}
    store.add({**rows, "notes": [note]})
    store.add({"captures": [{**rows["captures"][0], "judged_ns": 2**62}], "notes": [note]})
    assert everything(store)["notes"] == [note]
    settle(store)
    assert everything(store)["notes"] == [note]


def test_who_reads_while_another_merges_is_told_to_ask_again(models, tmp_path):
    store = filled(tmp_path, models, 3)
    segments = store.segments()
    with Library(store, segments) as library:
        settle(store)
        with pytest.raises(Vanished):
            library.ask("select * from findings")
    with pytest.raises(Vanished):
        Library(store, segments)


def test_readers_and_merging_at_once(models, tmp_path):
    """What a reader sees while others add and merge is never less than what was there before, and never
    twice."""
    from preflight.cli.archive import _asked

    store = filled(tmp_path, models, 4)
    seen: list[dict] = []
    over = threading.Event()

    def read() -> None:
        while not over.is_set():
            seen.append(
                _asked(
                    str(tmp_path),
                    lambda library: library.ask("select count(*) n, count(distinct capture) d from captures")[
                        0
                    ],
                )
            )

    reader = threading.Thread(target=read)
    reader.start()
    for rows in list(made_cases(models, 24))[4:]:
        store.add(rows)
        settle(store)
    over.set()
    reader.join()
    assert all(row["n"] == row["d"] for row in seen)
    assert [row["n"] for row in seen] == sorted(row["n"] for row in seen) and seen[-1]["n"] >= 4


def test_an_archive_of_a_newer_preflight_is_refused(models, tmp_path):
    store = filled(tmp_path, models, 1)
    marker = next((tmp_path / "segments").glob("*.json"))
    marker.write_text(json.dumps({**json.loads(marker.read_text()), "schema": 2}))
    with pytest.raises(ArchiveError, match="newer preflight"):
        store.segments()


def test_a_damaged_file_is_told(models, tmp_path):
    store = filled(tmp_path, models, 1)
    file = next((tmp_path / "segments").glob("*/findings.parquet"))
    file.write_bytes(b"PAR1 no more than words, that go on for a while")
    with pytest.raises(ArchiveError):
        everything(store)


def test_an_archive_that_is_not_there_is_empty(tmp_path):
    assert not everything(Store(str(tmp_path / "none")))["captures"]
    assert not (tmp_path / "none").exists()


def test_the_schema_stands_in_every_file(models, tmp_path):
    from pyarrow import parquet

    filled(tmp_path, models, 1)
    for file in (tmp_path / "segments").glob("*/*.parquet"):
        assert parquet.read_schema(file).metadata[b"preflight_schema"] == b"1"
