"""Namespaces, cables and switches: the healthy hardware of an invented touring rig.

Two switches (a kernel bridge each, in a namespace each) joined by a trunk; the desk, its spare, engine A and
a strange box hang on the switch at front of house, engine B and the stage boxes on the one on stage. Every
veth is made directly inside the two namespaces it joins, so that nothing ever appears beside the machine's
own adapters, and IPv6 is off before the first device exists, or the kernel would talk by itself. Names begin
with pf<pid>: a run removes its own, and those of runs whose process has died.
"""

import contextlib
import os
import re
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Self

TOP = Path(__file__).resolve().parents[2]
OFFLOADS = ["tx", "off", "rx", "off", "tso", "off", "gso", "off", "gro", "off"]

# name: (switch, last octet of the IPv4 address, last octet of the hardware address)
DEVICES = {
    "desk": ("foh", 10, 0x0A),
    "spare": ("foh", 11, 0x0B),
    "engine-a": ("foh", 20, 0x14),
    "guest": ("foh", 66, 0x42),
    "engine-b": ("stage", 21, 0x15),
    "box-left": ("stage", 31, 0x1F),
    "box-right": ("stage", 32, 0x20),
    "box-drums": ("stage", 33, 0x21),
}
SWITCHES = {"foh": (1, 0xF0), "stage": (2, 0xE0)}


def mac(octet: int) -> str:
    return f"00:00:5e:00:53:{octet:02x}"


@dataclass(frozen=True)
class Node:
    """A device or switch. `dev` is the adapter in its namespace (the bridge, for a switch)."""

    name: str
    ns: str
    mac: str
    ip: str
    dev: str


class Unavailable(RuntimeError):
    """No root, or no network namespaces, on this machine."""


class Rig:
    """`with Rig() as rig:` makes the rig and always removes it, with every process that was started in it.

    `stp` switches the spanning tree on. `second_cable` lays a second cable between the switches, which with
    `stp` is plugged in, and without is no port of the switch at front of house yet. `querier` has the switch
    at front of house ask for group members."""

    def __init__(
        self, *, stp: bool = False, second_cable: bool = False, querier: bool = True, snooping: bool = True
    ):
        self.prefix = f"pf{os.getpid()}"
        self.stp, self.second_cable, self.querier, self.snooping = stp, second_cable, querier, snooping
        self.nodes: dict[str, Node] = {}
        self._processes: list[subprocess.Popen] = []
        self._scratch = contextlib.ExitStack()

    def __getitem__(self, name: str) -> Node:
        return self.nodes[name]

    def __enter__(self) -> Self:
        if os.geteuid() != 0:
            raise Unavailable("the lab needs root to make network namespaces")
        _remove_leftovers()
        self.scratch = Path(self._scratch.enter_context(tempfile.TemporaryDirectory(prefix=self.prefix)))
        self.scratch.chmod(0o755)  # lldpd reads its configuration as a user of its own
        try:
            self._build()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(self, *_) -> None:
        self.close()

    def close(self) -> None:
        """End what was started here, by process id, then remove the namespaces."""
        for process in self._processes:
            stop(process)
        for node in self.nodes.values():
            subprocess.run(["ip", "netns", "del", node.ns], check=False, capture_output=True)
        self.nodes.clear()
        self._scratch.close()

    def run(self, name: str, *command: str, check: bool = True, timeout: float = 60) -> str:
        """Run a command in a namespace to its end, and give what it printed."""
        full = ["ip", "netns", "exec", self[name].ns, *command]
        done = subprocess.run(full, cwd=TOP, capture_output=True, text=True, check=False, timeout=timeout)
        if check and done.returncode:
            raise RuntimeError(f"{' '.join(full)}: {done.stderr.strip() or done.stdout.strip()}")
        return done.stdout

    def start(self, name: str, *command: str, **popen) -> subprocess.Popen:
        """Start a command in a namespace; the rig ends it when it closes. `ip netns exec` keeps the process
        id."""
        popen = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, **popen}
        process = subprocess.Popen(["ip", "netns", "exec", self[name].ns, *command], cwd=TOP, **popen)
        self._processes.append(process)
        return process

    def silence(self, name: str) -> None:
        """End what was started in a namespace."""
        for process in self._processes:
            if isinstance(process.args, list) and self[name].ns in process.args:
                stop(process)

    def link(self, name: str, dev: str, *, up: bool) -> None:
        _ip(f"-n {self[name].ns} link set {dev} {'up' if up else 'down'}")

    def port(self, device: str) -> tuple[str, str]:
        """The switch that a device hangs on, and the name of its port there."""
        return DEVICES[device][0], device

    def _build(self) -> None:
        for name, (host, octet) in SWITCHES.items():
            self._add(name, host, octet, dev="br0")
        for name, (_, host, octet) in DEVICES.items():
            self._add(name, host, octet, dev="eth0")
        for name in SWITCHES:
            self._make_bridge(self[name])
        for number, (name, (switch, _, octet)) in enumerate(DEVICES.items(), start=1):
            base = SWITCHES[switch][1]
            self.cable((name, "eth0", mac(octet)), (switch, name, mac(base + number)))
            _ip(f"-n {self[name].ns} address add {self[name].ip}/24 brd + dev eth0")
            _ip(f"-n {self[name].ns} link set eth0 up")
        self.cable(("foh", "trunk", mac(0xFE)), ("stage", "trunk", mac(0xEE)))
        if self.second_cable:
            self.cable(("foh", "second", mac(0xFF)), ("stage", "second", mac(0xEF)), plugged=self.stp)

    def _add(self, name: str, host: int, octet: int, dev: str) -> None:
        node = Node(name, f"{self.prefix}-{name}", mac(octet), f"192.0.2.{host}", dev)
        try:
            _ip(f"netns add {node.ns}")
        except RuntimeError as error:
            raise Unavailable(f"the lab cannot make a network namespace: {error}") from None
        self.nodes[name] = node
        quiet = [f"net.ipv6.conf.{which}.disable_ipv6=1" for which in ("all", "default")]
        self.run(name, "sysctl", "-q", "-w", *quiet)

    def _make_bridge(self, node: Node) -> None:
        stp = "stp_state 1 forward_delay 200 hello_time 100 max_age 600" if self.stp else "stp_state 0"
        asks = int(self.querier and node.name == "foh")
        snooping = (
            f"mcast_snooping 1 mcast_querier {asks} mcast_query_use_ifaddr 1 mcast_igmp_version 3 "
            "mcast_query_interval 200 mcast_query_response_interval 100 mcast_startup_query_interval 100"
            if self.snooping
            else "mcast_snooping 0"
        )
        _ip(f"-n {node.ns} link add br0 address {node.mac} type bridge {stp} {snooping}")
        _ip(f"-n {node.ns} address add {node.ip}/24 brd + dev br0")
        _ip(f"-n {node.ns} link set br0 up")

    def cable(self, near: tuple[str, str, str], far: tuple[str, str, str], *, plugged: bool = True) -> None:
        """Lay a cable between two (namespace, adapter, hardware address); a switch's end becomes a port of
        it, the near one only where it is `plugged`."""
        (a, dev_a, mac_a), (b, dev_b, mac_b) = near, far
        _ip(
            f"link add {dev_a} netns {self[a].ns} address {mac_a} type veth "
            f"peer name {dev_b} netns {self[b].ns} address {mac_b}"
        )
        for end in (near, far):
            name, dev, _ = end
            self.run(name, "ethtool", "-K", dev, *OFFLOADS)
            if name in SWITCHES:
                if plugged or end is far:
                    _ip(f"-n {self[name].ns} link set {dev} master br0")
                self.link(name, dev, up=True)


def stop(process: subprocess.Popen, patience_s: float = 3) -> None:
    """End one process that this run started: asked first, then made to."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_until(true_yet, seconds: float, what: str) -> None:
    deadline = time.monotonic() + seconds
    while not true_yet():
        if time.monotonic() > deadline:
            raise RuntimeError(f"waited {seconds:g} s in vain: {what}")
        time.sleep(0.02)


def _ip(arguments: str) -> None:
    done = subprocess.run(["ip", *arguments.split()], capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"ip {arguments}: {done.stderr.strip()}")


def _remove_leftovers() -> None:
    listing = subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=False).stdout
    for name in re.findall(r"^(pf(\d+)-\S+)", listing, re.MULTILINE):
        if not Path(f"/proc/{name[1]}").exists():
            subprocess.run(["ip", "netns", "del", name[0]], check=False, capture_output=True)
