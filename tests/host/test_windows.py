"""The Windows reader on JSON laid out as its own script writes it (see windows_recordings), on broken JSON,
and on none."""

import json
from dataclasses import asdict, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.facts import Facts
from preflight.host.facts import Adapter, Address, HostFacts, Power, Usb
from preflight.host.windows import enrich
from tests.checks.asked import asked
from tests.host import windows_recordings as recorded
from tests.host.windows_recordings import adapter, keyword, on_usb, query, scheme, told

# As psutil tells them: full duplex is a guess, gateways have other names.
COMMON = HostFacts(
    "Windows",
    (
        Adapter(
            "Ethernet",
            enabled=True,
            carrier=True,
            speed_mbps=1000,
            duplex="full",
            addresses=(Address("192.0.2.10", 24), Address("fe80::10", None, "link-local")),
        ),
        Adapter("Wi-Fi", duplex="full", addresses=(Address("198.51.100.7", 24),)),
        Adapter("Network Bridge", duplex="full"),
    ),
)


def read(parts):
    return enrich(COMMON, recorded.written(parts))


def audio(parts):
    return read(parts).adapter("Ethernet")


def test_a_desk_as_it_should_be():
    facts = read(told())
    found, wifi = facts.adapters[:2]
    assert (found.kind, wifi.kind, found.bus, found.usb) == ("ethernet", "wifi", "pci", None)
    assert (found.carrier, found.speed_mbps, found.duplex, found.autonegotiated) == (True, 1000, "full", True)
    assert (found.eee, found.pause, found.may_sleep) == ("off", "off", False)
    assert (found.gateways, wifi.gateways, found.permanent_address) == (
        (),
        ("198.51.100.1",),
        "00:00:5e:00:53:10",
    )
    assert [each.origin for each in (*found.addresses, *wifi.addresses)] == ["static", "link-local", "dhcp"]
    assert (facts.ip_forwarding, facts.sharing, found.forwarding, found.master) == (False, False, False, None)
    assert facts.power.on_mains is True and facts.power.saving is False and facts.power.sleeps_after_min == 0


@pytest.mark.parametrize(
    ("changed", "kind"),
    [
        ({"NdisPhysicalMedium": 0}, None),
        ({"NdisPhysicalMedium": 10}, "other"),
        ({"NdisPhysicalMedium": 0, "HardwareInterface": False, "Virtual": True}, "virtual"),
        ({"HardwareInterface": False, "ComponentID": "ms_bridgemp"}, "bridge"),
        ({"InterfaceType": 131}, "vpn"),
        ({"HardwareInterface": None}, None),
    ],
)
def test_the_kind(changed, kind):
    assert audio(told(adapters=[adapter("Ethernet", **changed)])).kind == kind


@pytest.mark.parametrize(
    ("changed", "duplex"),
    [
        ({"MediaDuplexState": 1}, "half"),
        ({"MediaDuplexState": 0}, None),
        ({"MediaDuplexState": None}, "full"),
        ({"MediaDuplexState": None, "FullDuplex": False}, "half"),
        ({"MediaDuplexState": None, "FullDuplex": None}, None),
    ],
)
def test_duplex_is_never_the_guess_of_the_common_facts(changed, duplex):
    assert audio(told(adapters=[adapter("Ethernet", **changed)])).duplex == duplex


@pytest.mark.parametrize(("media", "carrier"), [(1, True), (2, False), (0, None), ("1", None)])
def test_the_link(media, carrier):
    assert audio(told(adapters=[adapter("Ethernet", MediaConnectState=media)])).carrier is carrier


@pytest.mark.parametrize(
    ("keys", "eee", "pause"),
    [
        ([keyword("*EEE", "1"), keyword("*FlowControl", "3")], "possible", "possible"),
        ([keyword("*EEE", "0"), keyword("EnableGreenEthernet", "1")], "possible", None),
        ([keyword("*FlowControl", "4")], None, "possible"),
        ([keyword("*EEE", "on"), keyword("*FlowControl", "0", "Wi-Fi")], None, None),
    ],
)
def test_settings_by_their_keywords(keys, eee, pause):
    found = audio(told(advanced=keys))
    assert (found.eee, found.pause, found.autonegotiated) == (eee, pause, None)


def test_speed_and_duplex_set_by_hand():
    assert audio(told(advanced=[keyword("*SpeedDuplex", "4")])).autonegotiated is False


@pytest.mark.parametrize(
    ("parts", "may_sleep"),
    [
        (told(power=[{"Name": "Ethernet", "TurnOff": "Enabled", "Suspend": "Unsupported"}]), True),
        (told(power=None), None),
        (told(power=[{"Name": "Ethernet", "TurnOff": "Unsupported", "Suspend": "Inactive"}]), None),
        (on_usb("USB\\ROOT_HUB30\\4"), False),
        (on_usb("USB\\ROOT_HUB30\\4", suspend=query(1, english=False)), True),
        (on_usb("USB\\ROOT_HUB30\\4", suspend=None), None),
    ],
)
def test_what_may_put_the_adapter_to_sleep(parts, may_sleep):
    assert audio(parts).may_sleep is may_sleep


@pytest.mark.parametrize(
    ("parents", "usb"),
    [
        (("USB\\ROOT_HUB30\\4",), Usb(None, ())),
        (("USB\\VID_1209&PID_0003\\5", "USB\\ROOT_HUB30\\4"), Usb(None, ("a disk",))),
        (("USB\\VID_1209&PID_0003\\5", "USB\\ROOT_HUB20\\4", "PCI\\X\\1"), Usb(480, ("a disk",))),
        ((), Usb(None, ("a disk",))),
    ],
)
def test_usb(parents, usb):
    found = audio(on_usb(*parents))
    assert (found.bus, found.usb) == ("usb", usb)


def test_on_usb_without_its_parents():
    assert audio({**on_usb(), "usb": None}).usb == Usb()


def test_a_network_bridge():
    bridge = adapter("Network Bridge", HardwareInterface=False, ComponentID="ms_bridgemp")
    members = [{"Name": "Ethernet"}, {"Name": "Wi-Fi"}]
    facts = read(told(adapters=[adapter("Ethernet"), recorded.WIFI, bridge], bridged=members))
    assert [each.master for each in facts.adapters] == ["Network Bridge", "Network Bridge", None]
    finding = asked("shared-connection")(Facts(host=facts, adapter="Ethernet"))
    assert finding.outcome == "fail" and "Wi-Fi" in finding.headline


@pytest.mark.parametrize(
    ("parts", "sharing", "outcome"),
    [
        ({}, False, "pass"),
        ({"service": ["Running"]}, None, "unproven"),
        ({"service": None}, None, "unproven"),
        ({"service": ["Running"], "shared": [{"Name": "Wi-Fi", "Enabled": True}]}, True, "fail"),
        ({"service": ["Running"], "shared": [{"Name": "Wi-Fi", "Enabled": False}]}, False, "pass"),
        ({"interfaces": None}, False, "unproven"),
    ],
)
def test_connection_sharing(parts, sharing, outcome):
    facts = read(told(**parts))
    assert facts.sharing is sharing
    assert asked("shared-connection")(Facts(host=facts, adapter="Ethernet")).outcome == outcome


def test_forwarding_of_one_interface_counts():
    rows = told()["interfaces"]
    rows[0]["Forwarding"] = "Enabled"
    facts = read(told(interfaces=rows))
    assert facts.ip_forwarding is True and [each.forwarding for each in facts.adapters] == [True, False, None]


@pytest.mark.parametrize(
    ("parts", "power"),
    [
        ({"scheme": scheme(recorded.SAVER)}, Power(True, None, True, "power saver, a plan of its own", 0)),
        ({"overlay": [recorded.EFFICIENT]}, Power(True, None, True, "balanced, best power efficiency", 0)),
        ({"throttle": query(60), "overlay": None}, Power(True, None, True, "balanced", 0)),
        ({"throttle": None, "overlay": None}, Power(True, None, None, "balanced", 0)),
        ({"sleep": query(1800, english=False), "overlay": None}, Power(True, None, False, "balanced", 30)),
        ({"sleep": ["0x00000000"], "overlay": None}, Power(True, None, False, "balanced", None)),
        ({"batteries": [{"BatteryStatus": 2}], "overlay": None}, Power(None, None, False, "balanced", 0)),
        ({"batteries": None, "overlay": None}, Power(None, None, False, "balanced", 0)),
    ],
)
def test_power(parts, power):
    assert read(told(**parts)).power == power


@pytest.mark.parametrize(
    "text", [None, "", "[]", "null", '{"adapters": 3}', "Get-NetAdapter : Zugriff verweigert"]
)
def test_a_system_that_answers_nothing_leaves_nothing_to_pass(text):
    facts = enrich(COMMON, text)
    found = facts.adapter("Ethernet")
    for fact in (
        "kind",
        "duplex",
        "eee",
        "pause",
        "bus",
        "may_sleep",
        "forwarding",
        "gateways",
        "autonegotiated",
    ):
        assert getattr(found, fact) is None
    assert facts.sharing is None and facts.power == Power()


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(sorted(told())), JUNK, st.data())
def test_broken_parts_give_facts_that_can_be_shown(part, junk, data):
    parts = on_usb("USB\\ROOT_HUB30\\4")
    if isinstance(parts[part], list) and parts[part] and isinstance(parts[part][0], dict):
        parts[part][0][data.draw(st.sampled_from(sorted(parts[part][0])))] = junk
    else:
        parts[part] = junk
    shown = json.dumps(asdict(enrich(COMMON, json.dumps(parts))), ensure_ascii=False)
    assert "\x1b" not in shown


def single(part):
    """Every array of one element as that element, as a pipeline hands it on."""
    if isinstance(part, dict):
        return {key: single(value) for key, value in part.items()}
    if not isinstance(part, list):
        return part
    return single(part[0]) if len(part) == 1 else [single(each) for each in part]


@pytest.mark.parametrize(
    "parts",
    [
        told(),
        told(
            adapters=[adapter("Ethernet")],
            routes=[],
            service=["Running"],
            shared=[{"Name": "x", "Enabled": True}],
        ),
        on_usb("USB\\ROOT_HUB30\\4&1", "PCI\\VEN_8086"),
        told(batteries=[{"BatteryStatus": 2}], overlay=[recorded.EFFICIENT], bridged=[{"Name": "Ethernet"}]),
    ],
)
def test_every_version_of_powershell_tells_the_same(parts):
    assert single(parts) != parts
    assert read(single(parts)) == read(parts)
    assert "\\u0026" in recorded.as_5_1_writes(parts)
    assert enrich(COMMON, recorded.as_5_1_writes(parts)) == read(parts)


def test_what_the_system_hides_is_its_own_and_has_a_link_only_while_it_runs():
    hidden = Adapter("Local Area Connection* 1", addresses=(Address("169.254.9.9", 16, "link-local"),))
    for running, carrier in ((True, True), (None, False)):
        host = HostFacts("Windows", (replace(hidden, carrier=running),))
        [read] = enrich(host, recorded.written(recorded.told())).adapters
        assert (read.kind, read.carrier) == ("other", carrier)
    [untold] = enrich(HostFacts("Windows", (hidden,)), None).adapters
    assert (untold.kind, untold.carrier) == (None, None)


@pytest.mark.parametrize("form", recorded.FORMS)
def test_an_array_of_one_element_in_every_form(form):
    _, text = recorded.FORMS[form]
    whole = json.dumps(told(service="HERE", batteries="THERE"))
    whole = whole.replace('"HERE"', text % '"Stopped"').replace('"THERE"', text % '{"BatteryStatus":  2}')
    facts = enrich(COMMON, whole)
    assert facts.sharing is False and facts.power.on_mains is None


@pytest.mark.parametrize(
    ("nothing", "on_mains"), [([], True), ({"value": [], "Count": 0}, True), (None, None), ({}, None)]
)
def test_no_battery_at_all_is_mains_and_an_answer_left_out_is_not(nothing, on_mains):
    assert read(told(batteries=nothing)).power.on_mains is on_mains


@pytest.mark.parametrize("written", ["00005E005310", "00-00-5E-00-53-10"])
def test_the_permanent_address_with_and_without_dashes(written):
    found = audio(told(adapters=[adapter("Ethernet", PermanentAddress=written)]))
    assert found.permanent_address == "00:00:5e:00:53:10"
