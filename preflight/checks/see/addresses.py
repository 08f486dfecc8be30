"""What several checks ask of the addresses of an adapter."""

from preflight.host.facts import Adapter, Address, HostFacts


def address_holder(adapter: Adapter, host: HostFacts) -> Adapter | None:
    """Who has the adapter's addresses: itself, or the bridge or bond that it is part of. None where that is not
    known."""
    if adapter.master is None or ipv4(adapter):
        return adapter
    return host.adapter(adapter.master)


def ipv4(adapter: Adapter) -> list[Address]:
    return [address for address in adapter.addresses if address.version == 4]
