"""The command line, to which a saved capture is what the adapter hears, as quickly as it can be judged. After
its end nothing comes, and time goes on. `reading` in place of the capture: asking the computer takes a
minute."""

import time
from collections.abc import Iterator

from preflight import host
from preflight.cli import main
from preflight.frames import live
from preflight.frames.batch import Batch
from preflight.frames.facts import SourceFacts
from preflight.host.facts import Adapter, HostFacts
from tests.pieces import pieces

HOST = HostFacts(
    "Linux", (Adapter("eth0", kind="ethernet", enabled=True, carrier=True, speed_mbps=1000, duplex="full"),)
)


class Played:
    name = "eth0"
    partial = False

    def __init__(self, capture: str) -> None:
        self._capture = capture
        self._now = 0
        self._frames = 0

    def heard(self) -> Iterator[Batch | None]:
        for now, batch in pieces(self._capture):
            self._now = now
            self._frames += batch.rows if batch else 0
            yield batch
        while True:
            time.sleep(0.02)
            self._now += 20_000_000
            yield None

    def now_ns(self) -> int:
        return self._now

    def dropped(self) -> int:
        return 0

    def facts(self) -> SourceFacts:
        return SourceFacts("live", "eth0", self._frames, duration_s=self._now / 1e9, partial=self.partial)


def _slow() -> HostFacts:
    print("reading", flush=True)
    time.sleep(60)
    return HOST


def played(arguments: list[str]) -> None:
    """To be a process of its own (warm.py): `arguments` are the capture, and those of the command line."""
    capture, *rest = arguments
    host.read = _slow if capture == "reading" else lambda: HOST
    live.open_listener = lambda *_, **__: Played(capture)
    main(rest)
