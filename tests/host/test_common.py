"""The common reader: what psutil and netifaces tell, joined. They are stood in for, to be other systems."""

import socket

import netifaces
import psutil
import pytest
from psutil._ntuples import snicaddr, snicstats

from preflight.host import common

FULL, UNKNOWN = psutil.NIC_DUPLEX_FULL, psutil.NIC_DUPLEX_UNKNOWN


@pytest.fixture
def told(monkeypatch):
    """Sets what the libraries tell."""

    def tell(stats=None, addresses=None, gateways=None):
        monkeypatch.setattr(psutil, "net_if_stats", lambda: stats or {})
        monkeypatch.setattr(psutil, "net_if_addrs", lambda: addresses or {})
        monkeypatch.setattr(psutil, "net_io_counters", lambda **_: {})
        monkeypatch.setattr(netifaces, "gateways", lambda: gateways or {})
        return common.read()

    return tell


def inet(address, mask, family=socket.AF_INET):
    return snicaddr(family, address, mask, None, None)


def test_a_system_without_flags(told):
    read = told(
        {
            "Ethernet 2": snicstats(True, FULL, 1000, 1500, ""),
            "Wi-Fi": snicstats(False, UNKNOWN, 0, 1500, ""),
        },
        {
            "Ethernet 2": [
                inet("00-00-5E-00-53-10", None, psutil.AF_LINK),
                inet("192.0.2.10", "255.255.255.0"),
                inet("fe80::1%12", None, socket.AF_INET6),
            ]
        },
        {"default": {}, socket.AF_INET: [("198.51.100.1", "{5E0053-guid}", True)]},
    )
    wired, other = read.adapters
    assert (wired.enabled, wired.carrier, wired.speed_mbps, wired.duplex) == (True, True, 1000, "full")
    assert wired.hardware_address == "00:00:5e:00:53:10"
    assert [(each.text, each.prefix, each.origin) for each in wired.addresses] == [
        ("192.0.2.10", 24, None),
        ("fe80::1", None, "link-local"),
    ]
    assert (other.enabled, other.carrier, other.speed_mbps, other.duplex) == (None, None, None, None)
    assert wired.gateways is None, "a gateway by an adapter of another name is nobody's"
    assert (wired.kind, read.ip_forwarding) == (None, None)


def test_gateways_and_labels_belong_to_their_adapter(told):
    read = told(
        {name: snicstats(True, FULL, 1000, 1500, "up,running") for name in ("eth0", "eth1")},
        {
            "eth0": [inet("192.0.2.10", "255.255.255.0")],
            "eth0:1": [inet("198.51.100.9", "255.255.0.0")],
            "ppp9:x": [inet("203.0.113.5", "255.255.255.0")],
        },
        {"default": {}, socket.AF_INET: [("198.51.100.1", "eth0:1", True)]},
    )
    first, second, third = read.adapters
    assert (third.name, third.addresses[0].text, third.enabled) == ("ppp9:x", "203.0.113.5", None)
    assert [(each.text, each.prefix) for each in first.addresses] == [
        ("192.0.2.10", 24),
        ("198.51.100.9", 16),
    ]
    assert (first.gateways, second.gateways) == (("198.51.100.1",), ())


@pytest.mark.parametrize(
    ("flags", "running", "enabled", "carrier"),
    [
        ("up,running", True, True, True),
        ("up,broadcast", False, True, False),
        ("broadcast", False, False, None),
    ],
)
def test_flags_tell_off_from_unplugged(told, flags, running, enabled, carrier):
    adapter = told({"eth0": snicstats(running, FULL, 1000, 1500, flags)}).adapters[0]
    assert (adapter.enabled, adapter.carrier) == (enabled, carrier)


def test_odd_answers(told):
    read = told(
        {
            "lo0": snicstats(True, UNKNOWN, 0, 0, "up,loopback"),
            "p0": snicstats(True, FULL, 0, 9, "up,pointopoint"),
        },
        {"lo0": [inet("not an address", None), inet("192.0.2.1", "255.0.255.0")]},
    )
    first, second = read.adapters
    assert (first.kind, first.mtu, second.kind) == ("loopback", None, "other")
    assert [(each.text, each.prefix) for each in first.addresses] == [("192.0.2.1", None)]


def test_a_refusing_system_has_no_adapters(told, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError

    told()
    for name in ("net_if_stats", "net_if_addrs", "net_io_counters"):
        monkeypatch.setattr(psutil, name, refuse)
    monkeypatch.setattr(netifaces, "gateways", refuse)
    assert common.read().adapters == ()
