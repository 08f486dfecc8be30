"""What psutil and netifaces tell on any system. What they do not tell is None."""

import platform
from ipaddress import ip_address, ip_network

from preflight.host.facts import Adapter, Address, HostFacts
from preflight.text import clean


def read() -> HostFacts:
    import netifaces
    import psutil

    stats, addresses = psutil.net_if_stats(), psutil.net_if_addrs()
    gateways: dict[str, list[str]] = {}
    for family, entries in netifaces.gateways().items():
        if family != "default":
            for entry in entries:
                gateways.setdefault(entry[1], []).append(clean(entry[0]))
    adapters = []
    for name in sorted(stats):
        state = stats[name]
        flags = set(state.flags.split(",")) if state.flags else set()
        duplex = {psutil.NIC_DUPLEX_FULL: "full", psutil.NIC_DUPLEX_HALF: "half"}.get(state.duplex)
        hardware = [a.address for a in addresses.get(name, ()) if a.family == psutil.AF_LINK]
        loopback = "loopback" in flags or name == "lo"
        adapters.append(
            Adapter(
                name=clean(name),
                kind="loopback" if loopback else None,
                kind_reason="the computer's own loopback"
                if loopback
                else "the system does not say what it is",
                enabled="up" in flags if flags else None,
                carrier=state.isup if not flags else "running" in flags,
                speed_mbps=state.speed or None,
                duplex=duplex,  # type: ignore[arg-type]
                mtu=state.mtu or None,
                hardware_address=clean(hardware[0].lower()) if hardware else "",
                addresses=tuple(_addresses(addresses.get(name, ()))),
                gateways=tuple(gateways.get(name, ())),
            )
        )
    return HostFacts(clean(platform.system()), tuple(adapters))


def _addresses(entries):
    for entry in entries:
        try:
            address = ip_address(entry.address.partition("%")[0])
        except ValueError:
            continue  # a hardware address
        prefix = None
        if entry.netmask and address.version == 4:
            try:
                prefix = ip_network(f"0.0.0.0/{entry.netmask}").prefixlen
            except ValueError:
                prefix = None
        yield Address(str(address), prefix, "link-local" if address.is_link_local else None)
