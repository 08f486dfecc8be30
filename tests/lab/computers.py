"""Computers as the product's own Linux reader finds them, on recorded /sys and /proc trees: what a veth
cannot show.

The desk has its audio adapter at eth1 with a fixed address, and a control network at eth0 with a leased one
and the default gateway.
"""

import tempfile
from collections.abc import Callable, Collection
from pathlib import Path

from preflight.facts import Facts
from preflight.host.common import link_local
from preflight.host.facts import Address
from tests.host.trees import Tree

AUDIO, CONTROL, BRIDGE = "eth1", "eth0", "br0"
GIGABIT = {"speed": 1000, "duplex": "full", "mtu": 1500, "carrier": 1, "carrier_changes": 2}
AUDIO_ADDRESS, CONTROL_ADDRESS = ("192.0.2.10", 24), ("198.51.100.7", 24)


def computer(
    files: dict[str, object] | None = None,
    *,
    audio: tuple[str, int] = AUDIO_ADDRESS,
    control: tuple[str, int] = CONTROL_ADDRESS,
    leased: bool = False,
    gateway: str = "",
    forwarding: bool = False,
    bridged: Collection[str] = (),
    **adapter,
) -> Callable[[], Facts]:
    """The desk with `files` of its audio adapter changed, or `adapter` (see `Tree.add`). `bridged` adapters
    are in one bridge, which then has the audio adapter's address."""

    def make() -> Facts:
        with tempfile.TemporaryDirectory(prefix="tree") as folder:
            tree = Tree(Path(folder))

            def add(
                name: str, changed: dict[str, object], address: tuple[str, int], gate: str, **more
            ) -> int:
                master = BRIDGE if name in bridged else None
                addresses = () if master and name == AUDIO else (Address(*address, link_local(address[0])),)
                at = tree.add(
                    name, {**GIGABIT, **changed}, addresses=addresses, gateways=(gate,) if gate else (),
                    master=master, **more,
                )  # fmt: skip
                tree.write(f"proc/sys/net/ipv4/conf/{name}/forwarding", int(forwarding))
                return int((at / "ifindex").read_text(encoding="utf-8"))

            tree.write("proc/sys/net/ipv4/ip_forward", int(forwarding))
            tree.add("lo", {"type": 772}, bus=None, addresses=(Address("127.0.0.1", 8),), gateways=())
            _leased(tree, add(CONTROL, {}, control, "198.51.100.1"), control[0])
            holder = add(AUDIO, files or {}, audio, gateway, **adapter)
            if bridged:
                holder = add(BRIDGE, {}, audio, "", bus=None, folders=["bridge"])
            if leased:
                _leased(tree, holder, audio[0])
            else:
                tree.write(f"run/systemd/netif/links/{holder}", "ADMIN_STATE=configured")
            return Facts(host=tree.read(), adapter=AUDIO)

    return make


def _leased(tree: Tree, index: int, address: str) -> None:
    tree.write(f"run/systemd/netif/links/{index}", "ADMIN_STATE=configured")
    tree.write(f"run/systemd/netif/leases/{index}", f"ADDRESS={address}")
