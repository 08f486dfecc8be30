"""The inventory: what each device does, whether the sheet has it, who of the sheet is not there."""

from dataclasses import replace
from pathlib import Path

import pytest

from preflight.report.inventory import Device, devices_of, in_words
from preflight.report.result import as_dict
from preflight.study import study
from preflight.verdict import judged
from tests.rig import shows
from tests.tally.captures import announce, arp, every, mac, studied, write_with_direction
from tests.wire import samples

CAPTURES = Path(__file__).parents[2] / "captures"


def called(facts, **more) -> dict[str, Device]:
    return {device.name: device for device in devices_of(judged(replace(facts, **more)))}


def test_what_each_does():
    found = called(study(str(CAPTURES / "clean-rig.pcap.gz")))
    assert found["foh-switch"].does == ("switches",) and found["foh-switch"].port == "desk"
    leader = found["ICANN 53:14"]
    assert leader.does == ("leads the clock (PTP domain 0)", "sends 1 stream")
    assert leader.addresses == ("192.0.2.20",) and leader.state == "heard"
    assert 0.0 <= leader.first_s < leader.last_s <= 4.0
    assert [told.by for told in found["box-right"].told] == ["mDNS"]
    assert in_words(found["ICANN 53:0b"]) == "sends ARP (1 frame)"


def test_who_serves_who_asks_who_bridges():
    found = called(study(str(CAPTURES / "stray-dhcp.pcapng")))
    assert found["ICANN 53:42"].does == ("serves addresses (DHCP)",)
    assert found["spare"].does == ("asks for an address (DHCP)",)
    found = called(study(str(CAPTURES / "wifi-bridge.pcap")))
    assert found["backstage-wifi"].does == ("switches", "is a Wi-Fi access point")


def test_of_two_clocks_one_leads(tmp_path):
    late = every(1.0, lambda n: announce(2, n, 128), 1.5, 4.0)
    found = called(studied(tmp_path, every(1.0, lambda n: announce(1, n, 100), 0.0, 6.0), late))
    assert found["ICANN 53:01"].does == ("leads the clock (PTP domain 0)",)
    assert found["ICANN 53:02"].does == ("announces a clock, too (PTP domain 0)",)


def test_who_passes_a_clock_on_says_whose_it_is(tmp_path):
    """A boundary clock: its announcements tell of a grandmaster one step away, box 1."""

    def passed_on(n: int) -> bytes:
        frame = bytearray(announce(1, n))
        frame[6:12] = bytes.fromhex(mac(9).replace(":", ""))  # the sender
        frame[14 + 20 : 14 + 28] = bytes.fromhex("00005efffe005309")  # its own identity
        frame[14 + 61 : 14 + 63] = b"\0\1"  # steps removed
        return bytes(frame)

    found = called(studied(tmp_path, every(1.0, passed_on, 0.0, 6.0)))
    assert found["ICANN 53:09"].does == ("passes on the clock of ICANN 53:01 (PTP domain 0)",)


def test_the_sheet_tells_who_is_listed_strange_missing_or_silent(tmp_path):
    """The right box hums each second when all is well; the spare desk may be off."""
    there = [n for n in shows.NAMES if n not in (shows.RIGHT, shows.SPARE)]
    frames = [shows.hum(number, 10.0) for number in there]
    speaks = dict.fromkeys(shows.NAMES, 1.0)
    del speaks[shows.SPARE]
    facts = studied(tmp_path, *frames, shows.hello(66))
    found = called(facts, sheet=shows.sheet(speaks=speaks))
    assert found["left"].state == "listed" and found["ICANN 53:42"].state == "stranger"
    assert found["right"].state == "missing" and not found["right"].heard
    assert found["right"].hardware == mac(shows.RIGHT) and found["right"].addresses == ("192.0.2.32",)
    assert found["spare desk"].state == "silent"


def test_this_computer_is_told_its_switch_port(tmp_path):
    frames = [(0.1 * n, arp(5, 6), True) for n in range(3)]
    frames.append((0.2, bytes(samples.lldp(src=mac(9), name=b"foh", mac_bridge_enabled=1)), False))
    found = called(study(str(write_with_direction(tmp_path / "x.pcapng", sorted(frames)))))
    assert found["this computer"].own and found["this computer"].attached == "foh, port 3"
    assert found["foh"].attached == "" and found["foh"].port == "port 3"


@pytest.mark.parametrize("name", ["clean-rig.pcap.gz", "no-dhcp.pcap"])
def test_the_json_has_everybody(name):
    facts = study(str(CAPTURES / name))
    told = as_dict(judged(facts))["devices"]
    assert [each["hardware"] for each in told] == [talker.hardware for talker in facts.tally.talkers]
    spare = next((each for each in told if each["name"] == "spare"), None)
    assert name != "no-dhcp.pcap" or spare["names"] == [{"name": "spare", "told_by": "DHCP"}]
