"""The product's line check on a desk in the lab, as a user runs it."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from typing import Any

from tests.lab import frames, scene, senders
from tests.lab.rig import Rig, mac, wait_until

PREFLIGHT = (sys.executable, "-m", "preflight")
LINECHECK = (*PREFLIGHT, "linecheck", "--adapter", "eth0")
# No adapter is named, and the lab's are wired ones.
CHOOSING = (sys.executable, "-m", "tests.lab.wired", "linecheck")
# The desk's adapter in the lab is one end of a veth, and the machine below it is as busy as the tests make
# it: the product rightly says so.
OF_THE_LAB = frozenset({"adapter-kind", "computer-load", "computer-power"})
Breaks = Callable[[Rig, subprocess.Popen], object]


def start(rig: Rig, seconds: float, *options: str, command: tuple[str, ...] = LINECHECK) -> subprocess.Popen:
    """Begin a line check, and come back when its packet socket stands: a busy machine is slow to start it."""
    listening = rig.start(
        "desk", *command, "--listen", f"{seconds:g}s", *options,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    wait_until(
        lambda: (
            listening.poll() is not None or len(rig.run("desk", "cat", "/proc/net/packet").splitlines()) > 1
        ),
        60,
        "linecheck did not open its socket",
    )
    return listening


def linechecked(
    break_it: Breaks | None = None,
    *,
    seconds: float = 5,
    streams: Mapping[str, str] = scene.STREAMS,
    begins_s: float = 1.0,
    **rig_options: bool,
) -> Callable[[], dict]:
    """The result of listening to the show, broken by `break_it` in the middle."""

    def make() -> dict:
        with Rig(**rig_options) as rig:
            scene.play(rig, seconds + 15, streams=streams, clock=False, wait_s=1)
            listening = start(rig, seconds, "--json")
            time.sleep(begins_s)
            if break_it:
                break_it(rig, listening)
            out, errors = listening.communicate(timeout=seconds + 60)
            if not out:
                raise RuntimeError(f"linecheck said nothing: {errors}")
            return json.loads(out)

    return make


def linechecked_before(
    spoil: Callable[[Rig], object] = lambda _: None,
    *,
    command: tuple[str, ...] = LINECHECK,
    seconds: float = 5,
    **play: Any,
) -> Callable[[], dict]:
    """The result at a rig that was spoilt before anybody listened. Nothing plays unless `play` says what."""

    def make() -> dict:
        with Rig() as rig:
            if play:
                scene.play(rig, seconds + 15, clock=False, wait_s=1, **play)
            spoil(rig)
            out, errors = start(rig, seconds, "--json", command=command).communicate(timeout=seconds + 60)
            if not out:
                raise RuntimeError(f"linecheck said nothing: {errors}")
            return json.loads(out)

    return make


def audio_cable_out(rig: Rig, *, gateway: bool = True) -> None:
    """The desk's audio cable is out; by its second adapter it is in the control network, whose router and
    tablet talk."""
    rig.link(*rig.port("desk"), up=False)
    rig.cable(("desk", "eth1", mac(0xA1)), ("guest", "eth1", mac(0xA2)))
    for name, address in (("desk", "198.51.100.7/24"), ("guest", "198.51.100.1/24")):
        rig.run(name, "ip", "address", "add", address, "dev", "eth1")
        rig.link(name, "eth1", up=True)
    if gateway:
        rig.run("desk", "ip", "route", "add", "default", "via", "198.51.100.1", "dev", "eth1")
    asks = [frames.arp(mac(octet), f"198.51.100.{octet}", "198.51.100.7") for octet in (0xA2, 0xA3)]
    plan = {"plan": "listed", "raw": [each.hex() for each in asks], "every_s": 0.2, "rounds": 60}
    senders.send(rig, "guest", plan, dev="eth1")


def alone(rig: Rig) -> None:
    """The switch passes nothing to the desk, and the desk asks for its engine."""
    switch, port = rig.port("desk")
    rig.run(switch, "ip", "link", "set", port, "nomaster")
    asks = frames.arp(rig["desk"].mac, rig["desk"].ip, rig["engine-a"].ip)
    senders.send(rig, "desk", {"plan": "listed", "raw": [asks.hex()], "every_s": 0.5, "rounds": 30})


def pulled(*, back_after_s: float | None = None) -> Breaks:
    """The desk's cable is pulled at the switch, and plugged in again where `back_after_s` says when."""

    def pull(rig: Rig, _: subprocess.Popen) -> None:
        switch, port = rig.port("desk")
        rig.link(switch, port, up=False)
        if back_after_s is not None:
            time.sleep(back_after_s)
            rig.link(switch, port, up=True)

    return pull


def turned_off(rig: Rig, _: subprocess.Popen) -> None:
    rig.link("desk", "eth0", up=False)


def cut_off(rig: Rig, _: subprocess.Popen) -> None:
    """The switch passes nothing more to the desk, whose link stays up; it still says its own name."""
    switch, port = rig.port("desk")
    rig.run(switch, "ip", "link", "set", port, "nomaster")


def hung(rig: Rig, listening: subprocess.Popen) -> None:
    """The switch passes nothing and says nothing, and the link stays up."""
    cut_off(rig, listening)
    rig.silence("foh")


def stalled(_: Rig, listening: subprocess.Popen) -> None:
    """The computer is too busy to read the ring: the kernel hands over one of its 32 blocks each 100 ms, so
    that after 3.2 s it has none left and drops what comes."""
    os.kill(listening.pid, signal.SIGSTOP)
    time.sleep(4.5)
    os.kill(listening.pid, signal.SIGCONT)
