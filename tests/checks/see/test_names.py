"""What devices are called: the best name wins, strangers' words do no harm, an address stands once beside the
name."""

from dataclasses import replace
from pathlib import Path

import pytest
from scapy.layers.dns import DNS, DNSRR
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether

from preflight.checks import judge_all
from preflight.checks.say import MENTION, who
from preflight.checks.see.names import THIS_COMPUTER, end, names_of, network_name
from preflight.facts import Facts
from preflight.report.result import as_json
from preflight.rig.read import parse
from preflight.study import study
from preflight.verdict import judged
from tests.rig import shows
from tests.tally.captures import arp, every, mac, rtp, sap, sdp, studied, told, write_with_direction
from tests.wire import samples

CAPTURES = Path(__file__).parents[3] / "captures"
BOX = mac(5)


def mdns(*hosts: str) -> bytes:
    answers = [DNSRR(rrname=host, type="A", ttl=120, rdata="192.0.2.5") for host in hosts]
    message = DNS(qr=1, aa=1, qd=[], an=answers)
    udp = UDP(sport=5353, dport=5353) / message
    return bytes(Ether(src=BOX, dst="01:00:5e:00:00:fb") / IP(src="192.0.2.5", dst="224.0.0.251") / udp)


def stream() -> list[tuple[float, bytes]]:
    return every(0.001, lambda n: rtp(5, "233.252.0.9", n, bytes(288), 48), 0.0, 0.2)


def announced() -> list[tuple[float, bytes]]:
    return [(0.1, sap(5, sdp("Choir", "233.252.0.9")))]


BY_DHCP = [(0.2, bytes(samples.dhcp4("request", src=BOX, client=BOX, hostname=b"box-five")))]
BY_MDNS = [(0.2, mdns("stage-left.local."))]
BY_LLDP = [(0.2, bytes(samples.lldp(src=BOX, name=b"foh-switch")))]


@pytest.mark.parametrize(
    ("told_by", "name"),
    [
        ([], "ICANN 53:05"),
        ([announced()], "the sender of “Choir”"),
        ([announced(), BY_DHCP], "box-five"),
        ([announced(), BY_DHCP, BY_MDNS], "stage-left"),
        ([announced(), BY_DHCP, BY_MDNS, BY_LLDP], "foh-switch"),
    ],
)
def test_the_best_name_wins(tmp_path, told_by, name):
    facts = studied(tmp_path, stream(), *told_by)
    assert names_of(facts).name(BOX) == name
    sheet = parse(f'name = "x"\n[[device]]\nname = "drum box"\nkind = "box"\nhardware = "{BOX}"')
    assert names_of(replace(facts, sheet=sheet)).name(BOX) == "drum box"


def test_a_device_known_to_the_sheet_by_its_address_alone_has_its_name(tmp_path):
    also = '[[device]]\nname = "drums"\nkind = "box"\naddress = "192.0.2.33"'
    facts = replace(studied(tmp_path, shows.hello(33)), sheet=shows.sheet(also=also))
    assert names_of(facts).name(mac(33)) == "drums"


def test_this_computer_is_itself_unless_the_sheet_names_it(tmp_path):
    facts = study(str(write_with_direction(tmp_path / "x.pcapng", [(0.0, arp(5, 6), True)])))
    assert names_of(facts).name(BOX) == THIS_COMPUTER
    sheet = parse(f'name = "x"\n[[device]]\nname = "desk"\nkind = "desk"\nhardware = "{BOX}"')
    assert names_of(replace(facts, sheet=sheet)).name(BOX) == "desk"


def test_a_computer_of_several_adapters_is_one(tmp_path):
    frames = [(0.0, arp(5, 6), True), (0.1, arp(7, 6), True), (0.2, arp(6, 7), False)]
    names = names_of(study(str(write_with_direction(tmp_path / "x.pcapng", frames))))
    assert names.name(mac(5)) == names.name(mac(7)) == THIS_COMPUTER


def test_who_speaks_for_many_by_mdns_has_none_of_their_names(tmp_path):
    hosts = [f"host-{n}.local." for n in range(4)]
    assert names_of(studied(tmp_path, [(0.0, mdns(*hosts))])).name(BOX) == "ICANN 53:05"
    assert names_of(studied(tmp_path, [(0.0, mdns(*hosts[:3]))])).name(BOX) == "host-0"


def test_two_of_one_name_are_told_apart_by_the_end_of_their_addresses(tmp_path):
    twins = [
        (0.1, bytes(samples.lldp(src=src, name=name))) for src, name in ((BOX, b"Foh"), (mac(6), b"foh"))
    ]
    names = names_of(studied(tmp_path, twins))
    assert (names.name(BOX), names.name(mac(6))) == ("Foh 53:05", "foh 53:06")


def test_made_up_addresses_and_those_without_a_maker_have_names_too():
    names = names_of(Facts())
    assert names.name("02:00:5e:00:53:77") == "random address 53:77"
    assert names.name("fc:ff:ff:00:00:01") == "device 00:01"
    assert names.name("") == "a sender without hardware address"


def test_who_would_be_called_alike_by_the_maker_has_a_longer_end(tmp_path):
    """Addresses that somebody made up, which end alike: whatever they begin with, they have one maker's
    name."""
    made_up = ("02:00:5e:00:53:77", "02:01:5e:00:53:77", "06:01:5e:10:53:77", "02:00:5e:00:53:78")
    frames = [
        (0.1 * n, bytes.fromhex((mac(1) + src + "88b5").replace(":", "")) + bytes(46))
        for n, src in enumerate(made_up)
    ]
    names = names_of(studied(tmp_path, frames))
    assert [names.name(src).removeprefix("random address ") for src in made_up] == [
        made_up[0], made_up[1], "10:53:77", "53:78",
    ]  # fmt: skip
    assert names.full(made_up[0], "192.0.2.1") == f"random address {made_up[0]} (192.0.2.1)"  # not twice


def test_an_address_stands_once_beside_the_name():
    spelt = names_of(Facts()).spelling()
    assert spelt(f"From {who(BOX, '192.0.2.5')}.") == f"From ICANN 53:05 ({BOX}, 192.0.2.5)."
    assert spelt(f"{who(BOX)} and {who(BOX, '192.0.2.9')}") == "ICANN 53:05 and ICANN 53:05 (192.0.2.9)"
    assert spelt(who("", "192.0.2.1")) == "192.0.2.1"


def test_a_finding_names_whom_it_speaks_of_and_its_culprits_stay_addresses(tmp_path):
    storm = every(0.0005, arp(5, 6), 0.3, 2.0)
    found = {each.check: each for each in judge_all(studied(tmp_path, BY_LLDP, storm))}
    finding = found["broadcast-storm"]
    assert f"from foh-switch ({BOX})" in finding.headline and finding.culprits == (BOX,)
    assert finding.undated.count(BOX) == 1 and told(finding).count(BOX) == 1


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("box-left", "box-left"),
        ("  two \r\n words ", "“two words”"),
        ("All is well. READY", "“All is well. READY”"),
        ("”out“ of “quotes", "“'out' of 'quotes”"),
        ("n" * 80, "n" * 23 + "…"),
        ("a\x1b[2J", "“a\ufffd[2J”"),
        ("This computer", ""),
        ("00:00:5E:00:53:01", ""),
        ("00005e005301", ""),
        ("192.0.2.1", ""),
        ("2001:db8::1", ""),
        (" .-_ ", ""),
        ("", ""),
    ],
)
def test_a_name_from_the_network_is_cut_quoted_and_claims_nothing(sent, shown):
    assert network_name(sent) == shown


def test_nobody_can_send_the_mark_of_a_mention(tmp_path):
    forged = [(0.2, bytes(samples.lldp(src=BOX, name=who(mac(9)).encode())))]
    name = names_of(studied(tmp_path, forged)).name(BOX)
    assert name.startswith("“") and not MENTION.search(name)


@pytest.mark.parametrize(
    "name", ["loop.pcap.gz", "wifi-bridge.pcap", "stray-dhcp.pcapng", "address-clash.pcap.gz"]
)
def test_no_mark_is_left_in_a_result(name):
    assert "\ufffd" not in as_json(judged(study(str(CAPTURES / name))))


def test_who_tells_each_name_is_kept_and_a_names_first_teller_counts(tmp_path):
    told_by = names_of(studied(tmp_path, stream(), announced(), BY_DHCP, BY_MDNS, BY_LLDP)).told[BOX]
    assert [(each.name, each.by) for each in told_by] == [
        ("foh-switch", "LLDP"), ("stage-left", "mDNS"), ("box-five", "DHCP"), ("the sender of “Choir”", "announcement"),
    ]  # fmt: skip
    again = [(0.3, bytes(samples.dhcp4("request", src=BOX, client=BOX, hostname=b"stage-left")))]
    told_by = names_of(studied(tmp_path, BY_MDNS, again)).told[BOX]
    assert [(each.name, each.by) for each in told_by] == [("stage-left", "mDNS")]


def test_what_a_server_says_is_not_its_clients_name(tmp_path):
    offer = bytes(samples.offer(src=mac(9), hostname=b"not-mine"))
    assert names_of(studied(tmp_path, [(0.2, offer)])).told == {}


def test_the_sheets_switch_has_its_name_at_each_port(tmp_path):
    facts = replace(studied(tmp_path, shows.hello(shows.SWITCH + 3)), sheet=shows.sheet())
    ports = [names_of(facts).name(mac(shows.SWITCH + n)) for n in (0, 3)]
    assert ports == ["stage 53:e0", "stage 53:e3"]
    assert names_of(facts).told[mac(shows.SWITCH + 3)][0] == ("stage", "rig sheet")


@pytest.mark.parametrize(
    ("hardware", "octets", "told"), [(BOX, 2, "53:05"), (BOX, 3, "00:53:05"), (BOX, 6, BOX)]
)
def test_the_end_of_an_address(hardware, octets, told):
    assert end(hardware, octets) == told and end(hardware) == "53:05"
