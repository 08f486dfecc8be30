"""Listening by libpcap: the seam with a reader that plays recorded frames. The library itself is tried in the
lab."""

import os
import sys
import time
from collections.abc import Iterator
from ctypes.util import find_library

import pytest

from preflight.frames import kernels as k
from preflight.frames.pcap import PcapListener, ReaderLost, device
from tests.frames.made import DESK, frame

FRAMES = [(1_764_028_800, n * 1000, 60 + n % 3, frame(size=60 + n % 3)) for n in range(40_000)]


class Played:
    """Plays frames; None stands for a while in which none comes, an exception for what the library says."""

    own = int.from_bytes(frame()[6:12])

    def __init__(self, *played: object) -> None:
        self._left: Iterator = iter(played)
        self.closed = False

    def next(self):
        got = next(self._left, None)
        if got is None:
            time.sleep(0.001)  # as the library waits for a frame
        if isinstance(got, Exception):
            raise got
        return got

    def dropped(self) -> int:
        return 3

    def close(self) -> None:
        self.closed = True


def test_every_frame_comes_in_order_with_its_bytes_and_drops_are_told() -> None:
    reader = Played(*FRAMES[:9], None, *FRAMES[9:])
    listener = PcapListener("en5", 1.0, open_reader=lambda _: reader)
    heard = []
    for batch in listener.batches():
        heard += [
            (int(batch.columns[k.TIME, row]), int(batch.columns[k.WIRE, row]), batch.data(row))
            for row in range(batch.rows)
        ]
    assert heard == [(s * 10**9 + ns, wire, data) for s, ns, wire, data in FRAMES]
    facts = listener.facts()
    assert (facts.frames, facts.dropped, facts.ended_early, facts.name) == (len(FRAMES), 3, "", "en5")
    assert reader.closed and facts.duration_s >= 1.0


def test_frames_that_bear_the_adapters_own_address_are_its_own() -> None:
    """The library does not tell; else this computer would be a stranger on its own desk."""
    theirs = frame(source=DESK)
    reader = Played(FRAMES[0], (1_764_028_800, 5, len(theirs), theirs))
    heard = [
        batch.frame(row).outgoing
        for batch in PcapListener("en5", 0.3, open_reader=lambda _: reader).batches()
        for row in range(batch.rows)
    ]
    assert heard == [True, False]


def test_windows_names_a_connection_by_its_guid() -> None:
    connections = {
        "{1B2C3D4E-0000-4000-8000-00005E005301}": "Stage",
        "{1B2C3D4E-0000-4000-8000-00005E005302}": "Wi-Fi",
    }
    assert device("Stage", connections) == r"\Device\NPF_{1B2C3D4E-0000-4000-8000-00005E005301}"
    assert device("Gone", connections) == "Gone"  # the library then says that there is none


def test_a_line_check_ends_with_the_adapter_and_says_so() -> None:
    reader = Played(*FRAMES[:5], ReaderLost("the adapter went away"))
    listener = PcapListener("en5", 60.0, open_reader=lambda _: reader)
    assert sum(batch.rows for batch in listener.batches()) == 5
    assert listener.facts().ended_early.endswith("the adapter went away")


def test_a_watch_opens_the_adapter_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("preflight.frames.pcap.AGAIN_S", 0.01)
    readers = [Played(*FRAMES[:5], ReaderLost("gone")), Played(*FRAMES[5:9])]
    listener = PcapListener("en5", 1.0, patient=True, open_reader=lambda _: readers.pop(0))
    assert sum(batch.rows for batch in listener.batches()) == 9
    facts = listener.facts()
    assert facts.dropped == 6 and facts.ended_early == ""


def test_it_ends_in_time_and_leaves_the_processor_alone_while_nothing_comes() -> None:
    """By the library itself, on the loopback adapter, where it is: a real one waits for the next frame in its
    own way."""
    if sys.platform != "linux" or os.geteuid() != 0 or not find_library("pcap"):
        pytest.skip("needs libpcap and the right to listen")
    listener = PcapListener("lo", 1.0)
    spent, began = time.process_time(), time.monotonic()
    for _ in listener.batches():
        pass
    assert time.process_time() - spent < 0.5 * (time.monotonic() - began)
    assert listener.facts().duration_s >= 1.0
