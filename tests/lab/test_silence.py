"""Nothing leaves the adapter while a command listens, and it hears what real components say."""

import json
import re
import signal
import time
from collections.abc import Callable

import pytest

from tests.lab import faults, frames, live, record, scene, senders
from tests.lab.rig import Rig

COUNTERS = ("tx_packets", "tx_bytes", "tx_dropped", "tx_errors")


def _state(rig: Rig) -> dict[str, str]:
    """What would change if something were sent or joined. The timers in /proc/net/igmp count down by
    themselves."""
    read = {name: rig.run("desk", "cat", f"/sys/class/net/eth0/statistics/{name}") for name in COUNTERS}
    igmp = rig.run("desk", "cat", "/proc/net/igmp")
    read["igmp"] = re.sub(r"\b\d+:[0-9A-F]{8}\b", "timer", igmp)
    return read | {"dev_mcast": rig.run("desk", "cat", "/proc/net/dev_mcast")}


def _silenced(rig: Rig) -> None:
    """A desk whose kernel has nothing to say either: no address to be asked for, no memberships to report.
    What it hears asks for no answer."""
    rig.run("desk", "ip", "address", "flush", "dev", "eth0")
    rig.run("foh", "ip", "link", "set", "br0", "type", "bridge", "mcast_querier", "0")
    senders.send(rig, "box-drums", {"plan": "beat", "seconds": 30})


def _sent_meanwhile(rig: Rig, during: Callable[[], object]) -> list[record.Frame]:
    """The frames that came out of the desk's cable at its far end, from whatever address: the switch's port
    sees its own sends too, but nothing in it has the desk's address."""
    [far_end] = record.listen(rig, [("foh", "desk")], 9, during=during)
    assert len(far_end.frames) > 100  # it did hear what passes
    other = {bytes.fromhex(node.mac.replace(":", "")) for node in rig.nodes.values() if node.name != "desk"}
    return [frame for frame in far_end.frames if frame.data[6:12] not in other]


# The command's options, how its listening ends, and what it then prints.
def _to_its_end(_: Rig, __: object) -> None:
    pass


def _interrupted(_: Rig, listening) -> None:
    time.sleep(1)
    listening.send_signal(signal.SIGINT)


@pytest.mark.parametrize(
    ("options", "ends"),
    [(("--json",), _to_its_end), ((), _to_its_end), (("--json",), _interrupted), ((), _interrupted)],
    ids=["json", "text", "json, Ctrl-C", "text, Ctrl-C"],
)
def test_linecheck_sends_nothing(rig: Rig, options: tuple[str, ...], ends: Callable) -> None:
    _silenced(rig)
    before = _state(rig)
    said: list[str] = []
    between: list[dict[str, str]] = []

    def listens() -> None:
        listening = live.start(rig, 3, *options)
        time.sleep(0.5)
        between.append(_state(rig))  # a group joined and left again would show here only
        ends(rig, listening)
        out, errors = listening.communicate(timeout=60)
        assert "Traceback" not in errors
        said.append(out)

    assert _sent_meanwhile(rig, listens) == []
    assert between == [before]
    assert _state(rig) == before
    if not options:
        assert "eth0" in said[0]
        return
    source = json.loads(said[0])["source"]
    assert (source["kind"], source["partial"]) == ("live", ends is _interrupted)
    assert source["frames"] > 50


def test_a_frame_that_is_sent_would_be_seen(rig: Rig) -> None:
    """The instruments of the test above do show one frame, and one membership."""
    _silenced(rig)
    before = _state(rig)
    stranger = "02:00:5e:00:53:01"
    frame = frames.ethernet("01:00:5e:90:10:07", stranger, frames.BEAT_ETHERTYPE, b"hello")
    assert len(_sent_meanwhile(rig, lambda: senders.once(rig, "desk", frame))) == 1
    after = _state(rig)
    assert int(after["tx_packets"]) == int(before["tx_packets"]) + 1
    rig.run("desk", "ip", "address", "add", f"{rig['desk'].ip}/24", "dev", "eth0")
    members = _state(rig)
    member = senders.join(rig, "desk", ["233.252.0.9"], 5)
    for _ in range(40):
        time.sleep(0.1)
        if _state(rig)["igmp"] != members["igmp"]:
            break
    joined = _state(rig)
    member.terminate()
    assert joined["igmp"] != members["igmp"] and joined["dev_mcast"] != members["dev_mcast"]


def test_linecheck_hears_a_real_dhcp_server(rig: Rig) -> None:
    scene.play(rig, 30, clock=False, wait_s=1)
    listening = live.start(rig, 8, "--json")
    faults.stray_dhcp(rig, client="spare")
    out, _ = listening.communicate(timeout=60)
    found = {finding["check"]: finding for finding in json.loads(out)["findings"]}
    assert found["stray-dhcp"]["outcome"] == "fail", out
    assert found["stray-dhcp"]["culprits"] == [rig["guest"].mac]
