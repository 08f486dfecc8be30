"""Desks as three systems tell of them, with what comes in by each adapter, put through `preflight linecheck`
as its user runs it.

A desk is told once, by its ports; each system here writes the answers that it would give of them, in the
forms that are recorded in tests/host: what psutil and netifaces tell, and beside that Linux its trees and
drivers, macOS its commands and settings files, Windows its script's JSON. The command then reads, chooses,
listens and judges all by itself; only the answers and the frames are handed to it.
"""

import json
import plistlib
import socket
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from ipaddress import ip_interface
from pathlib import Path
from typing import Any, ClassVar, Literal
from unittest.mock import patch

import netifaces
import psutil
from click.testing import CliRunner
from psutil._ntuples import snetio, snicaddr, snicstats

from preflight import host
from preflight.cli import main
from preflight.frames.batch import Batch
from preflight.frames.capture import CaptureFile
from preflight.frames.facts import SourceFacts
from preflight.host import common, linux, macos, windows
from preflight.host.facts import HostFacts, Load, Origin, Power
from preflight.live import linecheck
from tests.host import macos_recordings, windows_recordings
from tests.host.test_linux_device import driver
from tests.host.trees import Tree
from tests.lab.frames import mac_bytes
from tests.situations.rigs import Frames
from tests.tally.captures import mac, write_with_direction

LISTENED_S = 6.0
FIRST_MAC = 240  # of the desk's own adapters
GB = 1_000_000_000
BEFORE = Load(100.0, 1000.0, 0.0, 16 * GB, 8 * GB, 500 * GB, 200 * GB)
AFTER = replace(BEFORE, busy_s=101.0, total_s=1020.0)
Kind = Literal["wired", "wifi", "bluetooth", "vpn", "hidden", "containers", "machine"]


@dataclass(frozen=True)
class Port:
    """An adapter: its part in the row, what it is, how it is set, and what would come in by it.

    `kind`: "hidden" is an adapter that the system makes for Wi-Fi straight to other devices; "containers" one
    that a program for containers or virtual machines makes, "machine" one end of a machine's own. `bridged`
    ports are members of one bridge. An adapter has an address of `ip`, as "192.0.2.10/24"; without a `link`
    many systems take it away, and some leave it."""

    part: str
    ip: str = ""
    kind: Kind = "wired"
    origin: Origin = "static"
    gateway: str = ""
    link: bool = True
    on: bool = True
    speed: int = 1000
    duplex: Literal["full", "half"] = "full"
    mtu: int = 1500
    usb: int | None = None
    saves_energy: bool = False
    flow_control: bool = False
    may_sleep: bool = False
    bridged: bool = False
    hears: Iterable[Frames] = ()

    @property
    def up(self) -> bool:
        return self.on and self.link


@dataclass(frozen=True)
class Computer:
    """What is true of the whole desk. `forwards` as programs for containers leave it on; `shares` by the
    system's own sharing."""

    mains: bool = True
    saves_power: bool = False
    sleeps_after_min: int = 0
    forwards: bool = False
    shares: bool = False


class System:
    """`ports` of a desk under this system's names; a kind of adapter that it does not have is not there."""

    name = ""
    names: ClassVar[dict[str, str]]

    def __init__(self, folder: Path, ports: Iterable[Port], computer: Computer) -> None:
        self.folder, self.computer = folder, computer
        self.named: dict[str, Port] = {}
        self.part: dict[str, str] = {}
        for port in ports:
            if form := self.names.get(port.kind):
                name = form.format(sum(each.kind == port.kind for each in self.named.values()) + 1)
                self.named[name], self.part[port.part] = port, name
        self.hardware = {name: mac(FIRST_MAC + n) for n, name in enumerate(self.named)}

    def read(self, heard: int) -> HostFacts:
        """The computer after so many frames were heard on each adapter that has a link."""
        with ExitStack() as stack:
            for library, question, answer in (
                (psutil, "net_if_stats", {name: self.stats(port) for name, port in self.named.items()}),
                (psutil, "net_if_addrs", {name: self._owned(name) for name in self.named}),
                (psutil, "net_io_counters", {name: self._counted(port, heard) for name, port in self.named.items()}),
                (netifaces, "gateways", self.gateways()),
            ):  # fmt: skip
                stack.enter_context(patch.object(library, question, lambda *_, answer=answer, **__: answer))
            told = common.read()
        told = replace(
            told,
            system=self.name,
            load=AFTER if heard else BEFORE,
            power=Power(),
            temperature_c=None,
        )
        return self.enriched(told)

    def _owned(self, name: str) -> list[snicaddr]:
        port = self.named[name]
        hardware = snicaddr(psutil.AF_LINK, self.hardware[name], None, None, None)
        if not port.ip:
            return [hardware]
        own = ip_interface(port.ip)
        return [hardware, snicaddr(socket.AF_INET, str(own.ip), str(own.netmask), None, None)]

    def _counted(self, port: Port, heard: int) -> snetio:
        frames = 1000 + (heard if port.up else 0)
        return snetio(0, 0, 10, frames, 0, 0, 0, 0)

    def stats(self, port: Port) -> snicstats:
        """psutil's word of the link: flags that tell on and off, and whether it runs."""
        flags = f"{'up,' * port.on}broadcast,{'running,' * port.up}multicast"
        full = psutil.NIC_DUPLEX_FULL if port.duplex == "full" else psutil.NIC_DUPLEX_HALF
        return snicstats(port.up, full, port.speed if port.up else 0, port.mtu, flags)

    def gateways(self) -> dict[Any, Any]:
        hops = [(port.gateway, name, True) for name, port in self.named.items() if port.gateway and port.up]
        return {"default": {}, socket.AF_INET: hops}

    def enriched(self, told: HostFacts) -> HostFacts:
        raise NotImplementedError


class Linux(System):
    name = "Linux"
    names: ClassVar = {
        "wired": "enp{}s0", "wifi": "wlp{}s0", "bluetooth": "bnep{}", "vpn": "tun{}", "containers": "br-c{}",
        "machine": "vnet{}",
    }  # fmt: skip

    def enriched(self, told):
        number = len(list(self.folder.iterdir())) + 1
        tree = Tree(self.folder / str(number))
        asks = {}
        forwards = int(self.computer.forwards or self.computer.shares)
        for name, port in self.named.items():
            self._add(tree, name, port)
            tree.write(f"proc/sys/net/ipv4/conf/{name}/forwarding", forwards)
            paused, sleeps = int(port.flow_control), int(port.saves_energy)
            asks[name] = driver(pause=(1 - paused, paused, paused), eee=(sleeps, sleeps))
        bridged = any(port.bridged for port in self.named.values())
        if bridged:
            tree.add("br0", {"carrier": 1}, bus=None, folders=["bridge"])
        governor = "powersave" if self.computer.saves_power else "performance"
        for path, text in {
            "proc/sys/net/ipv4/ip_forward": forwards,
            "proc/sys/net/ipv6/conf/all/forwarding": 0,
            "sys/class/power_supply/AC/type": "Mains",
            "sys/class/power_supply/AC/online": int(self.computer.mains),
            "sys/class/power_supply/BAT0/type": "Battery",
            "sys/class/power_supply/BAT0/status": "Full" if self.computer.mains else "Discharging",
            "sys/devices/system/cpu/cpufreq/policy0/scaling_governor": governor,
        }.items():
            tree.write(path, text)
        if not self.computer.sleeps_after_min:
            unit = tree.root / "etc/systemd/system/sleep.target"
            unit.parent.mkdir(parents=True)
            unit.symlink_to("/dev/null")
        own = tuple(each for each in tree.adapters if each.name == "br0")
        read = linux.enrich(
            replace(told, adapters=(*told.adapters, *own)),
            tree.root,
            lambda name, request: asks[name](name, request) if name in asks else None,
        )
        return read

    def _add(self, tree: Tree, name: str, port: Port) -> None:
        made = port.kind not in ("wired", "wifi")
        index = len(tree.adapters) + 2
        files: dict[str, object] = {
            "address": self.hardware[name],
            "flags": "0x1003" if port.on else "0x1002",
            "carrier": int(port.link) if port.on else b"",
            "speed": port.speed if port.up and port.kind == "wired" else -1,
            "duplex": port.duplex if port.up and port.kind == "wired" else "unknown",
            "mtu": port.mtu,
            "carrier_changes": 2,
            "statistics/rx_crc_errors": 0,
        }
        if port.kind == "bluetooth":
            files["uevent"] = "DEVTYPE=bluetooth"
        if port.kind in ("vpn", "machine"):
            files["tun_flags"] = "0x1001" if port.kind == "vpn" else "0x1002"
        if port.kind == "vpn":
            files["type"] = 65534
        folder = tree.add(
            name, files, bus=None if made or port.usb else "pci",
            folders={"wifi": ["wireless"], "containers": ["bridge"]}.get(port.kind, []),
            master="br0" if port.bridged else self.part.get("containers") if port.kind == "machine" else None,
        )  # fmt: skip
        if port.usb:
            device = f"sys/devices/pci/usb{index}/{index}-1"
            tree.write(f"{device}/speed", port.usb)
            tree.write(f"{device}/power/control", "auto" if port.may_sleep else "on")
            interface = tree.root / device / f"{index}-1:1.0"
            interface.mkdir()
            (interface / "subsystem").symlink_to("../../bus/usb")
            (folder / "device").symlink_to(interface)
        tree.write(f"run/systemd/netif/links/{index}", "ADMIN_STATE=configured")
        if port.origin == "dhcp":
            tree.write(f"run/systemd/netif/leases/{index}", f"ADDRESS={port.ip.partition('/')[0]}")


class MacOs(System):
    name = "Darwin"
    names: ClassVar = {
        "wired": "en{}", "wifi": "en0", "bluetooth": "en9{}", "vpn": "utun{}", "containers": "bridge10{}",
        "machine": "vmenet{}",
    }  # fmt: skip
    PORTS: ClassVar = {"wired": "Ethernet", "wifi": "Wi-Fi", "bluetooth": "Bluetooth PAN"}
    MEDIA: ClassVar = {10: "10baseT/UTP", 100: "100baseTX", 1000: "1000baseT", 2500: "2500Base-T"}

    def stats(self, port):
        # RUNNING is set without a cable, too.
        return super().stats(replace(port, link=True))._replace(speed=port.speed if port.up else 0)

    def enriched(self, told):
        settings = self.folder / macos.SETTINGS
        settings.mkdir(parents=True, exist_ok=True)
        services = {
            name: {"Interface": {"DeviceName": name}, "IPv4": self._method(port)}
            for name, port in self.named.items()
            if port.kind in self.PORTS
        }
        in_use = {name: {"__LINK__": f"/NetworkServices/{name}"} for name in services}
        whole = {
            "CurrentSet": "/Sets/0001",
            "NetworkServices": services,
            "Sets": {"0001": {"Network": {"Service": in_use}}},
        }
        (settings / "preferences.plist").write_bytes(plistlib.dumps(whole))
        nat = {"NAT": {"Enabled": int(self.computer.shares)}}
        (settings / "com.example.nat.plist").write_bytes(plistlib.dumps(nat))
        forwards = int(self.computer.forwards or self.computer.shares)
        battery = macos_recordings.MAINS if self.computer.mains else macos_recordings.BATTERY
        answers = {
            "ifconfig": "".join(self._ifconfig(name, port) for name, port in self.named.items())
            + self._bridge(),
            "ports": "".join(
                f"\nHardware Port: {self.PORTS[port.kind]}\nDevice: {name}\nEthernet Address: "
                f"{self.hardware[name]}\n"
                for name, port in self.named.items()
                if port.kind in self.PORTS
            ),
            "ethernet": json.dumps(
                {"SPEthernetDataType": [self._profile(*each) for each in self.named.items() if each[1].kind == "wired"]}
            ),
            "usb": '{"SPUSBDataType": []}',
            "usb host": '{"SPUSBHostDataType": []}',
            "battery": battery,
            "power": macos_recordings.POWER.format(
                low=int(self.computer.saves_power), sleep=self.computer.sleeps_after_min
            ),
            "forwarding": macos_recordings.FORWARDING.format(forwards),
        }  # fmt: skip
        return macos.enrich(told, answers, self.folder)

    @staticmethod
    def _method(port: Port) -> dict[str, object]:
        if port.origin == "static" and port.ip:
            return {"ConfigMethod": "Manual", "Addresses": [port.ip.partition("/")[0]]}
        return {"ConfigMethod": "DHCP"}

    def _ifconfig(self, name: str, port: Port) -> str:
        lines = [f"{name}: flags=8863<UP,BROADCAST,SMART,RUNNING,SIMPLEX,MULTICAST> mtu {port.mtu}"]
        lines.append(f"\tether {self.hardware[name]}")
        if port.kind == "wired":
            options = [f"{port.duplex}-duplex"]
            options += ["flow-control"] * port.flow_control
            options += ["energy-efficient-ethernet"] * port.saves_energy
            media = f"{self.MEDIA[port.speed]} <{','.join(options)}>" if port.up else "none"
            lines.append(f"\tmedia: autoselect ({media})")
            lines.append(
                "\t\tmedia 1000baseT mediaopt full-duplex mediaopt flow-control mediaopt "
                "energy-efficient-ethernet"
            )
        if port.kind == "containers":
            lines += [f"\tmember: {each} flags=3<LEARNING,DISCOVER>" for each in self._of_kind("machine")]
        lines.append(f"\tstatus: {'active' if port.up else 'inactive'}")
        return "\n".join(lines) + "\n"

    def _of_kind(self, kind: str) -> list[str]:
        return [name for name, port in self.named.items() if port.kind == kind]

    def _bridge(self) -> str:
        members = [name for name, port in self.named.items() if port.bridged]
        lines = ["bridge0: flags=8863<UP> mtu 1500"] + [
            f"\tmember: {each} flags=3<LEARNING>" for each in members
        ]
        return "\n".join(lines) + "\n" if members else ""

    @staticmethod
    def _profile(name: str, port: Port) -> dict[str, str]:
        told = {"spethernet_BSD_Device_Name": name, "spethernet_driver": "org.example.driver"}
        told["spethernet_bus"] = "spethernet_usb_device" if port.usb else "spethernet_pcie"
        if port.usb:
            told["spethernet_usb_device_speed"] = "high_speed" if port.usb == 480 else "super_speed"
        return told

    def read(self, heard):
        told = super().read(heard)
        if not any(port.bridged for port in self.named.values()):
            return told
        bridge = replace(told.adapters[0], name="bridge0", kind="bridge", addresses=(), gateways=())
        return replace(told, adapters=(*told.adapters, bridge))


class Windows(System):
    name = "Windows"
    names: ClassVar = {
        "wired": "Ethernet {}", "wifi": "Wi-Fi", "bluetooth": "Bluetooth {}", "vpn": "Tunnel {}",
        "hidden": "Local Area Connection* {}", "containers": "vEthernet ({})",
    }  # fmt: skip
    FORMS: ClassVar[dict[str, dict[str, Any]]] = {
        "wired": {},
        "wifi": {"NdisPhysicalMedium": 9, "InterfaceType": 71, "MediaDuplexState": 0},
        "bluetooth": {"NdisPhysicalMedium": 10, "MediaDuplexState": 0, "PnPDeviceID": "BTH\\MS_BTHPAN\\6"},
        "vpn": {"InterfaceType": 53, "NdisPhysicalMedium": 0, "HardwareInterface": False, "Virtual": True,
                "PnPDeviceID": "SWD\\TUNNEL\\1"},
        "containers": {"NdisPhysicalMedium": 0, "HardwareInterface": False, "Virtual": True,
                       "PnPDeviceID": "ROOT\\SWITCH\\0001"},
    }  # fmt: skip

    def stats(self, port):
        full = psutil.NIC_DUPLEX_FULL  # psutil assumes so there, and has no flags
        return snicstats(port.up, full, port.speed if port.up else 0, port.mtu, "")

    def gateways(self):
        hops = [("198.51.100.1", "{00005E00-5300-4000-8000-000000000000}", True)]
        return {"default": {}, socket.AF_INET: hops}

    def enriched(self, told):
        rows, advanced, power, usb = [], [], [], []
        shown = {name: port for name, port in self.named.items() if port.kind != "hidden"}
        for name, port in shown.items():
            changed = dict(self.FORMS[port.kind])
            if port.usb:
                changed["PnPDeviceID"] = f"USB\\VID_1209&PID_0001\\{name}"
                root = "USB\\ROOT_HUB20\\4" if port.usb == 480 else "USB\\ROOT_HUB30\\4"
                usb.append({"Name": name, "Parents": [root], "Beside": []})
            if port.kind == "wired":
                changed["MediaDuplexState"] = {"full": 2, "half": 1}[port.duplex] if port.up else 0
            hardware = self.hardware[name]
            rows.append(
                windows_recordings.adapter(
                    name,
                    MacAddress=hardware.replace(":", "-").upper(),
                    PermanentAddress=hardware.replace(":", "").upper(),
                    Speed=port.speed * 1_000_000 if port.up else 0,
                    MediaConnectState=1 if port.up else 2,
                    InterfaceAdminStatus=1 if port.on else 2,
                    **changed,
                )
            )
            advanced += [
                windows_recordings.keyword("*SpeedDuplex", "0", name),
                windows_recordings.keyword("*FlowControl", "3" if port.flow_control else "0", name),
                windows_recordings.keyword("*EEE", str(int(port.saves_energy)), name),
            ]
            power.append(
                {
                    "Name": name,
                    "TurnOff": "Enabled" if port.may_sleep else "Disabled",
                    "Suspend": "Unsupported",
                }
            )
        desk = self.computer
        scheme = windows_recordings.SAVER if desk.saves_power else windows_recordings.BALANCED
        answers = windows_recordings.told(
            adapters=rows,
            advanced=advanced,
            power=power,
            usb=usb,
            interfaces=[
                {
                    "InterfaceAlias": name,
                    "InterfaceMetric": 25,
                    "Forwarding": "Enabled" if desk.forwards and port.kind == "containers" else "Disabled",
                }
                for name, port in self.named.items()
            ],
            addresses=[
                {
                    "InterfaceAlias": name,
                    "IPAddress": port.ip.partition("/")[0],
                    "Origin": {"static": "Manual", "dhcp": "Dhcp", "link-local": "WellKnown"}[port.origin],
                }
                for name, port in self.named.items()
                if port.ip
            ],
            routes=[
                {"InterfaceAlias": name, "NextHop": port.gateway}
                for name, port in self.named.items()
                if port.gateway and port.up
            ],
            bridged=[{"Name": name} for name, port in self.named.items() if port.bridged],
            batteries=[{"BatteryStatus": 2 if desk.mains else 1}],
            scheme=windows_recordings.scheme(scheme),
            sleep=windows_recordings.query(desk.sleeps_after_min * 60),
            service=["Running" if desk.shares else "Stopped"],
            shared=[{"Name": next(iter(self.named)), "Enabled": True}] if desk.shares else None,
        )
        on_mains = Power(desk.mains, 64.0 if not desk.mains else 100.0)
        bridge = windows_recordings.adapter(
            "Network Bridge", ComponentID="ms_bridgemp", HardwareInterface=False, NdisPhysicalMedium=0
        )
        if any(port.bridged for port in self.named.values()):
            answers["adapters"] = [*rows, bridge]
            joined = replace(told.adapters[0], name="Network Bridge", addresses=())
            told = replace(told, adapters=(*told.adapters, joined))
        return windows.enrich(replace(told, power=on_mains), windows_recordings.written(answers))


SYSTEMS: tuple[type[System], ...] = (Linux, MacOs, Windows)


class Replay(CaptureFile):
    """A capture in place of what an adapter hears."""

    partial = False

    def __init__(self, path: Path, adapter: str) -> None:
        super().__init__(str(path))
        self._heard_on = adapter

    def heard(self) -> Iterator[Batch]:
        return self.batches()

    def now_ns(self) -> int:
        return 0

    def dropped(self) -> int:
        return 0

    def facts(self) -> SourceFacts:
        told = super().facts()
        return replace(
            told, kind="live", name=self._heard_on, dropped=0, duration_s=max(told.duration_s, LISTENED_S)
        )


def linechecked(system: System, named: str = "") -> tuple[dict[str, Any], str]:
    """What `preflight linecheck` says at the desk, as scripts get it, and the words beside it. Where it
    refuses there is no verdict."""
    reads: list[HostFacts] = []

    def read() -> HostFacts:
        reads.append(system.read(heard=9000 * len(reads)))
        return reads[-1]

    def listen(adapter: str, *_: object) -> Replay:
        port, own = system.named[adapter], mac_bytes(system.hardware[adapter])
        frames = sorted((frame for some in port.hears for frame in some), key=lambda frame: frame[0])
        path = system.folder / "heard.pcapng"
        marked = ((at, data, data[6:12] == own) for at, data in frames if port.up)
        return Replay(write_with_direction(path, marked), adapter)

    command = ["linecheck", *([system.part[named]] if named else []), "--json"]
    with patch.object(host, "read", read), patch.object(linecheck, "open_listener", listen):
        done = CliRunner().invoke(main, command)
    return json.loads(done.stdout) if done.stdout else {}, done.stderr
