"""Nothing in this computer joins the audio LAN to another network: no bridge, no sharing, no forwarding.

A bridge joins what is plugged into it, whatever the addresses. Forwarding (routing, connection sharing) joins
the networks of adapters that are up and have an address that can be routed; turned on with one such adapter
it joins nothing yet, and will as soon as a second one comes up.
"""

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.checks.see.addresses import address_holder, made_for_programs
from preflight.checks.step import now
from preflight.host.facts import Adapter, HostFacts

CHECK = Check(
    name="shared-connection",
    subject="computer",
    order=120,
    asks=Audio,
    question="Does this computer join the audio LAN to another network?",
    looks_at="Bridges and bonds that the audio adapter is part of, and whether the system forwards packets "
    "or shares its connection.",
    why=(
        "A computer that bridges or shares its connection lets the other network's traffic, and its DHCP "
        "server, into the audio LAN. With a second cable it can close a loop."
    ),
    sources=(
        "IEEE 802.1D: what a bridge forwards",
        "RFC 1812: what a router forwards",
        "common practice: the audio LAN is joined to nothing",
    ),
    fixes=(
        "Turn off internet sharing (connection sharing) and any hotspot on this computer.",
        "Take the audio adapter out of every bridge in the network settings.",
        "Turn off IP forwarding. Programs for virtual machines and containers turn it on: end them for the "
        "show.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Look in the network settings for internet sharing (connection sharing) and for bridges: both "
        "should be off."
    ),
)

PROGRAMS = (
    now("End programs for containers and virtual machines for the show."),
    "Or turn IP forwarding off.",
    AGAIN,
)


def judge(computer: Audio, _limits: Limits) -> Says:
    audio, host = computer.audio, computer.host
    yield from _bridged(audio, host)
    yield from _forwarded(audio, host)
    yield passed(f"Nothing in this computer joins {audio.name} to another network.")


def _bridged(audio: Adapter, host: HostFacts) -> Says:
    """What is to be said of the bridge or bond that the adapter is, or is part of."""
    name = audio.name if audio.kind in ("bridge", "bond") else audio.master
    if name is None:
        return
    group = host.adapter(name)
    others = [each.name for each in host.adapters if each.master == name and each.name != audio.name]
    listed = ", ".join(others)
    yield Measured({"group": name, "kind": group.kind if group else None, "with": others})
    seen = _kind_of(audio)
    if group is not None and group.kind == "bond":
        yield caution(
            f"{audio.name} works as one with {listed or 'no other adapter'} (bond {name})."
            " All its cables must go to the audio LAN.",
            seen,
            fixes=[
                now("Follow each cable of the bond: every one must end at an audio switch."),
                CHECK.fixes[1],
            ],
            culprits=[audio.name],
        )
    elif group is None or group.kind != "bridge":
        yield unproven(f"{audio.name} is part of {name}; the system does not say what that joins.")
    elif len(others) > (1 if audio.name == name else 0):
        joins = "joins" if audio.name == name else f"joins {audio.name} to"
        yield fail(f"The bridge {name} {joins} {listed}.", seen, culprits=[audio.name])
    else:
        alone = f"{name} is a bridge" if audio.name == name else f"{audio.name} is in the bridge {name}"
        yield caution(f"{alone}, so far with no second adapter in it.", seen, culprits=[audio.name])


def _forwarded(audio: Adapter, host: HostFacts) -> Says:
    others = [each for each in host.adapters if each.name != audio.name and _in_use(each, audio)]
    ways = [each.forwarding for each in (audio, *others)]
    yield Measured(
        {
            "ip_forwarding": host.ip_forwarding,
            "sharing": host.sharing,
            "forwarding": audio.forwarding,
            "others_in_use": [each.name for each in others],
        }
    )
    if not (host.sharing is True or True in ways or (host.ip_forwarding is True and None in ways)):
        if host.sharing is not False or (host.ip_forwarding is not False and None in ways):
            yield unproven(
                "The system does not say whether it shares its connection, or forwards packets between "
                "adapters."
            )
        return
    if others and _routable(address_holder(audio, host) or audio):
        say, what = fail, f": this computer joins {audio.name} to {', '.join(each.name for each in others)}"
    else:
        say, what = caution, ". It joins nothing yet, but can as soon as a second network is plugged in"
    on = "Connection sharing" if host.sharing else "IP forwarding"
    programs = ", ".join(each.name for each in host.adapters if made_for_programs(each, host))
    if programs and not host.sharing:
        # It passes on only what is sent to this computer to be passed on: no broadcast, no multicast, no
        # DHCP.
        on = f"{on} is on, as programs for containers and virtual machines ({programs}) leave it"
        yield caution(f"{on}{what}.", _kind_of(audio), fixes=PROGRAMS, culprits=[audio.name])
        return
    yield say(f"{on} is on{what}.", _kind_of(audio), culprits=[audio.name])


def _kind_of(audio: Adapter) -> list[Evidence]:
    return [Evidence(f"{audio.name}: {audio.kind_reason}")]


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
