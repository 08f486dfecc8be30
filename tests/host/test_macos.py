"""The macOS reader on answers that are laid out as published ones (see macos_recordings), on broken ones, and
on none."""

import json
import plistlib
import re
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.host.choose import propose
from preflight.host.facts import Adapter, Address, HostFacts, Power, Usb
from preflight.host.macos import COMMANDS, SETTINGS, enrich
from tests.host import macos_recordings as recorded

# As psutil tells them: RUNNING is set, whatever the cable.
COMMON = HostFacts(
    "Darwin",
    tuple(
        Adapter(name, enabled=True, carrier=True, speed_mbps=1000, duplex="full", addresses=addresses)
        for name, addresses in (
            ("lo0", ()),
            ("en0", (Address("198.51.100.7", 24),)),
            ("en7", (Address("192.0.2.10", 24), Address("169.254.2.2", 16, "link-local"))),
            ("bridge0", ()),
            ("utun0", ()),
            ("en9", ()),
        )
    ),
)


def told(*, media=recorded.AWAKE, status="active", member="en2", low=0, sleep="0", **changed):
    """All commands' answers of a desk with a USB adapter at en7, changed by command."""
    answers = {
        "ifconfig": recorded.IFCONFIG.format(media=media, status=status, member=member),
        "ports": recorded.PORTS,
        "ethernet": recorded.ethernet(spethernet_usb_device_speed="super_speed"),
        "usb": '{"SPUSBDataType": []}',
        "usb host": '{"SPUSBHostDataType": []}',
        "battery": recorded.MAINS,
        "power": recorded.POWER.format(low=low, sleep=sleep),
        "forwarding": recorded.FORWARDING.format(0),
    }
    assert set(answers) == set(COMMANDS)
    return answers | changed


def audio(tmp_path, **answers):
    return enrich(COMMON, told(**answers), tmp_path).adapter("en7")


def test_a_desk_as_it_should_be(tmp_path):
    read = enrich(COMMON, told(), tmp_path)
    assert [each.kind for each in read.adapters] == ["loopback", "wifi", "ethernet", "bridge", "vpn", "other"]
    found = read.adapter("en7")
    assert (found.carrier, found.autonegotiated, found.eee, found.pause) == (True, True, "unused", "unused")
    assert (found.bus, found.usb, found.driver) == ("usb", Usb(5000, None), "org.example.driver")
    assert (read.ip_forwarding, found.forwarding, found.master) == (False, False, None)
    assert read.power == Power(True, None, False, None, 0)


def test_a_link_that_sleeps_and_pauses(tmp_path):
    found = audio(tmp_path, media=recorded.SLEEPY)
    assert (found.eee, found.pause) == ("active", "active")


def on(release):
    """What a computer of that release tells, each adapter running and at full duplex, as psutil has it
    whatever the cable."""
    recorded_there = recorded.RELEASES[release]
    names = re.findall(r"^(\w+): flags", recorded_there.ifconfig, re.MULTILINE)
    common = HostFacts("Darwin", tuple(Adapter(name, enabled=True, carrier=True) for name in names))
    listed = recorded_there.ethernet
    answers = dict.fromkeys(COMMANDS) | {
        "ifconfig": recorded_there.ifconfig,
        "ports": recorded_there.ports,
        "ethernet": None
        if listed is None
        else json.dumps(
            {
                "SPEthernetDataType": [
                    json.loads(recorded.ethernet(name=name))["SPEthernetDataType"][0] for name in listed
                ]
            }
        ),
    }
    return enrich(common, answers, Path("/nowhere"))


@pytest.mark.parametrize(
    ("release", "kinds"),
    [
        (
            "10.14.6",
            {
                "lo0": "loopback",
                "XHC20": None,
                "en0": "ethernet",
                "en2": "other",
                "bridge0": "bridge",
                "en1": "wifi",
            },
        ),
        (
            "10.15",
            {
                "en5": "other",
                "en0": "wifi",
                "vnic0": "other",
                "en37": "other",
                "en35": "ethernet",
                "utun4": "vpn",
            },
        ),
        ("12", {"en6": "ethernet"}),
        ("14.5", {"anpi0": "other", "en5": None, "ap1": "wifi", "en0": "wifi", "en8": "ethernet"}),
    ],
)
def test_each_release_tells_what_each_adapter_is(release, kinds):
    assert {each.name: each.kind for each in on(release).adapters} == kinds


@pytest.mark.parametrize(
    ("release", "name", "link"),
    [
        ("10.14.6", "en0", (True, True, None, "active")),
        ("10.14.6", "bridge0", (False, None, None, None)),
        ("10.15", "en35", (True, True, None, None)),
        ("10.15", "en0", (False, True, None, None)),
        ("10.15", "utun4", (True, None, None, None)),
        ("12", "en6", (True, True, None, "active")),
        ("14.5", "anpi0", (False, None, None, None)),
        ("14.5", "en8", (False, None, None, None)),
    ],
)
def test_each_release_tells_of_the_link(release, name, link):
    """Nobody published what `-m` adds, so that an option that is not in use is not told."""
    found = on(release).adapter(name)
    assert (found.carrier, found.autonegotiated, found.eee, found.pause) == link


@pytest.mark.parametrize(
    ("release", "name"), [("10.14.6", "en0"), ("10.15", "en35"), ("12", "en6"), ("14.5", "en8")]
)
def test_each_release_has_its_audio_adapter_found(release, name):
    assert propose(on(release)).chosen == name


def test_the_link_to_a_chip_inside_is_never_taken_for_the_audio_lan():
    """It is up at 100 Mb/s for as long as the computer runs; the adapter may be without a cable."""
    host = on("10.15")
    host = replace(host, adapters=tuple(replace(each, carrier=each.name == "en5") for each in host.adapters))
    assert propose(host).chosen == "en35"


@pytest.mark.parametrize(
    ("media", "automatic", "eee"),
    [
        ("1000baseT <full-duplex>", False, "unused"),
        ("1000baseT <full-duplex,energy-efficient-ethernet>", False, "active"),
        ("autoselect (none)", None, None),
        ("none", None, None),
        ("autoselect (2500Base-T <full-duplex,energy-efficient-ethernet>)", True, "active"),
        ("autoselect", True, None),
        ("automatisch (1000baseT <full-duplex", None, None),
        ("", None, None),
    ],
)
def test_media_lines(tmp_path, media, automatic, eee):
    found = audio(tmp_path, media=media)
    assert (found.autonegotiated, found.eee) == (automatic, eee)


def test_options_of_a_medium_may_be_joined(tmp_path):
    text = told()["ifconfig"].replace(" mediaopt flow-control mediaopt energy", ",flow-control,energy")
    assert text != told()["ifconfig"]
    assert audio(tmp_path, ifconfig=text).eee == "unused"


def test_faster_ethernet_is_written_otherwise(tmp_path):
    """net/if_media.h: 1000baseT, but 2500Base-T and 10GBase-SFI."""
    fast = told(media="autoselect (2500Base-T <full-duplex>)", ethernet=None)
    assert enrich(COMMON, fast, tmp_path).adapter("en7").kind == "ethernet"


def test_a_driver_that_lists_no_sleep_proves_none(tmp_path):
    text = told()["ifconfig"].replace(" mediaopt energy-efficient-ethernet", "")
    found = audio(tmp_path, ifconfig=text)
    assert (found.eee, found.pause) == (None, "unused")


@pytest.mark.parametrize(("status", "carrier"), [("active", True), ("inactive", False), ("aktiv", None)])
def test_a_link_is_only_what_the_status_says(tmp_path, status, carrier):
    found = audio(tmp_path, status=status)
    assert found.carrier is carrier
    if not carrier:
        assert found.eee is None and found.pause is None


def test_a_bridge_names_its_member(tmp_path):
    assert audio(tmp_path, member="en7").master == "bridge0"


@pytest.mark.parametrize(
    ("ethernet", "host", "older", "usb"),
    [
        ({"spethernet_usb_device_speed": "high_speed"}, None, None, Usb(480, None)),
        (recorded.IDS, recorded.usb_host("5 Gb/s", in_hub=True), None, Usb(5000, ("a disk",))),
        (recorded.IDS, recorded.usb_host("480 Mb/s", in_hub=False), None, Usb(480, ())),
        (recorded.IDS, None, recorded.usb_older("high_speed"), Usb(480, ())),
        (recorded.IDS, None, recorded.usb_older("up_to_5_Gb_per_sec"), Usb(5000, ())),
        ({}, recorded.usb_host("5 Gb/s", in_hub=True), None, Usb(None, None)),
        ({"spethernet_usb_device_speed": "warp_speed"}, None, None, Usb(None, None)),
    ],
)
def test_usb_by_newer_and_older_systems(tmp_path, ethernet, host, older, usb):
    answers = {"ethernet": recorded.ethernet(**ethernet), "usb host": host, "usb": older}
    assert audio(tmp_path, **answers).usb == usb


@pytest.mark.parametrize("release", recorded.USB_TREES)
def test_usb_as_each_release_tells_it(tmp_path, release):
    kind, tree, (speed, beside) = recorded.USB_TREES[release]
    answers = {
        "ethernet": recorded.ethernet(**recorded.IDS),
        "usb": json.dumps({"SPUSBDataType": tree if kind == "SPUSBDataType" else []}),
        "usb host": json.dumps({"SPUSBHostDataType": tree}) if kind == "SPUSBHostDataType" else None,
    }
    assert audio(tmp_path, **answers).usb == Usb(speed, beside)


def test_an_adapter_of_the_computers_own_maker_is_found_on_usb(tmp_path):
    ids = {"spethernet_vendor-id": "0x05ac", "spethernet_product-id": "0x0250"}
    tree = {"SPUSBDataType": recorded.USB_TREES["10.15"][1]}
    found = audio(tmp_path, ethernet=recorded.ethernet(**ids), usb=json.dumps(tree))
    assert found.usb.beside == ("USB 10/100/1000 LAN",)


def test_an_adapter_inside_the_computer_is_not_on_usb(tmp_path):
    found = audio(tmp_path, ethernet=recorded.ethernet("spethernet_pcie"))
    assert (found.bus, found.usb, found.may_sleep) == ("pci", None, False)


@pytest.mark.parametrize(
    ("answers", "power"),
    [
        ({"battery": recorded.BATTERY}, Power(False, None, False, None, 0)),
        ({"battery": "Netzbetrieb\n"}, Power(None, None, False, None, 0)),
        ({"low": 1, "sleep": "10"}, Power(True, None, True, "low-power mode", 10)),
        ({"sleep": "1 (sleep prevented by a program)"}, Power(True, None, False, None, 1)),
        ({"power": None}, Power(True)),
    ],
)
def test_power(tmp_path, answers, power):
    assert enrich(COMMON, told(**answers), tmp_path).power == power


@pytest.mark.parametrize("release", recorded.POWERS)
def test_power_as_each_release_tells_it(tmp_path, release):
    text, (saving, sleeps) = recorded.POWERS[release]
    power = enrich(COMMON, told(power=text), tmp_path).power
    assert (power.saving, power.sleeps_after_min) == (saving, sleeps)


@pytest.mark.parametrize(
    ("text", "forwards"),
    [
        (recorded.FORWARDING.format(1), True),
        (recorded.FORWARDING.format(0), False),
        ("net.inet.ip.forwarding: 0\n", None),
        (None, None),
    ],
)
def test_forwarding(tmp_path, text, forwards):
    assert enrich(COMMON, told(forwarding=text), tmp_path).ip_forwarding is forwards


def write(root, name, tree):
    (root / SETTINGS).mkdir(parents=True, exist_ok=True)
    (root / SETTINGS / name).write_bytes(tree if isinstance(tree, bytes) else plistlib.dumps(tree))


@pytest.mark.parametrize(
    ("tree", "origin"),
    [
        (recorded.settings("Manual"), "static"),
        (recorded.settings("DHCP"), "dhcp"),
        (recorded.settings("INFORM"), None),
        ({**recorded.settings("DHCP"), "CurrentSet": "/Sets/none"}, None),
        ({**recorded.settings("DHCP"), "Sets": ["odd"]}, None),
        (b"no property list", None),
    ],
)
def test_where_an_address_came_from(tmp_path, tree, origin):
    write(tmp_path, "preferences.plist", tree)
    assert [each.origin for each in audio(tmp_path).addresses] == [origin, "link-local"]


def test_two_services_on_one_adapter_leave_it_open(tmp_path):
    tree = recorded.settings("DHCP")
    tree["Sets"]["0001"]["Network"]["Service"]["000B"] = {}
    write(tmp_path, "preferences.plist", tree)
    assert audio(tmp_path).addresses[0].origin is None


@pytest.mark.parametrize(
    ("tree", "sharing"),
    [
        (None, False),
        ({"NAT": {"Enabled": 1}}, True),
        ({"NAT": {"Enabled": 0}}, False),
        ({"NAT": []}, None),
        (b"bplist00" + bytes(40), None),
    ],
)
def test_internet_sharing(tmp_path, tree, sharing):
    assert enrich(COMMON, told(), tmp_path).sharing is None, "no settings at all can be read"
    write(tmp_path, "preferences.plist", {})
    if tree is not None:
        write(tmp_path, "com.example.nat.plist", tree)
    assert enrich(COMMON, told(), tmp_path).sharing is sharing


def test_a_system_that_answers_nothing_leaves_nothing_to_pass(tmp_path):
    found = enrich(COMMON, dict.fromkeys(COMMANDS), tmp_path).adapter("en7")
    for fact in ("kind", "carrier", "eee", "pause", "bus", "may_sleep", "forwarding", "autonegotiated"):
        assert getattr(found, fact) is None


@settings(max_examples=150)
@given(st.sampled_from(sorted(COMMANDS)), st.data())
def test_broken_answers_give_facts_that_can_be_shown(tmp_path, command, data):
    whole = told(**{"usb host": recorded.usb_host("5 Gb/s", in_hub=True)})[command]
    at = data.draw(st.integers(0, len(whole)))
    junk = data.draw(
        st.one_of(st.text(max_size=20), st.sampled_from(['{"a":' * 60, "[]", "null", "\x1b[2J"]))
    )
    read = enrich(COMMON, told(**{command: whole[:at] + junk + whole[at + len(junk) :]}), tmp_path)
    assert "\x1b" not in json.dumps(asdict(read), ensure_ascii=False)


@pytest.mark.parametrize("port", ["Bluetooth PAN", "Thunderbolt 1", "Handset USB", "Slate USB 2"])
def test_a_port_that_is_no_ethernet_is_not_taken_for_one(tmp_path, port):
    ports = recorded.PORTS.replace("USB 10/100/1000 LAN", port)
    assert audio(tmp_path, ports=ports, ethernet="").kind == "other"


@pytest.mark.parametrize(
    "port",
    ["Thunderbolt Ethernet", "Thunderbolt Ethernet Slot 1", "USB Ethernet", "Ethernet USB", "LAN USB 2"],
)
def test_an_adapter_by_any_name_is_wired(tmp_path, port):
    assert audio(tmp_path, ports=recorded.PORTS.replace("USB 10/100/1000 LAN", port)).kind == "ethernet"


def test_a_bridge_has_no_link_where_its_status_says_so(tmp_path):
    assert enrich(COMMON, told(), tmp_path).adapter("bridge0").carrier is False
