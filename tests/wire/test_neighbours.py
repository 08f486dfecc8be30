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
