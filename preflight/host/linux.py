"""Linux: what sysfs and procfs know beside psutil. `root` is where they are mounted, so that tests bring their own."""

from dataclasses import replace
from pathlib import Path

from preflight.host import common
from preflight.host.facts import Adapter, HostFacts, Kind


def read(root: Path = Path("/")) -> HostFacts:
    facts = common.read()
    forwarding = _text(root / "proc/sys/net/ipv4/ip_forward")
    return replace(
        facts,
        adapters=tuple(_refine(one, root / "sys/class/net" / one.name) for one in facts.adapters),
        ip_forwarding={"0": False, "1": True}.get(forwarding),
    )


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:  # not there, or (speed, carrier) not to be read while the adapter is down
        return ""


def _refine(adapter: Adapter, folder: Path) -> Adapter:
    kind, reason = _kind(folder)
    speed, carrier, duplex = _text(folder / "speed"), _text(folder / "carrier"), _text(folder / "duplex")
    master = folder / "master"
    return replace(
        adapter,
        kind=kind or adapter.kind,
        kind_reason=reason or adapter.kind_reason,
        carrier={"0": False, "1": True}.get(carrier, False if adapter.enabled is False else None),
        speed_mbps=int(speed) if speed.isdigit() and int(speed) > 0 else None,
        duplex=duplex if duplex in ("full", "half") else None,  # type: ignore[arg-type]
        master=master.resolve().name if master.exists() else None,
    )


def _kind(folder: Path) -> tuple[Kind | None, str]:
    if not folder.is_dir():
        return None, ""
    hardware = _text(folder / "type")  # ARPHRD_ numbers of linux/if_arp.h
    if hardware == "772":
        return "loopback", "the computer's own loopback"
    if (folder / "wireless").exists() or (folder / "phy80211").exists():
        return "wifi", "it is a Wi-Fi adapter"
    if (folder / "bridge").exists():
        return "bridge", "it is a bridge that joins adapters"
    if (folder / "tun_flags").exists() or hardware in ("65534", "512"):
        return "vpn", "it is a tunnel, as a VPN makes it"
    if hardware != "1":
        return "other", f"its hardware type is {hardware or 'not told'}"
    if (folder / "device").exists():
        return "ethernet", "wired Ethernet with a device of its own"
    return "virtual", "it has no device behind it: it exists in software only"
