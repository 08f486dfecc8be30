"""Switches and routers by their own word: each sign alone, and what looks like it and is none."""

import pytest

from preflight.checks.see.routers import of_a_switch, router_signs, switches
from tests.lab import frames as raw
from tests.tally.captures import arp, mac, studied
from tests.wire import samples
from tests.wire.routers import advertisement, solicitation6

MINE, ADDRESS = mac(1), "192.0.2.1"


def sent_by(frame, source: str = MINE) -> bytes:
    return bytes(frame)[:6] + raw.mac_bytes(source) + bytes(frame)[12:]


def handed(source_ip: str, ttl: int, source: str = MINE, to: str = mac(9)) -> bytes:
    return raw.udp(source, to, (source_ip, 7), ("192.0.2.10", 7), b"x", ttl=ttl)


def signs(tmp_path, *frames: bytes) -> list[tuple[str, int | None]]:
    facts = studied(tmp_path, [(n / 10, bytes(frame)) for n, frame in enumerate((arp(9, 8), *frames))])
    return [(each.text, each.frame) for each in router_signs(facts, MINE, ADDRESS)]


NAMED = bytes(samples.offer(src=mac(7), router=ADDRESS))
SIGNS = [
    (raw.gateway_notify(MINE, ADDRESS, 1), ("it says it is an internet gateway (UPnP)", 2)),
    (sent_by(advertisement(1)), ("it offers itself as a router", 2)),
    (sent_by(samples.lldp(router_enabled=1)), ("it tells by LLDP that it routes", 2)),
    (sent_by(samples.offer(router="192.0.2.99")), ("it serves addresses (DHCP)", None)),
    (handed("198.51.100.9", 63), ("it hands over packets of 198.51.100.9", 2)),
]


@pytest.mark.parametrize(("frame", "sign"), SIGNS)
def test_each_sign_alone_and_told_once(tmp_path, frame, sign):
    assert signs(tmp_path, frame) == [sign] == signs(tmp_path, frame, frame)


def test_a_server_names_it_as_the_router(tmp_path):
    own = arp(1, 5)
    talks = raw.udp(MINE, mac(9), (ADDRESS, 7), ("192.0.2.10", 7), b"x")
    assert signs(tmp_path, talks, NAMED) == [(f"a DHCP server names it as the router ({ADDRESS})", 3)]
    assert signs(tmp_path, own) == signs(tmp_path, NAMED) == []
    other = raw.udp(mac(2), mac(9), (ADDRESS, 7), ("192.0.2.10", 7), b"x")
    assert signs(tmp_path, other, NAMED) == [], "another device has the address"


@pytest.mark.parametrize(
    "frame",
    [
        sent_by(raw.gateway_notify(MINE, ADDRESS, 1), mac(2)),
        sent_by(samples.notify("MediaServer")),
        sent_by(advertisement(0)),
        sent_by(advertisement(1800), mac(2)),
        sent_by(solicitation6()),
        sent_by(samples.lldp(mac_bridge_enabled=1)),
        sent_by(samples.lldp(router_enabled=1), mac(2)),
        sent_by(samples.offer(router="192.0.2.99"), mac(2)),
        sent_by(samples.dhcp4("request", server_id=ADDRESS, requested_addr="192.0.2.7"), mac(2)),
        handed(ADDRESS, 63),
        handed("198.51.100.9", 64),
        handed("198.51.100.9", 63, mac(2)),
        handed("198.51.100.9", 63, to="01:00:5e:7c:00:01"),
    ],
)
def test_what_is_no_sign_of_it(tmp_path, frame):
    assert signs(tmp_path, frame) == []


def test_who_spoke_as_a_switch(tmp_path):
    frames = [
        samples.lldp(src=mac(1), mac_bridge_enabled=1),
        samples.lldp(src=mac(2), router_enabled=1),
        samples.cdp(src=mac(3)),
        samples.bpdu(bridge=4),
    ]
    facts = studied(tmp_path, [(n / 10, bytes(frame)) for n, frame in enumerate(frames)])
    assert switches(facts) == {mac(1), mac(3), mac(4)}


@pytest.mark.parametrize("capability", [0x02, 0x08])
def test_by_cdp_a_bridge_is_a_switch_and_a_router_alone_is_none(tmp_path, capability):
    frame = bytes(samples.cdp(src=mac(3)))
    assert frame.count(bytes.fromhex("0004000800000009")) == 1
    said = lambda bits: frame.replace(  # noqa: E731
        bytes.fromhex("0004000800000009"), bytes.fromhex("00040008") + bits.to_bytes(4)
    )
    assert switches(studied(tmp_path, [(0.0, said(capability))])) == {mac(3)}
    assert switches(studied(tmp_path, [(0.0, said(0x01))])) == set()


@pytest.mark.parametrize(
    ("hardware", "is_one"),
    [(0x80, True), (0xC0, True), (0x40, True), (0xC1, False), (0x3F, False)],
)
def test_ports_have_addresses_within_64_of_the_switches(hardware, is_one):
    assert of_a_switch(mac(hardware), {mac(0x80)}) is is_one
    assert not of_a_switch(mac(hardware), set()) and not of_a_switch("", {mac(0x80)})
    assert of_a_switch(mac(hardware), {mac(hardware), mac(0)})
