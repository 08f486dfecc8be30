"""Nothing leaves the adapter while a command listens, and it hears what real components say."""

import json
import os
import re
import sys
import time
from collections.abc import Iterator

import pytest

from preflight.frames.compile import compiled
from tests.lab import faults, record, scene, senders
from tests.lab.rig import Rig, Unavailable

LINECHECK = (sys.executable, "-m", "preflight", "linecheck", "--adapter", "eth0", "--json", "--listen")
COUNTERS = ("tx_packets", "tx_bytes", "tx_dropped", "tx_errors")


@pytest.fixture
def rig() -> Iterator[Rig]:
    compiled()  # on a new machine it takes seconds, in which the command would not listen yet
    try:
        made = Rig().__enter__()
    except Unavailable as reason:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(reason))
    try:
        yield made
    finally:
        made.close()


def _state(rig: Rig) -> dict[str, str]:
    """What would change if something were sent or joined. The timers in /proc/net/igmp count down by
    themselves."""
    read = {name: rig.run("desk", "cat", f"/sys/class/net/eth0/statistics/{name}") for name in COUNTERS}
    igmp = rig.run("desk", "cat", "/proc/net/igmp")
    read["igmp"] = re.sub(r"\b\d+:[0-9A-F]{8}\b", "timer", igmp)
    return read | {"dev_mcast": rig.run("desk", "cat", "/proc/net/dev_mcast")}


def _silenced(rig: Rig) -> None:
    """A desk whose kernel has nothing to say either: no address to be asked for, no memberships to report."""
    rig.run("desk", "ip", "address", "flush", "dev", "eth0")
    rig.run("foh", "ip", "link", "set", "br0", "type", "bridge", "mcast_querier", "0")


def test_linecheck_sends_nothing(rig: Rig) -> None:
    _silenced(rig)
    senders.send(
        rig, "box-drums", {"plan": "beat", "seconds": 12}
    )  # something to hear, that asks for no answer
    before = _state(rig)
    results = []
    [far_end] = record.listen(
        rig, [("foh", "desk")], 8, during=lambda: results.append(json.loads(_linecheck(rig, "5s")))
    )
    assert _state(rig) == before
    sent = [
        frame
        for frame in far_end.frames
        if frame.data[6:12] == bytes.fromhex(rig["desk"].mac.replace(":", ""))
    ]
    assert sent == []
    assert results[0]["source"]["kind"] == "live"
    assert results[0]["source"]["frames"] > 100


def test_linecheck_hears_a_real_dhcp_server(rig: Rig) -> None:
    scene.play(rig, 30, clock=False, wait_s=1)
    listening = rig.start("desk", *LINECHECK, "8s", stdout=-1, text=True)
    _wait_for_socket(rig)
    faults.stray_dhcp(rig, client="spare")
    out, _ = listening.communicate(timeout=60)
    found = {finding["check"]: finding for finding in json.loads(out)["findings"]}
    assert found["stray-dhcp"]["outcome"] == "fail", out
    assert rig["guest"].mac in json.dumps(found["stray-dhcp"])


def _wait_for_socket(rig: Rig) -> None:
    """The command listens once its packet socket is in the namespace's list; a busy machine is slow to start it."""
    for _ in range(120):
        if len(rig.run("desk", "cat", "/proc/net/packet").splitlines()) > 1:
            return
        time.sleep(0.25)
    pytest.fail("linecheck did not open its socket within 30 s")


def _linecheck(rig: Rig, spell: str) -> str:
    return rig.run("desk", *LINECHECK, spell, check=False)
