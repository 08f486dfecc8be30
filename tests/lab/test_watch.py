"""A standing watch on a desk in the lab: each real fault is told within two seconds, and nothing is sent."""

import json
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from preflight.frames.capture import CaptureFile
from tests.lab import faults, live, scene, senders
from tests.lab.rig import Rig, wait_until
from tests.lab.test_silence import _sent_meanwhile, _silenced, _state

SOON_S = 2.0


class Standing:
    """A watch that runs, and its events with the moment at which each was printed."""

    def __init__(self, rig: Rig, keep: Path, *options: str) -> None:
        self.events: list[tuple[float, dict]] = []
        self.process = rig.start(
            "desk", *live.PREFLIGHT, "watch", "--adapter", "eth0", "--json", "--keep", str(keep), *options,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        wait_until(lambda: self.events or self.process.poll() is not None, 60, "watch said nothing")

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.events.append((time.monotonic(), json.loads(line)))

    def told(self, since: float, match: Callable[[dict], bool], patience_s: float = 8) -> float:
        """Seconds from `since` until an event that fits was printed."""

        def found() -> list[float]:
            return [at - since for at, event in list(self.events) if at >= since and match(event)]

        try:
            wait_until(found, patience_s, "no such event")
        except RuntimeError:
            raise AssertionError(f"not told: {[event for _, event in self.events]}") from None
        return found()[0]

    def end(self, how: int = signal.SIGINT) -> dict:
        self.process.send_signal(how)
        self._reader.join(30)
        assert self.process.stderr is not None
        assert self.process.wait(30) in (0, 1, 3), self.process.stderr.read()
        return self.events[-1][1]


@pytest.fixture
def quiet(rig: Rig) -> Rig:
    scene.play(rig, 60, clock=False, wait_s=1)
    return rig


def alarms(check: str) -> Callable[[dict], bool]:
    return lambda event: event.get("event") == "alarm" and event["check"] == check


def says(kind: str, words: str) -> Callable[[dict], bool]:
    return lambda event: event.get("event") == kind and words in event["headline"]


def test_faults_are_told_within_two_seconds_and_kept(quiet: Rig, tmp_path: Path) -> None:
    rig = quiet
    standing = Standing(rig, tmp_path / "kept")
    time.sleep(3)
    alarmed = {event["check"] for _, event in standing.events if event["event"] == "alarm"}
    # Healthy so far; the lab's senders are uneven on a busy machine.
    assert alarmed <= live.OF_THE_LAB | {"stream-health", "beat-health"}, standing.events
    since = time.monotonic()
    senders.send(rig, "box-drums", {"plan": "chatter", "rate": 2000, "count": 6000})
    assert standing.told(since, alarms("broadcast-storm")) <= SOON_S
    switch, port = rig.port("desk")
    since = time.monotonic()
    rig.link(switch, port, up=False)
    assert standing.told(since, says("link", "is down")) <= SOON_S
    time.sleep(0.5)
    since = time.monotonic()
    rig.link(switch, port, up=True)
    assert standing.told(since, says("link", "is up again")) <= SOON_S
    time.sleep(8)  # the boxes have been heard for long enough to be known
    since = time.monotonic()
    senders.once(rig, "guest", faults.frames.arp("00:00:5e:00:53:77", "192.0.2.77", "192.0.2.77"))
    assert standing.told(since, says("device", "00:00:5e:00:53:77")) <= SOON_S
    standing.told(0, says("note", "broadcast-storm is kept in"))
    [kept] = (tmp_path / "kept").glob("*broadcast-storm.pcapng")
    assert sum(batch.rows for batch in CaptureFile(str(kept)).batches()) > 6000
    summary = standing.end(signal.SIGTERM)
    assert summary["verdict"] == "not ready" and summary["source"]["partial"]
    assert {"broadcast-storm"} <= {f["check"] for f in summary["findings"] if f["outcome"] == "fail"}


def test_a_loop_and_a_stray_server_are_told_within_two_seconds(tmp_path: Path) -> None:
    with Rig(second_cable=True) as rig:
        scene.play(rig, 40, streams={}, clock=False, wait_s=1)
        standing = Standing(rig, tmp_path / "kept")
        time.sleep(1)
        scene.talk(rig)
        since = time.monotonic()
        faults.second_cable(rig)
        assert standing.told(since, alarms("loop")) <= SOON_S
        faults.stray_dhcp(rig, client="spare")
        assert standing.told(time.monotonic(), alarms("stray-dhcp")) <= SOON_S
        answered = next(event for _, event in standing.events if alarms("stray-dhcp")(event))
        assert answered["culprits"] == [rig["guest"].mac]
        standing.end()


def test_a_lost_clock_and_a_gap_in_a_stream_are_told_within_two_seconds(rig: Rig, tmp_path: Path) -> None:
    scene.play(rig, 40, streams={"box-left": "233.252.0.1"})
    standing = Standing(rig, tmp_path / "kept")
    time.sleep(4)
    since = time.monotonic()
    faults.unplugged(rig)
    # Announced each second; receivers give up after three.
    assert standing.told(since, alarms("clock")) <= 3 + SOON_S
    gap = range(2000, 2200)
    plan = {"plan": "rtp", "group": "233.252.0.1", "port": 5006, "seconds": 4, "ssrc": 9, "skip": [*gap]}
    since = time.monotonic()
    senders.send(rig, "box-right", plan)
    lost = standing.told(since, lambda e: alarms("stream-health")(e) and e["outcome"] == "fail")
    assert lost <= 2.2 + SOON_S
    standing.end()


def test_it_survives_an_adapter_that_goes_away_and_comes_back(rig: Rig, tmp_path: Path) -> None:
    senders.send(rig, "box-drums", {"plan": "beat", "seconds": 60})
    standing = Standing(rig, tmp_path / "kept")
    time.sleep(2)
    since = time.monotonic()
    rig.run("desk", "ip", "link", "del", "eth0")  # as a USB adapter that is unplugged
    assert standing.told(since, says("link", "eth0 is gone")) <= SOON_S
    time.sleep(1)
    switch, port = rig.port("desk")
    rig.cable(("desk", "eth0", rig["desk"].mac), (switch, port, "00:00:5e:00:53:f9"))
    rig.link("desk", "eth0", up=True)
    standing.told(since, says("link", "up again"))
    before = time.monotonic()
    senders.send(rig, "box-right", {"plan": "chatter", "rate": 2000, "count": 4000})
    assert standing.told(before, alarms("broadcast-storm")) <= SOON_S
    standing.end()


@pytest.mark.parametrize("options", [("--json",), ()], ids=["json", "text"])
def test_watch_sends_nothing(rig: Rig, tmp_path: Path, options: tuple[str, ...]) -> None:
    _silenced(rig)
    before = _state(rig)

    def stands_by() -> None:
        watching = rig.start(
            "desk", *live.PREFLIGHT, "watch", "--adapter", "eth0", "--keep", str(tmp_path / "kept"), *options,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(4)
        assert _state(rig) == before  # a group joined and left again would show here only
        watching.send_signal(signal.SIGTERM)
        out, errors = watching.communicate(timeout=30)
        assert "Traceback" not in errors and "eth0" in out

    assert _sent_meanwhile(rig, stands_by) == []
    assert _state(rig) == before
