"""A soak on a desk in the lab: a healthy one passes, what breaks is found with count and time, and nothing is
sent."""

import json
import signal
import subprocess
import time
from datetime import datetime
from pathlib import Path

import pytest

from preflight.live.log import Log
from tests.lab import live, scene, senders
from tests.lab.rig import Rig, wait_until
from tests.lab.test_silence import _sent_meanwhile, _silenced, _state
from tests.pipes import PATIENCE_S


class Soaking:
    """A soak that runs on the desk, or on the spare."""

    def __init__(self, rig: Rig, log: Path, lasts: str, item: str = "cable 7", on: str = "desk") -> None:
        self.process = rig.start(
            on, *live.PREFLIGHT, "soak", "run", item, "--adapter", "eth0", "--for", lasts, "--log", str(log), "--json",
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert "Soaking" in self.process.stdout.readline()

    def result(self) -> dict:
        out, errors = self.process.communicate(timeout=PATIENCE_S)
        assert out, errors
        return json.loads(out.splitlines()[-1])


def outcomes(result: dict) -> dict[str, str]:
    return {finding["check"]: finding["outcome"] for finding in result["findings"]}


def test_a_healthy_item_passes(rig: Rig, tmp_path: Path) -> None:
    scene.play(rig, 30, wait_s=1, clock=False)
    result = Soaking(rig, tmp_path / "soak.db", "10s").result()
    found = outcomes(result)
    for check in (
        "link-up",
        "link-steady",
        "link-errors",
        "link-speed",
        "duplex",
        "soak-time",
        "loop",
        "broadcast-storm",
    ):
        assert found[check] == "pass", result["findings"]
    figures = result["soak"]["figures"]
    assert figures["downs"] == figures["broken"] == 0
    assert figures["frames"] > 1000 and 10 <= figures["watched_s"] < 20
    # The lab's senders are uneven on a busy machine: a pause may be told, a loss may not.
    assert figures["stream_packets_lost"] == 0 and result["verdict"] != "not ready"


def test_a_link_that_flaps_is_found_with_count_and_time(rig: Rig, tmp_path: Path) -> None:
    scene.play(rig, 40, wait_s=1, clock=False)
    soaking = Soaking(rig, tmp_path / "soak.db", "14s")
    switch, port = rig.port("desk")
    pulled, down_s = [], 0.0
    for pause in (1.5, 0.0):
        time.sleep(3)
        pulled.append(time.time())
        rig.link(switch, port, up=False)
        time.sleep(pause)  # the second is over before anybody looks
        rig.link(switch, port, up=True)
        down_s += time.time() - pulled[-1]
    result = soaking.result()
    steady = next(finding for finding in result["findings"] if finding["check"] == "link-steady")
    assert (steady["outcome"], steady["measured"]["downs"]) == ("fail", 2)
    assert "2 times" in steady["headline"] and 0.5 < steady["measured"]["down_s"] < down_s + 1
    told = [
        datetime.fromisoformat(one["at"]).timestamp()
        for one in result["soak"]["happened"]
        if one["kind"].startswith("link")
    ]
    for moment in pulled:
        assert any(0 <= at - moment <= 2 for at in told), (pulled, result["soak"]["happened"])
    assert "fail" not in {outcomes(result)["loop"], outcomes(result)["link-errors"]}


def test_a_stream_with_gaps_is_found_and_two_soaks_do_not_disturb_each_other(
    rig: Rig, tmp_path: Path
) -> None:
    log = tmp_path / "soak.db"
    member = senders.join(rig, "desk", ["233.252.0.1"], 30)
    stream = {"plan": "rtp", "group": "233.252.0.1", "seconds": 25, "ssrc": 7, "skip": [*range(4000, 4040)]}
    senders.send(rig, "box-left", stream, {"plan": "beat", "seconds": 25})
    time.sleep(1)
    first = Soaking(rig, log, "12s")
    second = Soaking(rig, log, "12s", "box 2", on="spare")
    results = [first.result(), second.result()]
    member.terminate()
    lossy = next(finding for finding in results[0]["findings"] if finding["check"] == "stream-health")
    assert lossy["outcome"] == "fail" and lossy["measured"]["packets_lost"] == 40, lossy
    assert results[0]["soak"]["figures"]["stream_packets_lost"] == 40
    with Log(log) as opened:
        assert {(one.facts.item, one.facts.state) for one in opened.all()} == {
            ("cable 7", "done"),
            ("box 2", "done"),
        }


def test_a_kill_costs_seconds_and_it_can_be_resumed(rig: Rig, tmp_path: Path) -> None:
    log = tmp_path / "soak.db"
    senders.send(rig, "box-drums", {"plan": "beat", "seconds": 40})
    soaking = Soaking(rig, log, "15s")
    time.sleep(8)
    soaking.process.send_signal(signal.SIGKILL)
    soaking.process.wait()
    with Log(log) as opened:
        facts = opened.all()[0].facts
    assert (
        facts.state == "interrupted" and facts.until_ns - facts.begun_ns >= 5e9 and facts.figures.frames > 300
    )
    resumed = rig.start(
        "desk",
        *live.PREFLIGHT,
        "soak",
        "resume",
        "--log",
        str(log),
        "--json",
        stdout=subprocess.PIPE,
        text=True,
    )
    time.sleep(2)
    twice = rig.start(
        "desk", *live.PREFLIGHT, "soak", "resume", "1", "--log", str(log), stderr=subprocess.PIPE, text=True
    )
    assert "is running already" in twice.communicate(timeout=PATIENCE_S)[1] and twice.returncode == 2
    result = json.loads(resumed.communicate(timeout=PATIENCE_S)[0].splitlines()[-1])
    assert len(result["soak"]["runs"]) == 2 and 15 <= result["soak"]["figures"]["watched_s"] < 15 + 7
    assert outcomes(result)["soak-time"] == "pass"


@pytest.mark.parametrize("options", [("--json",), ()], ids=["json", "text"])
def test_soak_sends_nothing(rig: Rig, tmp_path: Path, options: tuple[str, ...]) -> None:
    _silenced(rig)
    before = _state(rig)

    def soaks() -> None:
        soaking = rig.start(
            "desk", *live.PREFLIGHT, "soak", "run", "cable 7", "--adapter", "eth0", "--log", str(tmp_path / "soak.db"), *options,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        wait_until(lambda: (tmp_path / "soak.db").exists(), PATIENCE_S, "no log")
        time.sleep(3)
        assert _state(rig) == before  # a group joined and left again would show here only
        soaking.send_signal(signal.SIGTERM)
        out, errors = soaking.communicate(timeout=PATIENCE_S)
        assert "Traceback" not in errors and "eth0" in out

    assert _sent_meanwhile(rig, soaks) == []
    assert _state(rig) == before
