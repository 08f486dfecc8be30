"""Two devices of one name: by mDNS, LLDP, DHCP; and what only looks like two."""

import time
from dataclasses import replace
from ipaddress import ip_address

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.lab import frames as raw
from tests.rig import shows
from tests.tally.captures import Timed, mac, studied, told
from tests.wire.samples import lldp

judge = asked("name-clash")
CAUTION, PASS = Outcome.CAUTION, Outcome.PASS


def ip(n: int) -> str:
    return f"192.0.2.{n}"


def mdns(device: int, name: str, at: float, *addresses: str, sender: int | None = None) -> Timed:
    """An announcement of a host name with its addresses (RFC 1035 section 4.1, RFC 6762)."""
    addresses = addresses or (ip(device),)
    labels = b"".join(bytes([len(part)]) + part.encode() for part in (name, "local")) + b"\0"
    data = b"\0\0\x84\0\0\0" + len(addresses).to_bytes(2) + bytes(4)
    for address in addresses:
        packed = ip_address(address).packed
        kind = 1 if len(packed) == 4 else 28
        data += labels + kind.to_bytes(2) + b"\x80\1\0\0\0\x78" + len(packed).to_bytes(2) + packed
    group, source = "224.0.0.251", device if sender is None else sender
    return at, raw.udp(
        mac(source), raw.multicast_mac(group), (ip(source), 5353), (group, 5353), data, ttl=255
    )


def alive(device: int, start: float = 0.0, end: float = 10.0) -> list[Timed]:
    return [(start + n, raw.arp(mac(device), ip(device), ip(200))) for n in range(round(end - start) + 1)]


def switch(device: int, name: bytes, at: float, chassis: int | None = None) -> Timed:
    frame = bytes(lldp(src=mac(device), name=name))
    if chassis is not None:
        own = bytes.fromhex(mac(device).replace(":", ""))
        frame = frame[:14] + frame[14:].replace(own, bytes.fromhex(mac(chassis).replace(":", "")))
    return at, frame


def asks(device: int, name: str, at: float) -> Timed:
    return at, raw.dhcp_discover(mac(device), device, name)


@pytest.mark.parametrize(
    ("make", "by"),
    [
        (lambda n, at: mdns(n, "stage", at), "mDNS"),
        (lambda n, at: switch(n, b"stage", at), "LLDP"),
        (lambda n, at: asks(n, "stage", at), "DHCP"),
    ],
)
def test_two_of_one_name_are_told_by_their_addresses(tmp_path, make, by):
    finding = judge(studied(tmp_path, [make(11, 1.0), make(60, 2.0)], alive(11), alive(60)))
    assert (finding.outcome, set(finding.culprits)) == (CAUTION, {mac(11), mac(60)})
    assert "Two devices are called “stage”" in finding.headline
    assert f"by {by}" in told(finding)
    assert all(each in finding.headline for each in (mac(11), mac(60), ip(11), ip(60)))


def test_case_makes_no_other_name(tmp_path):
    facts = studied(tmp_path, [mdns(11, "Stage", 1.0), mdns(60, "stage", 2.0)], alive(11), alive(60))
    assert judge(facts).outcome == CAUTION


def test_other_names_are_none_of_one(tmp_path):
    finding = judge(studied(tmp_path, [mdns(11, "stage", 1.0), mdns(60, "foh", 2.0), asks(70, "stage", 3.0)]))
    assert finding.outcome == PASS and "3 devices told their names" in finding.headline


@pytest.mark.parametrize(("other", "outcome"), [(15, PASS), (16, CAUTION)])
def test_ports_of_one_device_have_addresses_next_to_one_another(tmp_path, other, outcome):
    facts = studied(tmp_path, [mdns(11, "stage", 1.0), mdns(other, "stage", 2.0)], alive(11), alive(other))
    assert judge(facts).outcome == outcome
    sheet = replace(shows.sheet(), limits={"name-clash": {"ports_apart": 0}})
    assert judge(replace(facts, sheet=sheet)).outcome == CAUTION


def test_a_switch_speaks_from_each_port_under_one_chassis(tmp_path):
    facts = studied(
        tmp_path, [switch(11, b"stage", 1.0, 90), switch(60, b"stage", 2.0, 90)], alive(11), alive(60)
    )
    assert judge(facts).outcome == PASS


def test_a_spare_may_take_a_name_over(tmp_path):
    facts = studied(
        tmp_path, [mdns(11, "stage", 1.0), mdns(60, "stage", 8.0)], alive(11, 0, 4), alive(60, 7, 12)
    )
    finding = judge(facts)
    assert finding.outcome == PASS and "was taken over" in told(finding)


def test_a_device_that_was_renamed_leaves_its_name_free(tmp_path):
    names = [mdns(11, "stage", 1.0), mdns(11, "stage-left", 3.0), mdns(60, "stage", 5.0)]
    assert judge(studied(tmp_path, names, alive(11), alive(60))).outcome == PASS


def test_a_proxy_tells_the_name_of_another(tmp_path):
    """A sleep proxy or a reflector announces an address that it does not send from."""
    names = [mdns(11, "stage", 1.0), mdns(11, "stage", 2.0, sender=60)]
    assert judge(studied(tmp_path, names, alive(11), alive(60))).outcome == PASS


def test_one_ip_address_at_both_is_one_device(tmp_path):
    shared = [(3.0, raw.arp(mac(60), ip(11), ip(200)))]
    facts = studied(tmp_path, [mdns(11, "stage", 1.0), mdns(60, "stage", 2.0)], alive(11), alive(60), shared)
    assert judge(facts).outcome == PASS


@pytest.mark.parametrize(("devices", "outcome"), [(3, CAUTION), (4, PASS)])
def test_many_that_ask_under_one_name_came_so(tmp_path, devices, outcome):
    numbers = [20 * n for n in range(1, devices + 1)]
    asking = [asks(n, "device", 1.0 + n / 10) for n in numbers]
    facts = studied(tmp_path, asking, *(alive(n) for n in numbers))
    assert judge(facts).outcome == outcome
    if outcome == PASS:
        assert "as delivered" in told(judge(facts))


@pytest.mark.parametrize("plain", [lambda n, at: mdns(n, "stage", at), lambda n, at: asks(n, "stage", at)])
def test_a_name_that_mdns_numbered_shows_that_another_has_it(tmp_path, plain):
    names = [plain(60, 1.0), mdns(60, "stage-2", 3.0), mdns(11, "stage", 0.5)]
    finding = judge(studied(tmp_path, names, alive(11), alive(60)))
    assert finding.outcome == CAUTION and set(finding.culprits) == {mac(11), mac(60)}
    assert "had to take the name “stage-2”" in told(finding)


def test_numbers_in_names_are_common(tmp_path):
    names = [mdns(11, "engine", 1.0), mdns(60, "engine-2", 2.0), mdns(90, "box-3", 3.0)]
    assert judge(studied(tmp_path, names, alive(11), alive(60), alive(90))).outcome == PASS
    alone = [mdns(60, "stage", 1.0), mdns(60, "stage-2", 2.0)]  # whom it met is not heard
    assert judge(studied(tmp_path, alone, alive(60))).outcome == PASS


def test_without_names_it_says_nothing(tmp_path):
    assert judge(studied(tmp_path, alive(11), [asks(12, "", 1.0)])) is None
    assert judge(Facts()) is None


def test_a_flood_of_made_up_names_does_not_stall(tmp_path):
    """As many as are read, all of one name and of one person's making."""
    frames = []
    for n in range(1200):
        _, frame = mdns(n % 250 + 1, "stage", 0.0)
        made_up = (0x020000000000 + n * 4096).to_bytes(6)
        frames += [(at, frame[:6] + made_up + frame[12:]) for at in (n / 1000, 2 + n / 1000)]
    facts = studied(tmp_path, frames)
    began = time.process_time()
    assert judge(facts) is not None
    assert time.process_time() - began < 3


def test_six_are_shown_of_many_and_how_many_there_are(tmp_path):
    numbers = [20 * n for n in range(1, 9)]
    names = [mdns(n, "stage", 1.0 + n / 100) for n in numbers]
    finding = judge(studied(tmp_path, names, *(alive(n) for n in numbers)))
    assert finding.headline.startswith("8 devices are called “stage”")
    assert len(finding.culprits) == 8 and finding.measured == {"devices_with_names": 8, "clashes": 1}
    assert sum("tells the name" in each.text for each in finding.evidence) == len(finding.evidence) == 6
    assert finding.evidence[0].time_s == pytest.approx(1.2, abs=0.2) and finding.evidence[0].frame


def test_one_device_told_its_name(tmp_path):
    finding = judge(studied(tmp_path, [mdns(11, "stage", 1.0)], alive(11)))
    assert finding.headline == "1 device told its name, and none has another's."
    assert finding.measured == {"devices_with_names": 1, "clashes": 0}


def test_a_farewell_tells_no_name(tmp_path):
    farewell = 2.0, bytes(lldp(src=mac(60), name=b"stage", ttl=0))
    assert (
        judge(studied(tmp_path, [switch(11, b"stage", 1.0), farewell], alive(11), alive(60))).outcome == PASS
    )


def test_who_comes_as_the_other_goes_is_there_beside_it(tmp_path):
    facts = studied(
        tmp_path, [mdns(11, "stage", 1.0), mdns(60, "stage", 8.0)], alive(11, 0, 4), alive(60, 4, 9)
    )
    assert judge(facts).outcome == CAUTION


def test_the_name_is_told_as_the_first_of_them_has_it(tmp_path):
    finding = judge(studied(tmp_path, [mdns(11, "Stage", 1.0), mdns(12, "stage", 2.0)], alive(11), alive(12)))
    assert finding.outcome == PASS and "“Stage” is told from several addresses of one device" in told(finding)
    assert mac(11) in told(finding) and mac(12) in told(finding)
