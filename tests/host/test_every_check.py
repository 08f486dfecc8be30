"""Each check of the computer, on each system: a desk as it should be passes, the same desk with one fault
does not, and a system that answers nothing, or in another form, proves nothing.

The answers are those of the recordings beside this file, which say where they come from: linux by the
kernel's own documents (trees, test_linux_device), macos_recordings by published outputs, windows_recordings
by the script's layout. What every system tells by psutil and netifaces is given as those give it.
"""

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest

from preflight.checks import all_checks
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host import linux, macos, windows
from preflight.host.facts import Adapter, Address, Counters, HostFacts, Load
from tests.checks.asked import asked
from tests.host import macos_recordings, windows_recordings
from tests.host.test_linux_device import driver
from tests.host.test_macos import told as told_by_macos
from tests.host.test_macos import write as write_settings
from tests.host.trees import Tree
from tests.host.windows_recordings import adapter, keyword, on_usb

# Which adapter was judged is told by the caller and by what is heard, whatever the system says.
NOT_OF_THE_SYSTEM = ("right-adapter",)
CHECKS = {
    check.name: asked(check.name)
    for check, _ in all_checks()
    if check.subject == "computer" and check.name not in NOT_OF_THE_SYSTEM
}
GB = 1_000_000_000
ROOM = Load(100.0, 1000.0, 0.0, 16 * GB, 8 * GB, 500 * GB, 200 * GB)
LATER = replace(ROOM, busy_s=101.0, total_s=1020.0)
SENT = Counters(rx_frames=1000, tx_frames=10, rx_errors=0, tx_errors=0, rx_dropped=0, tx_dropped=0)
HEARD = replace(SENT, rx_frames=9000)
AUDIO = Adapter(
    "", enabled=True, carrier=True, speed_mbps=1000, duplex="full", mtu=1500, gateways=(), counters=SENT,
    addresses=(Address("192.0.2.10", 24),),
)  # fmt: skip
CONTROL = replace(AUDIO, addresses=(Address("198.51.100.7", 24),), gateways=("198.51.100.1",))
FORWARDS = [
    f"proc/sys/net/ipv4/{part}" for part in ("ip_forward", "conf/eth1/forwarding", "conf/eth2/forwarding")
]
SAME_SUBNET = {"addresses": (Address("192.0.2.77", 24),)}


class Desk:
    """A desk on one system. A fault is given as what changes of the `audio` and the `control` adapter and the
    load as psutil tells them, and of the system's own `answers`."""

    system = audio_name = control_name = ""
    untold: frozenset[str] = frozenset()
    faults: ClassVar[dict[str, dict]]

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def facts(self, *, audio: dict | None = None, control: dict | None = None, load: Load = LATER,
              after: Counters = HEARD, judged: str = "", **answers: object) -> Facts:  # fmt: skip
        common = HostFacts(
            self.system,
            (
                replace(AUDIO, name=self.audio_name, **(audio or {})),
                replace(CONTROL, name=self.control_name, **(control or {})),
            ),
            load=ROOM,
        )
        before = self.enriched(common, **answers)
        later = tuple(
            replace(each, counters=replace(each.counters, **_set(after)))
            if each.name == self.audio_name
            else each
            for each in before.adapters
        )
        return Facts(
            host=before,
            host_after=replace(before, adapters=later, load=load),
            adapter=judged or self.audio_name,
        )

    def enriched(self, common: HostFacts, **answers: object) -> HostFacts:
        raise NotImplementedError


def _set(counters: Counters) -> dict:
    return {name: value for name, value in vars(counters).items() if value is not None}


class Linux(Desk):
    system, audio_name, control_name = "Linux", "eth1", "eth2"
    faults: ClassVar = {
        "link-up": {"files": {"carrier": 0}},
        "link-speed": {"files": {"speed": 100}},
        "duplex": {"files": {"duplex": "half"}},
        "mtu": {"files": {"mtu": 576}},
        "adapter-kind": {"folders": ["wireless"]},
        "adapter-bus": {"usb": 480},
        "adapter-sleep": {"ethtool": {"eee": (1, 1)}},
        "flow-control": {"ethtool": {"pause": (0, 1, 1)}},
        "link-errors": {"after": replace(HEARD, rx_crc_errors=50)},
        "addressing": {"control": SAME_SUBNET},
        "control-network": {"control": SAME_SUBNET},
        "shared-connection": {"tree": dict.fromkeys(FORWARDS, 1)},
        "computer-power": {"tree": {"sys/devices/system/cpu/cpufreq/policy0/scaling_governor": "powersave"}},
        "computer-load": {"load": replace(LATER, memory_free_bytes=GB // 10)},
    }

    def enriched(self, common, *, files=None, folders=(), usb=None, ethtool=None, tree=None):
        made = Tree(self.folder)
        link = {
            "carrier": 1,
            "speed": 1000,
            "duplex": "full",
            "mtu": 1500,
            "statistics/rx_crc_errors": 0,
            **(files or {}),
        }
        made.driver = driver(**{"pause": (1, 0, 0), "eee": (0, 0), **(ethtool or {})})
        for each in common.adapters:
            mine = each.name == self.audio_name
            facts = {name: getattr(each, name) for name in ("addresses", "gateways", "counters", "mtu")}
            folder = made.add(
                each.name,
                link if mine else {"carrier": 1},
                bus=None if mine and usb else "pci",
                folders=folders if mine else (),
                **facts,
            )
            if mine and usb:
                _on_usb(made, folder, usb)
            made.write(f"run/systemd/netif/links/{len(made.adapters) + 1}", "ADMIN_STATE=configured")
        whole = {
            **dict.fromkeys(FORWARDS, 0),
            "proc/sys/net/ipv6/conf/all/forwarding": 0,
            "sys/class/power_supply/AC/type": "Mains",
            "sys/class/power_supply/AC/online": 1,
            "sys/devices/system/cpu/cpufreq/policy0/scaling_governor": "performance",
            **(tree or {}),
        }
        for path, text in whole.items():
            made.write(path, text)
        unit = self.folder / "etc/systemd/system/sleep.target"
        unit.parent.mkdir(parents=True)
        unit.symlink_to("/dev/null")
        return replace(made.read(), load=common.load)


def _on_usb(tree: Tree, folder: Path, speed: int) -> None:
    device = "sys/devices/pci/usb1/1-4"
    tree.write(f"{device}/speed", speed)
    tree.write(f"{device}/power/control", "on")
    interface = tree.root / device / "1-4:1.0"
    interface.mkdir()
    (interface / "subsystem").symlink_to("../../bus/usb")
    (folder / "device").symlink_to(interface)


class MacOs(Desk):
    system, audio_name, control_name = "Darwin", "en7", "en0"
    # What may put a USB adapter to sleep is not told.
    untold = frozenset({"adapter-sleep"})
    faults: ClassVar = {
        "link-up": {"status": "inactive"},
        "link-speed": {"audio": {"speed_mbps": 100}},
        "duplex": {"audio": {"duplex": "half"}},
        "mtu": {"audio": {"mtu": 576}},
        "adapter-kind": {"judged": "en0"},
        "adapter-bus": {"ethernet": macos_recordings.ethernet(spethernet_usb_device_speed="high_speed")},
        "adapter-sleep": {"media": macos_recordings.SLEEPY},
        "flow-control": {"media": macos_recordings.SLEEPY},
        "link-errors": {"after": replace(HEARD, rx_errors=50)},
        "addressing": {"method": "DHCP"},
        "control-network": {"control": SAME_SUBNET},
        "shared-connection": {"nat": 1},
        "computer-power": {"battery": macos_recordings.BATTERY},
        "computer-load": {"load": replace(LATER, memory_free_bytes=GB // 10)},
    }

    def enriched(self, common, *, method="Manual", nat=0, **answers):
        write_settings(self.folder, "com.example.nat.plist", {"NAT": {"Enabled": nat}})
        write_settings(self.folder, "preferences.plist", macos_recordings.settings(method))
        return macos.enrich(common, told_by_macos(**answers), self.folder)


class Windows(Desk):
    system, audio_name, control_name = "Windows", "Ethernet", "Wi-Fi"
    faults: ClassVar = {
        "link-up": {"adapters": [adapter("Ethernet", MediaConnectState=2)]},
        "link-speed": {"adapters": [adapter("Ethernet", Speed=100_000_000)]},
        "duplex": {"adapters": [adapter("Ethernet", MediaDuplexState=1)]},
        "mtu": {"audio": {"mtu": 576}},
        "adapter-kind": {"judged": "Wi-Fi"},
        "adapter-bus": {"usb": ("USB\\ROOT_HUB20\\4",)},
        "adapter-sleep": {"power": [{"Name": "Ethernet", "TurnOff": "Enabled", "Suspend": "Unsupported"}]},
        "flow-control": {"advanced": [keyword("*FlowControl", "3"), keyword("*EEE", "0")]},
        "link-errors": {"after": replace(HEARD, rx_errors=50)},
        "addressing": {"routes": [{"InterfaceAlias": "Ethernet", "NextHop": "192.0.2.1"}]},
        "control-network": {"control": SAME_SUBNET},
        "shared-connection": {"service": ["Running"], "shared": [{"Name": "Wi-Fi", "Enabled": True}]},
        "computer-power": {"scheme": windows_recordings.scheme(windows_recordings.SAVER)},
        "computer-load": {"load": replace(LATER, memory_free_bytes=GB // 10)},
    }

    def enriched(self, common, *, usb=None, **parts):
        told = on_usb(*usb) if usb else windows_recordings.told(**parts)
        return windows.enrich(common, windows_recordings.written(told))


DESKS = [Linux, MacOs, Windows]


@pytest.mark.parametrize("desk", DESKS, ids=lambda desk: desk.system)
def test_a_desk_as_it_should_be_passes_every_check(desk: type[Desk], tmp_path: Path) -> None:
    facts = desk(tmp_path).facts()
    said = {name: judge(facts) for name, judge in CHECKS.items()}
    assert {
        name: each.outcome for name, each in said.items() if each.outcome != Outcome.PASS
    } == dict.fromkeys(desk.untold, Outcome.UNPROVEN), {name: each.headline for name, each in said.items()}


@pytest.mark.parametrize("check", sorted(CHECKS))
@pytest.mark.parametrize("desk", DESKS, ids=lambda desk: desk.system)
def test_one_fault_is_found_by_its_check(desk: type[Desk], check: str, tmp_path: Path) -> None:
    finding = CHECKS[check](desk(tmp_path).facts(**desk.faults[check]))
    assert finding.outcome in (Outcome.FAIL, Outcome.CAUTION), finding


FOREIGN = "Der Befehl ist falsch geschrieben oder konnte nicht gefunden werden.\n\x1b[2J\ufffd"


@pytest.mark.parametrize(
    "answer", [None, "", FOREIGN, "{}", "[1, 2"], ids=["none", "empty", "foreign", "json", "cut"]
)
@pytest.mark.parametrize("check", sorted(CHECKS))
@pytest.mark.parametrize("system", ["linux", "macos", "windows"])
def test_a_system_that_does_not_answer_is_no_pass(
    system: str, check: str, answer: str | None, tmp_path: Path
) -> None:
    """None is a command that is missing, or too slow; Linux has an empty tree. Nothing but what psutil tells
    is left."""
    audio = Adapter("audio", addresses=(Address("192.0.2.10", 24),))
    common = HostFacts("other", (audio,))
    ask = {
        "linux": lambda: linux.enrich(common, tmp_path, lambda _name, _request: None),
        "macos": lambda: macos.enrich(common, dict.fromkeys(macos.COMMANDS, answer), tmp_path),
        "windows": lambda: windows.enrich(common, answer),
    }
    enriched = ask[system]()
    finding = CHECKS[check](Facts(host=enriched, host_after=enriched, adapter="audio"))
    assert finding.outcome == Outcome.UNPROVEN, finding
