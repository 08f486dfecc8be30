"""The Linux reader on recorded trees, on hostile ones, and on the computer that runs the tests."""

import json
import os
import shutil
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight import host
from preflight.host.choose import propose
from preflight.host.facts import Address
from tests.host.trees import Tree
from tests.pipes import PATIENCE_S


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def test_a_slow_half_duplex_adapter_with_a_small_mtu(tree):
    tree.add("eth1", {"speed": 100, "duplex": "half", "mtu": 1400, "carrier": 1}, driver="e1000e")
    found = tree.adapter("eth1")
    assert (found.speed_mbps, found.duplex, found.mtu, found.carrier) == (100, "half", 1400, True)
    assert (found.kind, found.bus, found.driver) == ("ethernet", "pci", "e1000e")


def test_jumbo_and_counters(tree):
    tree.add("eth1", {"mtu": 9000, "carrier_changes": 7})
    for name, value in {"rx_crc_errors": 3, "tx_window_errors": 5, "collisions": 9, "rx_dropped": 2}.items():
        tree.write(f"sys/class/net/eth1/statistics/{name}", value)
    found = tree.adapter("eth1")
    assert found.mtu == 9000
    counted = found.counters
    assert (counted.rx_crc_errors, counted.late_collisions, counted.collisions) == (3, 5, 9)
    assert (counted.rx_dropped, counted.carrier_changes, counted.rx_frame_errors) == (2, 7, None)


@pytest.mark.parametrize(
    ("added", "kind", "reason"),
    [
        ({}, "ethernet", "pci"),
        ({"bus": "usb"}, "ethernet", "usb"),
        ({"bus": "virtio"}, "ethernet", "virtio"),
        ({"folders": ["wireless"]}, "wifi", "Wi-Fi"),
        ({"files": {"uevent": "DEVTYPE=wlan"}}, "wifi", "Wi-Fi"),
        ({"bus": None, "folders": ["bridge"]}, "bridge", "bridge"),
        ({"bus": None, "folders": ["bonding"]}, "bond", "act as one"),
        ({"bus": None, "files": {"tun_flags": "0x1002"}}, "vpn", "TAP"),
        ({"bus": None, "files": {"type": 65534, "tun_flags": "0x1001"}}, "vpn", "TUN"),
        ({"bus": None, "files": {"type": 65534, "uevent": "DEVTYPE=wireguard"}}, "vpn", "VPN"),
        ({"bus": None, "files": {"type": 512}}, "vpn", "tunnel"),
        ({"bus": None, "files": {"uevent": "DEVTYPE=vlan"}}, "virtual", "VLAN"),
        ({"bus": None, "files": {"uevent": "DEVTYPE=macvlan"}}, "virtual", "macvlan"),
        ({"bus": None, "files": {"ifindex": 3, "iflink": 4}}, "virtual", "veth pair"),
        ({"bus": None}, "virtual", "no hardware"),
        ({"bus": None, "files": {"type": 772}}, "loopback", "this computer only"),
        ({"files": {"uevent": "DEVTYPE=wwan"}}, "other", "modem"),
        ({"files": {"type": 32}}, "other", "link type 32"),
    ],
)
def test_the_kind_and_what_told_it(tree, added, kind, reason):
    tree.add("x0", **added)
    found = tree.adapter("x0")
    assert found.kind == kind and reason in found.kind_reason
    assert found.bus == (added.get("bus", "pci") or "virtual")


def test_a_bridge_member_names_its_bridge(tree):
    tree.add("br0", bus=None, folders=["bridge"])
    tree.add("eth1", master="br0")
    assert (tree.adapter("eth1").master, tree.adapter("br0").master) == ("br0", None)


@pytest.mark.parametrize("speed", ["-1", "4294967295", "0", ""])
def test_what_the_kernel_does_not_know_stays_none(tree, speed):
    tree.add("eth1", {"speed": speed, "duplex": "unknown"})
    found = tree.adapter("eth1")
    assert (found.speed_mbps, found.duplex, found.carrier, found.mtu) == (None, None, None, None)


def test_off_and_unplugged_are_two_things(tree):
    tree.add("off", {"flags": "0x1002"}, enabled=True)
    tree.add("out", {"flags": "0x1003", "carrier": 0}, carrier=True)
    assert tree.adapter("off").enabled is False
    assert (tree.adapter("out").enabled, tree.adapter("out").carrier) == (True, False)


def test_the_sysfs_of_another_namespace_is_not_believed(tree):
    tree.add("eth0", {"speed": 100, "address": "00:00:5e:00:53:ff"}, speed_mbps=1000)
    found = tree.adapter("eth0")
    assert (found.kind, found.speed_mbps) == (None, 1000)


@pytest.mark.parametrize(
    ("ipv4", "ipv6", "expected"),
    [(1, 0, True), (0, 1, True), (0, 0, False), (0, None, False), (None, None, None)],
)
def test_forwarding_of_either_version(tree, ipv4, ipv6, expected):
    tree.add("eth1")
    for path, value in (
        ("ipv4/ip_forward", ipv4),
        ("ipv4/conf/eth1/forwarding", ipv4),
        ("ipv6/conf/all/forwarding", ipv6),
        ("ipv6/conf/eth1/forwarding", ipv6),
    ):
        if value is not None:
            tree.write(f"proc/sys/net/{path}", value)
    found = tree.read()
    assert found.ip_forwarding is expected and found.adapters[0].forwarding is expected


KEYFILE = "[connection]\nuuid=5e0053\n\n[ipv4]\n{}\n"
LEASE = 'lease {{\n  interface "{}";\n  fixed-address {};\n  option routers 192.0.2.1;\n}}\n'
MANAGED = ("run/NetworkManager/devices/2", "[device]\nmanaged=1\nconnection-uuid=5e0053")
CONNECTION = "etc/NetworkManager/system-connections/show"


@pytest.mark.parametrize(
    ("files", "origin"),
    [
        ([], None),
        ([("run/systemd/netif/leases/2", "ADDRESS=192.0.2.10\nROUTER=192.0.2.1")], "dhcp"),
        ([("run/systemd/netif/leases/3", "ADDRESS=192.0.2.10")], None),
        ([("run/systemd/netif/links/2", "ADMIN_STATE=configured")], "static"),
        ([("run/systemd/netif/links/2", "ADMIN_STATE=unmanaged")], None),
        ([MANAGED, (CONNECTION, KEYFILE.format("method=manual\naddress1=192.0.2.10/24"))], "static"),
        ([MANAGED, (CONNECTION, KEYFILE.format("method=auto"))], "dhcp"),
        ([MANAGED, (CONNECTION, KEYFILE.format("method=auto\naddress1=192.0.2.10/24"))], "static"),
        ([MANAGED], None),
        ([(CONNECTION, KEYFILE.format("method=manual"))], None),
        ([("var/lib/dhcp/dhclient.eth1.leases", LEASE.format("eth1", "192.0.2.10"))], "dhcp"),
        ([("var/lib/dhcp/dhclient.eth1.leases", LEASE.format("eth2", "192.0.2.10"))], None),
        ([("var/lib/dhcp/dhclient.leases", 'lease {\n  interface "eth1";\n}\n')], None),
        (
            [
                (
                    "var/lib/dhcp/dhclient.leases",
                    LEASE.format("eth1", "192.0.2.10") + LEASE.format("eth1", "192.0.2.77"),
                )
            ],
            None,
        ),
    ],
)
def test_where_an_address_came_from(tree, files, origin):
    tree.add("eth1", addresses=(Address("192.0.2.10", 24), Address("169.254.3.4", 16, "link-local")))
    for path, text in files:
        tree.write(path, text)
    assert [each.origin for each in tree.adapter("eth1").addresses] == [origin, "link-local"]


@settings(max_examples=60)
@given(
    junk=st.one_of(
        st.binary(max_size=60), st.sampled_from([b"9" * 4000, b"\x1b[2J", b"-\n", b"0x", b"=\n=="])
    ),
    path=st.sampled_from(
        [
            *(
                f"sys/class/net/eth1/{file}"
                for file in ("type", "speed", "flags", "uevent", "mtu", "carrier")
            ),
            "sys/class/net/eth1/statistics/collisions",
            "proc/sys/net/ipv4/ip_forward",
            "run/systemd/netif/leases/2",
            "run/NetworkManager/devices/2",
            CONNECTION,
            "var/lib/dhcp/dhclient.leases",
        ]
    ),
)
def test_a_hostile_tree_gives_facts_that_can_be_shown(tmp_path_factory, junk, path):
    tree = Tree(tmp_path_factory.mktemp("tree"))
    tree.add("eth1", addresses=(Address("192.0.2.10", 24),))
    tree.write(path, junk)
    assert "\x1b" not in json.dumps(asdict(tree.read()), ensure_ascii=False)


def test_folders_and_dangling_links_where_files_should_be(tree):
    folder = tree.add("eth1", {"speed": 1000})
    (folder / "mtu").mkdir()
    (folder / "carrier").symlink_to("nowhere")
    tree.write("run/NetworkManager/devices/2/x", "y")
    found = tree.adapter("eth1")
    assert (found.mtu, found.carrier, found.speed_mbps) == (None, None, 1000)


here = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("ip") is None, reason="compares with iproute2's ip on Linux"
)


@here
def test_this_computer_as_ip_tells_it():
    told = json.loads(subprocess.run(["ip", "-j", "addr"], capture_output=True, check=True).stdout)
    read = host.read()
    assert {each.name for each in read.adapters} == {each["ifname"] for each in told}
    for each in told:
        found = read.adapter(each["ifname"])
        assert found is not None
        assert found.mtu == each["mtu"] and found.enabled == ("UP" in each["flags"])
        if found.enabled:
            assert found.carrier == ("LOWER_UP" in each["flags"])
        if each["link_type"] == "ether":
            assert found.hardware_address == each["address"]
        assert {(own.text, own.prefix) for own in found.addresses} == {
            (own["local"], own["prefixlen"]) for own in each["addr_info"]
        }


SETUP = """
set -e
ip link add audio type veth peer name far
ip link set audio mtu 1400; ip link set audio up; ip link set far up
ip address add 192.0.2.10/24 dev audio; ip address add 192.0.2.11/24 dev audio label audio:x
ip link add br0 type bridge; ip link set far master br0
ip tuntap add tap0 mode tap
ip route add 203.0.113.0/24 via 192.0.2.2
ip route add default via 192.0.2.1
sysctl -q -w net.ipv4.conf.audio.forwarding=1
"""
READ = """
import json
from dataclasses import asdict
from preflight import host
from preflight.host.choose import propose
facts = host.read()
print(json.dumps({"chosen": propose(facts).chosen, "adapters": {each.name: asdict(each) for each in facts.adapters}}))
"""


@here
def test_a_namespace_with_a_cable_made_by_software():
    namespace = f"pfhost{os.getpid()}"
    made = subprocess.run(["ip", "netns", "add", namespace], capture_output=True, text=True, check=False)
    if made.returncode:
        if os.environ.get("CI"):
            raise RuntimeError(made.stderr)
        pytest.skip(f"cannot make a network namespace: {made.stderr.strip()}")
    try:
        inside = ["ip", "netns", "exec", namespace]
        subprocess.run([*inside, "sh", "-c", SETUP], check=True, timeout=PATIENCE_S)
        done = subprocess.run(
            [*inside, sys.executable, "-c", READ], capture_output=True, check=True, timeout=PATIENCE_S
        )
    finally:
        subprocess.run(["ip", "netns", "del", namespace], check=True)
    read = json.loads(done.stdout)
    assert read["chosen"] == "audio"
    assert {name: each["kind"] for name, each in read["adapters"].items()} == {
        "lo": "loopback",
        "audio": "virtual",
        "far": "virtual",
        "br0": "bridge",
        "tap0": "vpn",
    }
    audio = read["adapters"]["audio"]
    assert "veth pair" in audio["kind_reason"]
    assert (audio["mtu"], audio["carrier"], audio["duplex"], audio["forwarding"]) == (
        1400,
        True,
        "full",
        True,
    )
    assert audio["gateways"] == ["192.0.2.1"]
    assert [each["text"] for each in audio["addresses"] if ":" not in each["text"]] == [
        "192.0.2.10",
        "192.0.2.11",
    ]
    assert read["adapters"]["far"]["master"] == "br0"


def test_reading_proposes_without_an_error():
    assert {one.name for one in propose(host.read()).candidates} == {
        each.name for each in host.read().adapters
    }
