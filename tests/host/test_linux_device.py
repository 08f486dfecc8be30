"""What Linux tells of an adapter's driver, its USB device and the computer's power.

The drivers' answers are made as struct ethtool_* of include/uapi/linux/ethtool.h lays them out, the trees as
the kernel's ABI documents show them.
"""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.host import linux_ethtool
from preflight.host.facts import Usb
from tests.host.trees import Tree

PAUSE, ASYM = 1 << 13, 1 << 14


@pytest.fixture
def tree(tmp_path):
    return Tree(tmp_path)


def driver(*, automatic=1, own=0, other=0, pause=None, eee=None, address=None, words=4):
    """A driver that answers so; None refuses that question."""

    def ask(_name, request):
        command = struct.unpack_from("I", request)[0]
        if command == linux_ethtool.GET_PAUSE and pause:
            return struct.pack("4I", command, *pause)
        if command == linux_ethtool.GET_EEE and eee:
            return struct.pack("10I", command, 0, 0, 0, *eee, 0, 0, 0, 0)
        if command == linux_ethtool.GET_ADDRESS and address:
            return struct.pack("2I", command, 6) + address + bytes(26)
        if command == linux_ethtool.GET_LINK:
            head = bytearray(request[:48])
            asked_words = struct.unpack_from("b", request, 18)[0]
            struct.pack_into("b", head, 18, words if asked_words == words else -words)
            head[11] = automatic
            masks = b"".join(struct.pack("I", mask) + bytes(4 * (words - 1)) for mask in (0, own, other))
            return bytes(head) + masks if asked_words == words else bytes(head)
        return None

    return ask


@pytest.mark.parametrize(
    ("answers", "use"),
    [
        ({"pause": (1, 0, 0)}, "off"),
        ({"pause": (0, 1, 1)}, "active"),
        ({"pause": (0, 1, 0)}, "active"),
        ({"pause": (1, 1, 1), "own": PAUSE}, "possible"),
        ({"pause": (1, 1, 1), "own": PAUSE, "other": PAUSE}, "active"),
        ({"pause": (1, 1, 1), "own": PAUSE, "other": 1 << 5}, "unused"),
        ({"pause": (1, 1, 1), "own": PAUSE | ASYM, "other": ASYM}, "active"),
        ({"pause": (1, 0, 1), "own": ASYM, "other": ASYM}, "unused"),
        ({}, None),
    ],
)
def test_flow_control_as_both_ends_agree(tree, answers, use):
    tree.driver = driver(**answers)
    tree.add("eth1", {"carrier": 1})
    assert tree.adapter("eth1").pause == use


@pytest.mark.parametrize(
    ("active", "enabled", "carrier", "use"),
    [
        (1, 1, 1, "active"),
        (0, 1, 1, "unused"),
        (0, 1, 0, "possible"),
        (0, 0, 1, "off"),
    ],
)
def test_energy_efficient_ethernet(tree, active, enabled, carrier, use):
    tree.driver = driver(eee=(active, enabled))
    tree.add("eth1", {"carrier": carrier})
    assert tree.adapter("eth1").eee == use


def test_the_other_ends_word_is_worth_nothing_without_a_link(tree):
    tree.driver = driver(pause=(1, 1, 1), own=PAUSE, other=1 << 5)
    tree.add("eth1", {"carrier": 0})
    assert tree.adapter("eth1").pause == "possible"


@pytest.mark.parametrize(("automatic", "told"), [(1, True), (0, False), (9, None)])
def test_by_hand_or_automatic_and_the_address_it_was_made_with(tree, automatic, told):
    tree.driver = driver(automatic=automatic, address=bytes.fromhex("00005e005399"))
    tree.add("eth1")
    found = tree.adapter("eth1")
    assert found.autonegotiated is told and found.permanent_address == "00:00:5e:00:53:99"


@given(st.binary(max_size=120), st.booleans())
def test_any_answer_of_a_driver_gives_something_or_nothing(answer, echo):
    def ask(_name, request):
        return request[:18] + answer if echo else answer

    for told in (
        linux_ethtool.link("x", ask)[0],
        linux_ethtool.eee("x", ask, True),
        linux_ethtool.pause("x", ask, 0, None),
        linux_ethtool.permanent_address("x", ask),
    ):
        assert told is None or isinstance(told, bool | str)


def test_the_ioctl_refuses_an_adapter_that_is_not_there():
    assert linux_ethtool.ask("none such", struct.pack("4I", linux_ethtool.GET_PAUSE, 0, 0, 0)) is None
    assert linux_ethtool.ask("x" * 300, struct.pack("4I", linux_ethtool.GET_PAUSE, 0, 0, 0)) is None


def on_usb(tree, at, speed=5000, control="on", beside=()):
    """An adapter whose interface is that of the USB device `at`, such as usb2/2-1/2-1.3."""
    folder = tree.add("eth1", bus=None)
    device = f"sys/devices/pci/{at}"
    tree.write(f"{device}/speed", speed)
    tree.write(f"{device}/power/control", control)
    tree.write(f"{device}/1.0/x", "")
    interface = tree.root / device / f"{at.rpartition('/')[2]}:1.0"
    interface.mkdir()
    (interface / "subsystem").symlink_to("../../bus/usb")
    (folder / "device").symlink_to(interface)
    hub = device.rpartition("/")[0]
    for name, product in beside:
        tree.write(f"{hub}/{name}/product", product)


def test_a_usb_adapter_straight_at_the_computer(tree):
    on_usb(tree, "usb2/2-1", beside=[("2-2", "a disk")])
    found = tree.adapter("eth1")
    assert (found.bus, found.usb, found.may_sleep) == ("usb", Usb(5000.0, ()), False)


def test_a_usb_adapter_at_a_hub_with_a_disk(tree):
    on_usb(tree, "usb1/1-4/1-4.2", speed=480, control="auto", beside=[("1-4.1", "A\x1b[31m disk")])
    found = tree.adapter("eth1")
    assert found.usb == Usb(480.0, ("A\ufffd[31m disk",)) and found.may_sleep is True


@pytest.mark.parametrize("speed", ["", "unknown", "-5", "nan", "inf"])
def test_a_usb_speed_that_is_not_told(tree, speed):
    on_usb(tree, "usb2/2-1", speed=speed, control="?")
    found = tree.adapter("eth1")
    assert found.usb == Usb(None, ()) and found.may_sleep is None


@pytest.mark.parametrize(
    ("supplies", "mains"),
    [
        (None, None),
        ({}, True),
        ({"AC": {"type": "Mains", "online": 1}, "BAT0": {"type": "Battery", "status": "Charging"}}, True),
        ({"AC": {"type": "Mains", "online": 0}, "BAT0": {"type": "Battery", "status": "Discharging"}}, False),
        ({"BAT0": {"type": "Battery", "status": "Unknown"}}, None),
        ({"mouse": {"type": "Battery", "scope": "Device", "status": "Discharging"}}, True),
        ({"ucsi": {"type": "USB", "online": 0}}, True),
    ],
)
def test_mains_or_battery(tree, supplies, mains):
    if supplies is not None:
        (tree.root / "sys/class/power_supply").mkdir(parents=True)
    for name, files in (supplies or {}).items():
        for file, text in files.items():
            tree.write(f"sys/class/power_supply/{name}/{file}", text)
    assert tree.read().power.on_mains is mains


@pytest.mark.parametrize(
    ("governor", "scaling", "profile", "saving", "plan"),
    [
        ("performance", "acpi-cpufreq", None, False, "governor performance"),
        ("powersave", "acpi-cpufreq", None, True, "governor powersave"),
        ("powersave", "x_pstate", "balanced", False, "profile balanced, governor powersave"),
        ("performance", "x_pstate", "low-power", True, "profile low-power, governor performance"),
        (None, None, None, None, None),
    ],
)
def test_what_holds_the_processor_back(tree, governor, scaling, profile, saving, plan):
    for path, text in (
        ("devices/system/cpu/cpufreq/policy0/scaling_governor", governor),
        ("devices/system/cpu/cpufreq/policy0/scaling_driver", scaling),
        ("firmware/acpi/platform_profile", profile),
    ):
        if text:
            tree.write(f"sys/{path}", text)
    power = tree.read().power
    assert (power.saving, power.plan, power.sleeps_after_min) == (saving, plan, None)


def test_a_computer_that_cannot_sleep(tree):
    unit = tree.root / "etc/systemd/system/sleep.target"
    unit.parent.mkdir(parents=True)
    unit.symlink_to("/dev/null")
    assert tree.read().power.sleeps_after_min == 0
