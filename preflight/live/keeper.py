"""The last seconds of what was heard, in memory, and a pcapng of them around each event.

Frames are laid out as pcapng as they come, so that keeping them is a copy and writing them is a write, by a
thread of its own: a slow disk must not stop the listening. What happens while a file is still due joins it:
the file is named after both, and lasts until the frames after the last of them are in. No event is left
without a word: it has a file, or it is told why not.

Bounded are the seconds and bytes in memory, the files an hour, and the bytes on disk, with those of earlier
watches in the same folder. Within that, cautions get half, and the alarms of one check a quarter of the
files: what comes often must leave room for what comes once.
"""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from preflight.frames.batch import Batch
from preflight.frames.pcapng import Layout, head

NS = 1_000_000_000
BEFORE_NS, AFTER_NS = 10 * NS, 3 * NS
LONGEST_NS = 30 * NS  # of a file that more and more joins
MEMORY = 64 << 20
HOUR_NS = 3600 * NS
ALL_FILES = "*.pcapng"
MOST_NAMES = 4  # in a file's name


@dataclass(frozen=True)
class Kept:
    """What became of the frames around `topics`, which happened until `until_ns`. `file` is "" where there is
    none."""

    topics: tuple[str, ...]
    words: str
    until_ns: int
    file: str = ""


@dataclass
class _Due:
    topics: list[str]
    failed: bool
    at: datetime
    from_ns: int
    until_ns: int
    last_ns: int
    full: bool = False  # written before its time: the memory was


@dataclass(frozen=True)
class _Written:
    at_ns: int
    topics: tuple[str, ...]
    failed: bool


class Keeper:
    """Writes into `folder` what `adapter` heard, with the rate of its link: at most `budget` bytes and
    `each_hour` files an hour. Times are nanoseconds from the beginning of the watch; `now` is the clock on
    the wall, for the files' names."""

    def __init__(
        self,
        folder: Path,
        adapter: str,
        budget: int,
        each_hour: int,
        link_mbps: int | None = None,
        now: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self._folder = folder
        self._head = head(adapter, link_mbps)
        self._budget = budget
        self._each_hour = each_hour
        self._now = now
        self._layout = Layout()
        self._recent: deque[tuple[int, bytes]] = deque()
        self._size = 0
        self._spent = sum(file.stat().st_size for file in folder.glob(ALL_FILES)) if folder.is_dir() else 0
        self._written: deque[_Written] = deque()
        self._due: _Due | None = None
        self._worker = ThreadPoolExecutor(1)
        self._writing: list[Future[Kept]] = []
        self._refused: list[Kept] = []

    def add(self, batch: Batch, now_ns: int) -> None:
        blocks = bytes(self._layout.blocks(batch))
        if self._due is not None and self._size + len(blocks) > MEMORY:
            self._due.full = True  # its beginning would be lost, and how a storm began tells most
            self._write(now_ns)
        self._recent.append((now_ns, blocks))
        self._size += len(blocks)
        oldest_ns = now_ns - BEFORE_NS - AFTER_NS
        if self._due is not None:
            oldest_ns = min(oldest_ns, self._due.from_ns)
        while self._recent and (self._size > MEMORY or self._recent[0][0] < oldest_ns):
            self._size -= len(self._recent.popleft()[1])

    def keep(self, topic: str, now_ns: int, failed: bool) -> None:
        """Something happened: have it written a moment later, together with what comes until then."""
        if self._due is None:
            self._due = _Due([topic], failed, self._now(), now_ns - BEFORE_NS, now_ns + AFTER_NS, now_ns)
            return
        due = self._due
        due.topics += [topic] * (topic not in due.topics)
        due.failed |= failed
        due.until_ns = now_ns + AFTER_NS
        due.last_ns = now_ns

    def tick(self, now_ns: int) -> list[Kept]:
        """Write what is due; what there is to tell."""
        due = self._due
        if due is not None and now_ns >= min(due.until_ns, due.from_ns + LONGEST_NS):
            self._write(now_ns)
        told = self._refused + [future.result() for future in self._writing if future.done()]
        self._writing = [future for future in self._writing if not future.done()]
        self._refused = []
        return told

    def close(self, now_ns: int) -> list[Kept]:
        """Write what is still due, and wait for the disk."""
        if self._due is not None:
            self._write(now_ns)
        told = self.tick(now_ns)
        self._worker.shutdown(wait=True)
        return told + [future.result() for future in self._writing]

    def _write(self, now_ns: int) -> None:
        assert self._due is not None
        due, self._due = self._due, None
        while self._written and now_ns - self._written[0].at_ns > HOUR_NS:
            self._written.popleft()
        chunks = [blocks for at, blocks in self._recent if at >= due.from_ns]
        size = sum(map(len, chunks))
        if reason := self._refuses(due, size):
            names = _listed(due.topics)
            self._refused.append(Kept(tuple(due.topics), f"no file for {names}: {reason}", due.last_ns))
        else:
            self._spent += size
            self._written.append(_Written(now_ns, tuple(due.topics), due.failed))
            self._writing.append(self._worker.submit(self._to_disk, due, chunks))

    def _refuses(self, due: _Due, size: int) -> str:
        """Why these frames get no file; "" where they do."""
        if not size:
            return "nothing was heard around it"
        if len(self._written) >= self._each_hour:
            return f"{self._each_hour} files were written within the hour"
        cautions = sum(not each.failed for each in self._written)
        if not due.failed and cautions >= max(self._each_hour // 2, 1):
            return f"{cautions} files of cautions were written within the hour; the rest is for alarms"
        most = max(self._each_hour // 4, 1)
        if all(sum(topic in each.topics for each in self._written) >= most for topic in due.topics):
            return f"{most} of it were written within the hour; the rest is for others"
        if self._spent + size > (self._budget if due.failed else self._budget // 2):
            return f"{self._folder} holds as much as it may{'' if due.failed else ' of cautions'}"
        return ""

    def _to_disk(self, due: _Due, chunks: list[bytes]) -> Kept:
        topics, names = tuple(due.topics), _listed(due.topics)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            file = _free(self._folder, due)
            with file.open("xb") as out:
                out.write(self._head)
                out.writelines(chunks)
        except OSError as error:
            reason = f"no file for {names}: {self._folder} cannot be written: {error.strerror or error}"
            return Kept(topics, reason, due.last_ns)
        until = ", up to where the memory was full" if due.full else ""
        return Kept(topics, f"what surrounded {names} is kept in {file}{until}", due.last_ns, str(file))


def _free(folder: Path, due: _Due) -> Path:
    """A file that is not there yet, named after the time on the wall and what it holds."""
    names = "+".join(due.topics[:MOST_NAMES]) + ("+more" if len(due.topics) > MOST_NAMES else "")
    stem = f"{due.at.strftime('%Y-%m-%d_%H-%M-%S%z')}_{names}"
    same = 1
    while (file := folder / f"{stem}{f'_{same}' if same > 1 else ''}.pcapng").exists():
        same += 1
    return file


def _listed(names: list[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
