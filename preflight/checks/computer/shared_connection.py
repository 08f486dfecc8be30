"""Nothing in this computer joins the audio LAN to another network: no bridge, no sharing, no forwarding.

A bridge joins what is plugged into it, whatever the addresses. Forwarding (routing, connection sharing) joins
the networks of adapters that are up and have an address that can be routed; turned on with one such adapter
it joins nothing yet, and will as soon as a second one comes up.
"""

from collections.abc import Mapping

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.see.addresses import address_holder
from preflight.facts import Facts
from preflight.host.facts import Adapter, HostFacts

CHECK = Check(
    name="shared-connection",
    subject="computer",
    order=120,
    asks=View,
    question="Does this computer join the audio LAN to another network?",
    looks_at="Bridges and bonds that the audio adapter is part of, and whether the system forwards packets or shares its connection.",
    why=(
        "A computer that bridges or shares its connection lets the other network's traffic, and its DHCP server, into "
        "the audio LAN. With a second cable it can close a loop."
    ),
    sources=(
        "IEEE 802.1D: what a bridge forwards",
        "RFC 1812: what a router forwards",
        "common practice: the audio LAN is joined to nothing",
    ),
    fixes=(
        "Turn off internet sharing (connection sharing) and any hotspot on this computer.",
        "Take the audio adapter out of every bridge in the network settings.",
        "Turn off IP forwarding. Programs for virtual machines and containers turn it on: end them for the show.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Look in the network settings for internet sharing (connection sharing) and for bridges: both should be off."
    ),
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    bridged = _bridged(adapter, facts.host)
    if bridged is not None and bridged.outcome is Outcome.FAIL:
        return bridged
    forwarded = _forwarded(adapter, facts.host)
    if bridged is not None and forwarded.outcome is not Outcome.FAIL:
        return bridged
    return forwarded


def _bridged(adapter: Adapter, host: HostFacts) -> Finding | None:
    """What is to be said of the bridge or bond that the adapter is, or is part of; None where there is
    none."""
    name = adapter.name if adapter.kind in ("bridge", "bond") else adapter.master
    if name is None:
        return None
    group = host.adapter(name)
    others = [each.name for each in host.adapters if each.master == name and each.name != adapter.name]
    measured = {"group": name, "kind": group.kind if group else None, "with": others}
    listed = ", ".join(others)
    if group is not None and group.kind == "bond":
        return _finding(
            Outcome.CAUTION,
            f"{adapter.name} works as one with {listed or 'no other adapter'} (bond {name})."
            " All its cables must go to the audio LAN.",
            measured,
            adapter,
            ("Follow each cable of the bond: every one must end at an audio switch.", *CHECK.fixes[1:2]),
        )
    if group is None or group.kind != "bridge":
        return untold(CHECK, f"{adapter.name} is part of {name}; the system does not say what that joins.")
    if len(others) > (1 if adapter.name == name else 0):
        what = (
            f"The bridge {name} joins"
            if adapter.name == name
            else f"The bridge {name} joins {adapter.name} to"
        )
        return _finding(Outcome.FAIL, f"{what} {listed}.", measured, adapter)
    alone = f"{name} is a bridge" if adapter.name == name else f"{adapter.name} is in the bridge {name}"
    return _finding(Outcome.CAUTION, f"{alone}, so far with no second adapter in it.", measured, adapter)


def _forwarded(adapter: Adapter, host: HostFacts) -> Finding:
    others = [each for each in host.adapters if each.name != adapter.name and _in_use(each, adapter)]
    ways = [each.forwarding for each in (adapter, *others)]
    measured = {
        "ip_forwarding": host.ip_forwarding,
        "sharing": host.sharing,
        "forwarding": adapter.forwarding,
        "others_in_use": [each.name for each in others],
    }
    on = host.sharing is True or True in ways or (host.ip_forwarding is True and None in ways)
    if not on:
        if host.sharing is False and (host.ip_forwarding is False or None not in ways):
            return Finding(
                CHECK.name,
                Outcome.PASS,
                f"Nothing in this computer joins {adapter.name} to another network.",
                measured=measured,
            )
        return untold(
            CHECK,
            "The system does not say whether it shares its connection, or forwards packets between adapters.",
        )
    joined = ", ".join(each.name for each in others)
    what = "Connection sharing" if host.sharing else "IP forwarding"
    if others and _routable(address_holder(adapter, host) or adapter):
        text = f"{what} is on: this computer joins {adapter.name} to {joined}."
        return _finding(Outcome.FAIL, text, measured, adapter)
    text = f"{what} is on. It joins nothing yet, but can as soon as a second network is plugged in."
    return _finding(Outcome.CAUTION, text, measured, adapter)


def _in_use(other: Adapter, adapter: Adapter) -> bool:
    """Up, with an address that packets can be routed by. A bridge that holds the adapter's own address is no
    other network."""
    if other.kind == "loopback" or other.name == adapter.master or other.enabled is False:
        return False
    return other.carrier is not False and _routable(other)


def _routable(adapter: Adapter) -> bool:
    """RFC 4291 section 2.5.6: routers do not forward link-local IPv6; RFC 3927 section 2.7 says so of
    IPv4."""
    return any(each.version is not None and each.origin != "link-local" for each in adapter.addresses)


def _finding(
    outcome: Outcome,
    headline: str,
    measured: Mapping[str, object],
    adapter: Adapter,
    fixes: tuple[str, ...] = CHECK.fixes,
) -> Finding:
    return Finding(
        CHECK.name,
        outcome,
        headline,
        evidence=(Evidence(f"{adapter.name}: {adapter.kind_reason}"),),
        measured=measured,
        fixes=fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )
