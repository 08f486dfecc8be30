"""The last seconds of what was heard, in memory, and a pcapng of them around each event.

Frames are laid out as pcapng as they come, so that keeping them is a copy and writing them is a write, by a thread of its
own: a slow disk must not stop the listening. Bounded are the seconds and bytes in memory, the files an hour, and
the bytes on disk, with those of earlier watches in the same folder.
"""

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from preflight.frames.batch import Batch
from preflight.frames.pcapng import Layout, head

NS = 1_000_000_000
BEFORE_NS, AFTER_NS = 10 * NS, 3 * NS
MEMORY = 64 << 20
HOUR_NS = 3600 * NS
NAME = "preflight-*.pcapng"


class Keeper:
    """Writes into `folder` what `adapter` heard, with the rate of its link: at most `budget` bytes and `each_hour` files an hour. Times are nanoseconds from the
    beginning of the watch."""

    def __init__(
        self, folder: Path, adapter: str, budget: int, each_hour: int, link_mbps: int | None = None
    ) -> None:
        self._folder = folder
        self._head = head(adapter, link_mbps)
        self._budget = budget
        self._each_hour = each_hour
        self._layout = Layout()
        self._recent: deque[tuple[int, bytes]] = deque()
        self._size = 0
        self._spent = sum(file.stat().st_size for file in folder.glob(NAME)) if folder.is_dir() else 0
        self._written: deque[int] = deque()
        self._due: tuple[int, str] | None = None
        self._worker = ThreadPoolExecutor(1)
        self._writing: list[Future[str]] = []
        self._refused = ""

    def add(self, batch: Batch, now_ns: int) -> None:
        blocks = bytes(self._layout.blocks(batch))
        self._recent.append((now_ns, blocks))
        self._size += len(blocks)
        while self._recent and (self._size > MEMORY or self._recent[0][0] < now_ns - BEFORE_NS - AFTER_NS):
            self._size -= len(self._recent.popleft()[1])

    def keep(self, what: str, now_ns: int) -> None:
        """Something happened: have it written a moment later, together with what comes until then."""
        if self._due is None:
            self._due = (now_ns + AFTER_NS, what)

    def tick(self, now_ns: int) -> list[str]:
        """Write what is due; what there is to tell, in words."""
        if self._due is not None and now_ns >= self._due[0]:
            self._write(now_ns)
        told = [future.result() for future in self._writing if future.done()]
        self._writing = [future for future in self._writing if not future.done()]
        if self._refused:
            told.append(self._refused)
            self._refused = ""
        return told

    def close(self, now_ns: int) -> list[str]:
        """Write what is still due, and wait for the disk."""
        if self._due is not None:
            self._due = (now_ns, self._due[1])
        told = self.tick(now_ns)
        self._worker.shutdown(wait=True)
        return told + [future.result() for future in self._writing]

    def _write(self, now_ns: int) -> None:
        assert self._due is not None
        (due_ns, what), self._due = self._due, None
        while self._written and now_ns - self._written[0] > HOUR_NS:
            self._written.popleft()
        chunks = [blocks for at, blocks in self._recent if at >= due_ns - AFTER_NS - BEFORE_NS]
        size = sum(map(len, chunks))
        if not chunks:
            self._refused = f"nothing was heard around {what}: no file"
        elif len(self._written) >= self._each_hour:
            self._refused = f"{self._each_hour} files were written within the hour: none for {what}"
        elif self._spent + size > self._budget:
            self._refused = f"{self._folder} holds as much as it may: no file for {what}"
        else:
            self._spent += size
            self._written.append(now_ns)
            self._writing.append(self._worker.submit(self._to_disk, what, chunks))

    def _to_disk(self, what: str, chunks: list[bytes]) -> str:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        file = self._folder / f"preflight-{stamp}-{what}.pcapng"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with file.open("wb") as out:
                out.write(self._head)
                out.writelines(chunks)
        except OSError as error:
            return f"{file} cannot be written: {error.strerror or error}"
        return f"what surrounded {what} is kept in {file}"
