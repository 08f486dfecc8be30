"""The link of each adapter again, during a show: what changes from one second to the next, by answers that
cost next to nothing.

On Linux all is asked again. On macOS and Windows the whole question takes seconds of work, which a show's
computer has not to spare twice a second; the rest is as it was told before.
"""

import sys
from dataclasses import replace

from preflight import host
from preflight.host.facts import Adapter, HostFacts


def glance(before: HostFacts) -> HostFacts:
    if sys.platform == "linux":
        return host.read()
    from preflight.host import common, macos
    from preflight.host.run import answers

    now = common.read()
    if sys.platform == "darwin":
        now = macos.enrich(now, answers({"ifconfig": macos.COMMANDS["ifconfig"]}))
    elif sys.platform == "win32":  # psutil's word for a link that is not up is no word
        now = replace(now, adapters=tuple(replace(each, carrier=bool(each.carrier)) for each in now.adapters))
    return renewed(before, now)


def renewed(before: HostFacts, now: HostFacts) -> HostFacts:
    """`before` with the links of `now`, and without the adapters that are gone."""
    return replace(
        before,
        adapters=tuple(_renewed(before.adapter(each.name), each) for each in now.adapters),
        load=now.load,
    )


def _renewed(before: Adapter | None, now: Adapter) -> Adapter:
    if before is None:
        return now
    return replace(
        before,
        enabled=now.enabled if now.enabled is not None else before.enabled,
        carrier=now.carrier if now.carrier is not None else before.carrier,
        speed_mbps=now.speed_mbps or before.speed_mbps,
        addresses=now.addresses if len(now.addresses) != len(before.addresses) else before.addresses,
        counters=now.counters,
    )
