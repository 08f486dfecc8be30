"""LLDP and CDP: against what the frames were built from, and real switches in public captures."""

from pathlib import Path

import dpkt
import pytest

from preflight import wire
from tests.wire import samples
from tests.wire.samples import SERVER, picked

PUBLIC = Path(__file__).parents[2].parent / "shared" / "public-captures"
here = pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")


def test_an_access_point_by_its_enabled_capabilities():
    frame = samples.lldp(
        wlan_access_point_available=1,
        wlan_access_point_enabled=1,
        mac_bridge_available=1,
        mac_bridge_enabled=1,
    )
    fact = wire.read("lldp", picked(frame))
    assert (fact.chassis, fact.port, fact.ttl_s) == (SERVER, "trunk", 120)
    assert (fact.system_name, fact.system_description, fact.port_description) == (
        "backstage",
        "an invented switch",
        "port 3",
    )
    assert fact.wlan_access_point and fact.bridge and not fact.router and not fact.station


def test_what_a_device_could_be_is_not_what_it_is():
    fact = wire.read("lldp", picked(samples.lldp(wlan_access_point_available=1, station_only_available=1)))
    assert fact.station and not fact.wlan_access_point


def test_a_rule_broken_in_one_part_does_not_hide_the_rest():
    """A management address of no length, which strict dissectors refuse, before the capabilities."""
    frame = bytes(samples.lldp(wlan_access_point_enabled=1))
    at = frame.index(bytes.fromhex("0e04"))
    broken = frame[:at] + bytes.fromhex("1008 01 01 02 00000001 00".replace(" ", "")) + frame[at:]
    assert wire.read("lldp", picked(broken)).wlan_access_point


def test_cdp():
    fact = wire.read("cdp", picked(samples.cdp()))
    assert (fact.device, fact.port, fact.platform) == ("foh-switch", "port 3", "invented")
    assert (fact.router, fact.bridge, fact.switch) == (True, False, True)


# IEEE 802.3 annex 79.3: MAC/PHY (support and status, advertised, operational MAU type), frame size, EEE wake
# times.
@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("00120f01 03 6c01 001e", {"speed_mbps": 1000, "duplex": "full", "by_hand": False}),
        ("00120f01 03 6c01 001d", {"speed_mbps": 1000, "duplex": "half"}),
        ("00120f01 01 0000 000f", {"speed_mbps": 100, "duplex": "half", "by_hand": True}),
        ("00120f01 00 0000 0010", {"speed_mbps": 100, "duplex": "full", "by_hand": False}),
        ("00120f01 03 0000 0067", {"speed_mbps": 2500, "duplex": "full"}),
        ("00120f01 03 0000 2000", {"speed_mbps": None, "duplex": None}),
        ("00120f01 03 00", {"speed_mbps": None, "duplex": None, "by_hand": None}),
        ("00120f04 05ee", {"max_frame_bytes": 1518}),
        ("00120f04", {"max_frame_bytes": None}),
        ("00120f05 001e 001e 001e 001e 001e", {"eee": True}),
        ("00120f05 0000 0000 001e 0000 0000", {"eee": False}),
        ("0080c201 0014", {"vlan": 20, "eee": None, "speed_mbps": None}),
        ("0080c201 0000", {"vlan": None}),
    ],
)
def test_how_the_neighbours_port_is_set(value, told):
    fact = wire.read("lldp", picked(samples.lldp(more=("0080c203000107", value))))
    assert {name: getattr(fact, name) for name in told} == told


def test_cdp_duplex_and_vlan():
    fact = wire.read("cdp", picked(samples.cdp(duplex=0, vlan=20)))
    assert (fact.duplex, fact.vlan) == ("half", 20)
    assert wire.read("cdp", picked(samples.cdp())).duplex is None


@here
@pytest.mark.parametrize(
    ("file", "number", "told"),
    [
        ("LLDP_and_CDP.pcap", 4, (100, "full", 1)),
        ("LLDP_and_CDP.pcap", 1, ("full", 1)),
        ("3560_CDP.pcap", 1, ("full", 1)),
    ],
)
def test_how_real_ports_are_set(file, number, told):
    with (PUBLIC / file).open("rb") as capture:
        frame = [data for _, data in dpkt.pcap.Reader(capture)][number - 1]
    fact = wire.read("lldp" if len(told) == 3 else "cdp", picked(frame))
    names = ("speed_mbps", "duplex", "vlan")[-len(told) :]
    assert tuple(getattr(fact, name) for name in names) == told


@here
@pytest.mark.parametrize(
    ("file", "kind", "number", "name", "port"),
    [
        ("LLDP_and_CDP.pcap", "cdp", 1, "S1", "FastEthernet0/13"),
        ("LLDP_and_CDP.pcap", "lldp", 4, "S1", "Fa0/13"),
        ("3560_CDP.pcap", "cdp", 1, "Switch", "GigabitEthernet0/5"),
    ],
)
def test_real_switches(file, kind, number, name, port):
    with (PUBLIC / file).open("rb") as capture:
        frame = [data for _, data in dpkt.pcap.Reader(capture)][number - 1]
    fact = wire.read(kind, picked(frame))
    told = fact.device if kind == "cdp" else fact.system_name.split(".")[0]
    assert (told, fact.port) == (name, port)
    assert not getattr(fact, "wlan_access_point", False)
