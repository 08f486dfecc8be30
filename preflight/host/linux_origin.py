"""Where an IPv4 address came from, on Linux: what the programs that set addresses leave on the disk.

A lease that names the address proves DHCP. A connection set to manual, or an address that systemd-networkd
set up without holding a lease, proves a fixed one. Nothing found proves nothing: an address can be set by
hand. Files: networkd keeps /run/systemd/netif (its own format, from memory), NetworkManager its keyfiles
(nm-settings-keyfile), dhclient its leases (dhclient.leases(5)).
"""

import re
from dataclasses import replace
from functools import cached_property
from pathlib import Path

from preflight.host.facts import Address, Origin

LARGEST, MOST = 256 * 1024, 200  # bytes of one file, files of one folder
CONNECTIONS = (
    "etc/NetworkManager/system-connections",
    "run/NetworkManager/system-connections",
    "usr/lib/NetworkManager/system-connections",
)
LEASE_FOLDERS = ("var/lib/dhcp", "var/lib/dhclient", "var/lib/NetworkManager")
LEASE = re.compile(r"^lease \{(.*?)^\}", re.DOTALL | re.MULTILINE)


class Origins:
    """The hints under one root, each read once."""

    def __init__(self, root: Path) -> None:
        self._root = root

    def with_origin(self, address: Address, adapter: str, index: int | None) -> Address:
        """`address` with its origin, where something under the root tells it."""
        if address.origin is not None or address.version != 4:
            return address
        return replace(address, origin=self._origin(address.text, adapter, index))

    def _origin(self, text: str, adapter: str, index: int | None) -> Origin | None:
        if (text, adapter) in self._dhclient:
            return "dhcp"
        if index is None:
            return None
        lease = _read(self._root / f"run/systemd/netif/leases/{index}")
        if re.search(rf"^ADDRESS={re.escape(text)}$", lease, re.MULTILINE):
            return "dhcp"
        device = _settings(_read(self._root / f"run/NetworkManager/devices/{index}")).get("device", {})
        connection = self._connections.get(device.get("connection-uuid", ""), {}).get("ipv4", {})
        fixed = any(
            value.partition("/")[0] == text for key, value in connection.items() if key.startswith("address")
        )
        if fixed or connection.get("method") == "manual":
            return "static"
        if connection.get("method") == "auto":
            return "dhcp"
        link = _read(self._root / f"run/systemd/netif/links/{index}")
        if not lease and re.search(r"^ADMIN_STATE=configured$", link, re.MULTILINE):
            return "static"
        return None

    @cached_property
    def _connections(self) -> dict[str, dict[str, dict[str, str]]]:
        """NetworkManager's connections by UUID. They are readable by the superuser only."""
        found = {}
        for folder in CONNECTIONS:
            for file in _files(self._root / folder, "*"):
                settings = _settings(_read(file))
                found[settings.get("connection", {}).get("uuid", file.name)] = settings
        return found

    @cached_property
    def _dhclient(self) -> set[tuple[str, str]]:
        """Address and adapter of each adapter's latest lease. A lease that was left behind by an address that
        has since been set by hand to the very same value would be taken for live; that is rare."""
        latest: dict[str, str] = {}
        for folder in LEASE_FOLDERS:
            for file in _files(self._root / folder, "dhclient*.lease*"):
                for lease in LEASE.findall(_read(file)):
                    name = re.search(r'interface "([^"\n]{1,64})";', lease)
                    address = re.search(r"fixed-address ([0-9.]{7,15});", lease)
                    if name and address:
                        latest[name[1]] = address[1]
        return {(address, name) for name, address in latest.items()}


def _files(folder: Path, pattern: str) -> list[Path]:
    try:
        return sorted(folder.glob(pattern))[:MOST]
    except OSError:
        return []


def _read(file: Path) -> str:
    """The file's text, "" where it is missing or refused."""
    try:
        if not file.is_file():
            return ""
        with file.open("rb") as opened:
            return opened.read(LARGEST).decode("utf-8", "replace")
    except (OSError, ValueError):
        return ""


def _settings(text: str) -> dict[str, dict[str, str]]:
    """Sections of `key=value` lines. The values stay as they are: they are compared, never shown."""
    sections: dict[str, dict[str, str]] = {}
    current: dict[str, str] = {}
    for line in text.splitlines():
        line = line.strip()
        if line.startswith("[") and line.endswith("]"):
            current = sections.setdefault(line[1:-1], {})
        elif "=" in line and not line.startswith("#"):
            key, value = line.split("=", 1)
            current[key.strip()] = value.strip()
    return sections
