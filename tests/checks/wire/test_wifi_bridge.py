"""The Wi-Fi check: signs that are enough alone, signs that must come together, and what is no sign at all."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.host.facts import Address, HostFacts
from tests.checks.asked import asked
from tests.checks.computers import AUDIO, CONTROL, desk
from tests.checks.wire.test_stray_dhcp import heard, shown
from tests.lab import frames as raw
from tests.rig import shows
from tests.tally.captures import mac, studied
from tests.wire import samples
from tests.wire.samples import CLIENT, SERVER, STATION

judge = asked("wifi-bridge")

OTHER_STATION = "06:00:5e:00:53:78"
AP = {"wlan_access_point_available": 1, "wlan_access_point_enabled": 1}
GATEWAY = ("ssdp", 1, samples.notify())


def random_address(number: int) -> str:
    """As a phone makes it up: locally administered (IEEE 802 section 8.4), and alike in nothing."""
    return f"{4 * number + 2:02x}:00:5e:00:53:{number:02x}"


def asks(client: str, **more) -> tuple:
    return ("dhcp4", 2, samples.dhcp4("discover", src=client, client=client, **more))


@pytest.mark.parametrize(
    ("frame", "culprit"),
    [
        (("xid", 0, samples.VALID["xid"][0]), STATION),
        (("preauth", 0, samples.VALID["preauth"][0]), STATION),
        (("fast-transition", 0, samples.VALID["fast-transition"][0]), STATION),
        (("lldp", 0, samples.lldp(**AP)), SERVER),
        (("lldp", 0, samples.lldp(**AP, station_only_available=1, mac_bridge_enabled=1)), SERVER),
        (("ssdp", 0, samples.notify("WLANAccessPointDevice")), SERVER),
    ],
)
def test_signs_that_are_enough_alone(frame, culprit):
    finding = judge(heard(frame))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (culprit,))
    assert culprit in finding.headline and finding.evidence[0].frame == 1
    assert finding.fixes and finding.cautions


@pytest.mark.parametrize(
    ("frames", "outcome"),
    [
        ([asks(STATION)], Outcome.CAUTION),
        ([asks(CLIENT, vendor_class_id=b"android-dhcp-14")], Outcome.CAUTION),
        ([("mdns", 0, samples.announcement())], Outcome.CAUTION),
        ([GATEWAY], Outcome.CAUTION),
        ([("lldp", 0, samples.lldp(**AP, station_only_available=1))], Outcome.CAUTION),
        ([("cdp", 0, samples.cdp(b"Invented Access Point"))], Outcome.CAUTION),
        ([("lldp", 0, samples.lldp(description=b"invented wireless access point"))], Outcome.CAUTION),
        ([GATEWAY, asks(STATION)], Outcome.CAUTION),
        ([GATEWAY, asks(STATION), asks(OTHER_STATION)], Outcome.FAIL),
        ([asks(random_address(n)) for n in range(6)], Outcome.CAUTION),
    ],
)
def test_signs_that_have_to_come_together(frames, outcome):
    assert judge(heard(*frames)).outcome == outcome


def test_a_device_counts_once():
    finding = judge(heard(*[asks(STATION)] * 5, GATEWAY, GATEWAY))
    assert finding.measured["points"] == 7 and len(finding.evidence) == 2


@pytest.mark.parametrize(
    "frame",
    [
        asks(CLIENT),
        asks("52:54:00:00:53:01"),  # a virtual machine
        ("mdns", 0, samples.announcement("_http._tcp.local.")),  # a made-up address alone
        ("mdns", 0, samples.announcement(src=CLIENT)),
        ("mdns", 0, samples.question("_companion-link._tcp.local.")),
        ("ssdp", 0, samples.notify(start="M-SEARCH * HTTP/1.1", field="ST")),
        ("lldp", 0, samples.lldp(wlan_access_point_available=1, mac_bridge_enabled=1)),
        ("lldp", 0, samples.lldp(mac_bridge_enabled=1, router_enabled=1)),
        ("cdp", 0, samples.cdp()),
        (
            "arp",
            0,
            samples.VALID["arp"][0].replace(bytes.fromhex("00005e005342"), bytes.fromhex("02005e005342")),
        ),
    ],
)
def test_what_is_no_sign(frame):
    finding = judge(heard(frame))
    assert finding.outcome == Outcome.UNPROVEN and "can stay silent" in finding.headline
    assert "tablet" in finding.fixes[0]


def test_this_computers_own_question_is_no_sign():
    assert judge(heard((*asks(STATION), {"outgoing": True}))).outcome == Outcome.UNPROVEN


def test_the_access_point_is_named_before_those_who_joined_it():
    finding = judge(heard(("xid", 0, samples.VALID["xid"][0]), ("lldp", 1, samples.lldp(**AP))))
    assert finding.culprits == (SERVER, STATION)
    assert SERVER in finding.headline and STATION in shown(finding)


def test_without_a_wire():
    assert judge(Facts()) is None
    assert judge(Facts(wire_refused="no privilege")).outcome == Outcome.UNPROVEN
    assert judge(Facts(source=SourceFacts("live", "eth0"))).outcome == Outcome.UNPROVEN


def by_wifi(*addresses: Address, facts: Facts | None = None, **more) -> Facts:
    """A desk that also holds `addresses` by Wi-Fi, beside what was heard."""
    wifi = replace(CONTROL, **{"name": "wifi", "kind": "wifi", "addresses": addresses} | more)
    host = desk(wifi)
    return replace(facts or heard(asks(CLIENT)), host=host.host, adapter=host.adapter)


@pytest.mark.parametrize("facts", [None, Facts(wire_refused="no privilege")], ids=["heard", "refused"])
def test_the_audio_subnet_by_wifi_too_is_a_caution(facts):
    finding = judge(by_wifi(Address("192.0.2.77", 25), facts=facts))
    assert (finding.outcome, finding.culprits, finding.spans) == (Outcome.CAUTION, ("wifi",), ())
    assert "192.0.2.0/25 by Wi-Fi (wifi)" in finding.headline
    assert finding.evidence[0].frame is None and finding.cautions


def test_the_audio_subnet_by_wifi_adds_up_with_other_signs():
    finding = judge(by_wifi(Address("192.0.2.77", 24), facts=heard(GATEWAY, asks(STATION))))
    assert finding.outcome == Outcome.FAIL and len(finding.evidence) == 3


@pytest.mark.parametrize(
    ("addresses", "more"),
    [
        ((Address("198.51.100.8", 24),), {}),
        ((Address("fe80::8", 64),), {}),  # every adapter has such an address
        ((Address("192.0.2.77", None), Address("nonsense", 24)), {}),
        ((Address("192.0.2.77", 24),), {"carrier": False}),
        ((Address("192.0.2.77", 24),), {"kind": "ethernet"}),  # the addressing check's matter
    ],
)
def test_another_subnet_is_no_sign(addresses, more):
    assert judge(by_wifi(*addresses, **more)).outcome == Outcome.UNPROVEN


def test_link_local_on_both_is_no_sign():
    audio = replace(AUDIO, addresses=(Address("169.254.7.7", 16),))
    wifi = replace(AUDIO, name="wifi", kind="wifi", addresses=(Address("169.254.8.8", 16),))
    facts = replace(heard(asks(CLIENT)), host=HostFacts("Linux", (audio, wifi)), adapter="audio")
    assert judge(facts).outcome == Outcome.UNPROVEN


@pytest.mark.parametrize(
    ("frames", "points", "outcome"),
    [
        ([("xid", 0, samples.VALID["xid"][0])], 10, Outcome.FAIL),
        ([("preauth", 0, samples.VALID["preauth"][0])], 10, Outcome.FAIL),
        ([("fast-transition", 0, samples.VALID["fast-transition"][0])], 10, Outcome.FAIL),
        ([("lldp", 0, samples.lldp(**AP))], 10, Outcome.FAIL),
        ([("cdp", 0, samples.cdp(b"Wireless AP"))], 4, Outcome.CAUTION),
        ([("lldp", 0, samples.lldp(**AP, station_only_available=1))], 4, Outcome.CAUTION),
        ([GATEWAY], 4, Outcome.CAUTION),
        ([asks(STATION)], 3, Outcome.CAUTION),
        ([asks(random_address(n)) for n in range(2)], 6, Outcome.CAUTION),
        ([asks(random_address(n)) for n in range(3)], 9, Outcome.CAUTION),
        ([asks(random_address(n)) for n in range(4)], 9, Outcome.CAUTION),
        ([asks(CLIENT)], 0, Outcome.UNPROVEN),
    ],
)
def test_the_weights(frames, points, outcome):
    finding = judge(heard(*frames))
    assert (finding.measured["points"], finding.outcome) == (points, outcome)


@pytest.mark.parametrize(
    ("limits", "outcome"),
    [
        ({"caution": 8}, Outcome.UNPROVEN),
        ({"caution": 7}, Outcome.CAUTION),
        ({"fail": 8}, Outcome.CAUTION),
        ({"fail": 7}, Outcome.FAIL),
        ({"hand-held, all": 2, "caution": 7}, Outcome.UNPROVEN),
        ({"same subnet": 9}, Outcome.CAUTION),
    ],
)
def test_the_sums_that_decide(limits, outcome):
    facts = replace(
        heard(GATEWAY, asks(STATION)), sheet=replace(shows.sheet(), limits={"wifi-bridge": limits})
    )
    assert judge(facts).outcome == outcome


def test_the_signs_of_devices_are_dated_from_the_first_to_the_last():
    finding = judge(heard(("ssdp", 3, samples.notify()), ("dhcp4", 7, asks(STATION)[2])))
    assert finding.spans == ((3, 7),) and finding.evidence[0].time_s == 3


def test_the_audio_subnet_by_wifi_weighs_as_much_as_a_gateway():
    assert judge(by_wifi(Address("192.0.2.77", 24))).measured["points"] == 4


def test_the_words_tell_how_sure_it_is():
    sure, unsure = judge(heard(("lldp", 0, samples.lldp(**AP)))), judge(heard(GATEWAY))
    assert sure.headline.startswith(f"Wi-Fi is bridged into the audio LAN: backstage ({SERVER})")
    assert unsure.headline.startswith(f"Wi-Fi may be bridged into the audio LAN: ICANN 53:42 ({SERVER}")


def test_a_crowd_does_not_fill_the_report():
    finding = judge(heard(*[asks(random_address(n)) for n in range(20)]))
    assert (len(finding.culprits), len(finding.evidence)) == (16, 12)


def test_boxes_that_a_maker_numbers_himself_are_no_phones():
    """They share the beginning of their addresses, or have names of their own."""
    assert judge(heard(*[asks(f"0e:00:5e:00:53:{n:02x}") for n in range(6)])).outcome == Outcome.UNPROVEN
    assert judge(heard(asks(STATION, hostname=b"stage-left"))).outcome == Outcome.UNPROVEN
    assert judge(heard(asks(STATION, hostname=b"somebodys-phone"))).outcome == Outcome.CAUTION


@pytest.mark.parametrize(
    ("to", "address", "words"),
    [
        ("ff:ff:ff:ff:ff:ff", "255.255.255.255", "looks for its controller"),
        (mac(9), "192.0.2.9", "talks to its controller"),
    ],
)
def test_an_access_point_and_its_controller(tmp_path, to, address, words):
    frame = raw.udp(mac(60), to, ("192.0.2.60", 40000), (address, 5246), b"\0\0")
    finding = judge(studied(tmp_path, [(0.1, frame), (0.2, frame)]))
    assert finding.outcome == Outcome.FAIL and words in finding.headline
