"""Recorded /sys and /proc trees, small: the files that the Linux reader looks at, as a kernel writes them."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from preflight.host.facts import Adapter, HostFacts
from preflight.host.linux import enrich
from preflight.host.linux_ethtool import Ask

MAC = "00:00:5e:00:53:{:02x}"


@dataclass
class Tree:
    """A root to write adapters into, and the common reader's facts of them."""

    root: Path
    adapters: list[Adapter] = field(default_factory=list)
    driver: Ask = lambda _name, _request: None

    def add(
        self,
        name: str,
        files: dict[str, object] | None = None,
        *,
        bus: str | None = "pci",
        driver: str | None = None,
        folders: Iterable[str] = (),
        master: str | None = None,
        **common,
    ) -> Path:
        """An adapter in /sys (on `bus`, None: made by software), and in the common facts with `common`."""
        index = len(self.adapters) + 2
        mac = MAC.format(index)
        folder = self.root / "sys/class/net" / name
        folder.mkdir(parents=True)
        usual = {
            "type": 1,
            "ifindex": index,
            "iflink": index,
            "address": mac,
            "flags": "0x1003",
            "uevent": f"INTERFACE={name}\nIFINDEX={index}",
        }
        for file, text in {**usual, **(files or {})}.items():
            self.write(f"sys/class/net/{name}/{file}", text)
        for each in folders:
            (folder / each).mkdir()
        if bus is not None:
            device = self.root / "sys/devices" / f"{bus}-{name}"
            device.mkdir(parents=True)
            (folder / "device").symlink_to(device)
            (device / "subsystem").symlink_to(f"../../bus/{bus}")
            if driver:
                (device / "driver").symlink_to(f"../../bus/{bus}/drivers/{driver}")
        if master:
            (folder / "master").symlink_to(f"../{master}")
        self.adapters.append(Adapter(**{"name": name, "hardware_address": mac, **common}))
        return folder

    def write(self, path: str, text: object) -> None:
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(text if isinstance(text, bytes) else f"{text}\n".encode())

    def read(self) -> HostFacts:
        return enrich(HostFacts("Linux", tuple(self.adapters)), self.root, self.driver)

    def adapter(self, name: str) -> Adapter:
        found = self.read().adapter(name)
        assert found is not None
        return found
