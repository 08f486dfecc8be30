"""What is kept around events: each with its frames before and after, named after what it holds; alarms find
room after many cautions."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from preflight.frames.batch import Batch
from preflight.frames.capture import CaptureFile
from preflight.live import keeper as keeping
from preflight.live.keeper import HOUR_NS, Keeper, Kept
from preflight.live.standby import NS
from tests.pieces import pieces
from tests.tally.captures import arp, every, write

Happens = tuple[int, str, bool]  # at which second, what, whether it is an alarm
WALL = datetime(2026, 11, 27, 21, 14, 5, tzinfo=UTC)


@pytest.fixture
def quiet(tmp_path: Path) -> Path:
    """Two minutes of ten frames a second."""
    return write(tmp_path / "quiet.pcap", every(0.1, lambda n: arp(n % 7, 1 + n % 5), 0, 120))


def kept(path: Path, keeper: Keeper, *happens: Happens) -> list[Kept]:
    told: list[Kept] = []
    now = 0
    for now, batch in pieces(path):
        if batch is not None:
            keeper.add(batch, now)
        for at, topic, failed in happens:
            if now == at * NS:
                keeper.keep(topic, now, failed)
        told += keeper.tick(now)
    return told + keeper.close(now)


def made(tmp_path: Path, each_hour: int = 20, budget: int = 10_000_000) -> Keeper:
    return Keeper(tmp_path / "kept", "eth0", budget, each_hour, 100, lambda: WALL)


def seconds(file: str) -> tuple[float, float]:
    """From when to when the frames of a file are, from the first of the capture."""
    facts = CaptureFile(file)
    assert sum(batch.rows for batch in facts.batches()) > 100
    told = facts.facts()
    return (told.first_ns or 0) / NS - 1000, (told.last_ns or 0) / NS - 1000


def around(first: int, last: int) -> tuple[object, object]:
    return pytest.approx(first - 10, abs=0.7), pytest.approx(last + 3, abs=0.7)


def test_an_event_has_its_frames_in_a_file_named_after_it(quiet: Path, tmp_path: Path) -> None:
    [one] = kept(quiet, made(tmp_path), (40, "loop", True))
    assert Path(one.file) == tmp_path / "kept/2026-11-27_21-14-05+0000_loop.pcapng"
    assert one.topics == ("loop",) and one.file in one.words
    assert seconds(one.file) == around(40, 40)


def test_what_happens_while_a_file_is_due_joins_it_with_all_its_own_frames(
    quiet: Path, tmp_path: Path
) -> None:
    """Jitter, a loop two seconds later, jitter again: nothing is lost. What comes later has a file of its
    own."""
    told = kept(
        quiet, made(tmp_path), (40, "stream-health", False), (42, "loop", True), (44, "stream-health", False),
        (60, "clock", True),
    )  # fmt: skip
    assert [each.topics for each in told] == [("stream-health", "loop"), ("clock",)]
    assert told[0].file.endswith("_stream-health+loop.pcapng")
    assert "stream-health and loop" in told[0].words and told[0].until_ns == 44 * NS
    assert [seconds(each.file) for each in told] == [around(40, 44), around(60, 60)]


def test_trouble_without_end_makes_files_that_end(quiet: Path, tmp_path: Path) -> None:
    told = kept(quiet, made(tmp_path), *[(at, f"check-{at % 6}", True) for at in range(20, 80, 2)])
    spans = [seconds(each.file) for each in told]
    assert len(told) >= 3 and all(last - first <= 31 for first, last in spans)
    assert all(any(first <= at - 3 and at <= last + 0.6 for first, last in spans) for at in range(20, 80, 2))
    assert "check-2+check-4+check-0.pcapng" in told[0].file


def test_two_files_of_one_moment_do_not_write_over_each_other(quiet: Path, tmp_path: Path) -> None:
    told = kept(quiet, made(tmp_path), (20, "loop", True), (60, "loop", True))
    assert len({each.file for each in told}) == 2 and told[1].file.endswith("_loop_2.pcapng")
    assert [seconds(each.file) for each in told] == [around(20, 20), around(60, 60)]


def test_many_cautions_leave_room_for_an_alarm(quiet: Path, tmp_path: Path) -> None:
    """Of four files an hour cautions get two, and one check one."""
    jitter = [(at, f"caution-{at}", False) for at in range(15, 75, 15)]
    told = kept(quiet, made(tmp_path, each_hour=4), *jitter, (90, "loop", True), (110, "loop", True))
    told.sort(key=lambda each: each.until_ns)
    assert [bool(each.file) for each in told] == [True, True, False, False, True, False]
    assert "2 files of cautions" in told[2].words and told[2].topics == ("caution-45",)
    assert "1 of it were written" in told[5].words


def test_an_hour_later_there_is_room_again(quiet: Path, tmp_path: Path) -> None:
    batches = [batch for _, batch in pieces(quiet) if batch is not None]
    keeper = made(tmp_path, each_hour=1)

    def one_more(at_ns: int) -> Iterator[str]:
        keeper.add(batches[0], at_ns)
        keeper.keep("loop", at_ns, True)
        keeper.add(batches[0], at_ns)
        yield from (each.file for each in (*keeper.tick(at_ns + 4 * NS), *keeper.tick(at_ns + 5 * NS)))

    [*one_more(0)], [*one_more(60 * NS)], [*one_more(HOUR_NS + 10 * NS)]
    keeper.close(HOUR_NS + 20 * NS)
    assert len(list((tmp_path / "kept").iterdir())) == 2


@pytest.mark.parametrize(("failed", "fits"), [(True, True), (False, False)])
def test_what_the_folder_holds_counts_and_cautions_get_half(
    quiet: Path, tmp_path: Path, failed: bool, fits: bool
) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept/earlier.pcapng").write_bytes(bytes(60_000))
    [one] = kept(quiet, made(tmp_path, budget=100_000), (40, "x", failed))
    assert bool(one.file) is fits and ("holds as much as it may" in one.words) is not fits


def test_a_full_memory_writes_at_once_and_keeps_how_it_began(
    quiet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The memory holds twelve seconds here, as it holds half a second of a full link."""
    sizes = [len(bytes(keeping.Layout().blocks(batch))) for _, batch in pieces(quiet) if batch is not None]
    monkeypatch.setattr(keeping, "MEMORY", sum(sizes[:24]))
    [one] = kept(quiet, made(tmp_path), (40, "loop", True))
    first, last = seconds(one.file)
    assert first <= 40 - 10 + 2 and 39.8 <= last < 42 and "memory was full" in one.words


def test_where_nothing_can_be_kept_that_is_said(quiet: Path, tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("a file")
    [refused] = kept(quiet, made(tmp_path), (40, "loop", True))
    assert "cannot be written" in refused.words and not refused.file
    unheard = Keeper(tmp_path / "other", "eth0", 1 << 20, 9)
    unheard.keep("link", NS, True)
    [nothing] = unheard.close(2 * NS)
    assert "nothing was heard" in nothing.words and not (tmp_path / "other").exists()


def test_a_batch_that_comes_later_is_no_part_of_it(quiet: Path, tmp_path: Path) -> None:
    batches: list[Batch] = [batch for _, batch in pieces(quiet) if batch is not None]
    keeper = made(tmp_path)
    keeper.add(batches[0], NS)
    keeper.keep("loop", NS, True)
    told = keeper.tick(2 * NS)
    assert told == [] and not (tmp_path / "kept").exists()
    [one] = keeper.close(2 * NS)
    assert sum(batch.rows for batch in CaptureFile(one.file).batches()) == batches[0].rows
