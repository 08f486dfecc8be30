"""The audio adapter has a subnet of its own, an address that stays, and no way out to the internet.

Addresses belong to the adapter itself, or to the bridge or bond that it is part of. A default gateway on the
audio adapter fails where another adapter has one too, because then the control network's traffic may go out
by the audio LAN; alone it is a caution: it points at a router on the audio LAN, or at a setting that was left
over. Subnets that only overlap send the part that they share by one of the two, which is a caution. An
adapter without a link is in nobody's way, whatever it is set to. A rig sheet tells more: the control
network's subnet and router, this computer's planned address, and whether a DHCP server is meant to be there.
"""

from collections.abc import Iterator
from ipaddress import IPv4Interface, IPv6Interface, ip_network
from itertools import product

from preflight.checks.asks import Audio, no_link
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Explains
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.checks.see.addresses import address_holder, ipv4, one_subnet
from preflight.checks.step import now
from preflight.host.facts import Adapter, Address, HostFacts
from preflight.rig.sheet import Sheet

CHECK = Check(
    name="addressing",
    subject="computer",
    order=200,
    asks=Audio,
    explains=(
        Explains(("control-network",), "culprit"),
        Explains(("address-plan", "control-plan"), "all culprits"),
    ),
    question="Does the audio adapter have a subnet of its own, and an address that stays?",
    looks_at=(
        "The addresses of all adapters, where they came from, and by which adapter the default gateway "
        "goes. With a rig sheet, also the address planned for this computer, and the control network's."
    ),
    why=(
        "With two adapters in one subnet the computer picks one of them, often the wrong one. A gateway on "
        "the audio LAN draws internet traffic into it. A leased address can change or run out in the middle "
        "of a show."
    ),
    sources=(
        "RFC 1122 section 3.3.4: a computer with several adapters",
        "RFC 1812 section 5.2.4.3: of two routes that fit, packets go by the narrower",
        "RFC 3927: link-local addresses",
        "RFC 2131 section 4.4.5: a lease runs out",
        "common practice: no default gateway on the audio adapter",
    ),
    fixes=(
        "Give the audio adapter a fixed address in the audio LAN's subnet, and leave its gateway empty.",
        "Give the other adapter a different subnet. The default gateway, if any, goes by that one.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Look in the audio adapter's network settings: the address should be manual (or link-local), the "
        "gateway empty, and no other adapter in the same subnet."
    ),
)
OWN_SUBNET = (
    "Give the other adapter an address in a different subnet, or turn it off.",
    "Are both plugged into the same switch? Unplug the one that is not for audio.",
)
APART = (
    "Are there audio devices, or will there be, among those addresses? Then they cannot be reached: give "
    "the other adapter a subnet outside the audio LAN's.",
    now("Are there none? It works as it is."),
)
NO_GATEWAY = ("Open the audio adapter's network settings and leave the gateway (router) empty.",)
FIXED = (
    "Set the audio adapter's address by hand, as the show's address plan says, with the gateway left empty.",
    now("Find out which device on the audio LAN hands out addresses, and whether it should."),
)
SWAPPED = (
    "Are the plugs of the audio LAN and the control network swapped? Put each into its own adapter.",
    "Are the plugs right? Then give the audio adapter its address of the audio LAN, with the gateway left "
    "empty.",
    now("Was the wrong adapter judged? `preflight adapters` lists them; name the right one with --adapter."),
)
AS_PLANNED = ("Set the address as the rig sheet says, or write the new one on the sheet.",)
GIVE_ADDRESS = ("Give the audio adapter an address of the audio LAN, as the show's address plan says.",)

Interface = IPv4Interface | IPv6Interface


def judge(computer: Audio, _limits: Limits) -> Says:
    audio, host = computer.audio, computer.host
    holder = address_holder(audio, host)
    if holder is None:
        yield unproven(f"{audio.name} is part of {audio.master}, whose addresses are not known.")
        return
    if not ipv4(holder) and (down := no_link(audio)):  # many systems take the address away with the link
        yield unproven(down.headline, fixes=down.fixes)
        return
    idle = [each for each in host.adapters if each.down and any(_meet(holder, each))]
    yield Measured(
        {
            "addresses": [f"{each.text}/{each.prefix}" for each in holder.addresses],
            "origins": [each.origin for each in holder.addresses],
            "gateways": None if holder.gateways is None else list(holder.gateways),
        },
        (
            *(Evidence(_shown(each, holder)) for each in holder.addresses),
            *(
                Evidence(f"{each.name} is set to the same subnet, and has no link: never plug both in")
                for each in idle
            ),
        ),
    )
    if computer.sheet is not None:
        yield from _planned(audio, holder, computer.sheet)
    yield from _shared_subnets(audio, holder, host)
    yield from _gateway(audio, holder, host)
    yield from _own(audio, holder, leases=bool(computer.sheet and computer.sheet.dhcp.allowed))
    if doubt := _doubt(holder, host):
        yield unproven(doubt)
    yield passed(f"{holder.name} has a subnet of its own, an address that stays, and no gateway.")


def _routed(adapter: Adapter) -> list[Interface]:
    """Addresses with a subnet that decides where packets go. Every adapter has the IPv6 link-local subnet:
    RFC 4291 section 2.1."""
    known = [each.interface for each in adapter.addresses]
    return [each for each in known if each is not None and not (each.version == 6 and each.is_link_local)]


def _others(holder: Adapter, host: HostFacts) -> list[Adapter]:
    return [
        other
        for other in host.adapters
        if other.name != holder.name and other.kind != "loopback" and not other.down
    ]


def _meet(holder: Adapter, other: Adapter) -> Iterator[tuple[Interface, Interface]]:
    """Addresses of the two whose subnets overlap."""
    for own, theirs in product(_routed(holder), _routed(other)):
        if (
            other.name != holder.name
            and own.version == theirs.version
            and own.network.overlaps(theirs.network)
        ):
            yield own, theirs


def _shared_subnets(audio: Adapter, holder: Adapter, host: HostFacts) -> Says:
    for other in _others(holder, host):
        for own, theirs in _meet(holder, other):
            if own.ip == theirs.ip:
                text = f"{holder.name} and {other.name} have the same address {own.ip}."
                yield fail(text, fixes=OWN_SUBNET, culprits=[audio.name])
            elif one_subnet(own, theirs):
                text = f"{holder.name} ({own}) and {other.name} ({theirs}) are in one subnet."
                yield fail(text, fixes=OWN_SUBNET, culprits=[audio.name])
            else:
                narrow, by = min((own, holder), (theirs, other), key=lambda each: -each[0].network.prefixlen)
                yield caution(
                    f"The audio LAN {own.network} ({holder.name}) and {theirs.network} ({other.name}) "
                    f"overlap: what is for {narrow.network} goes out by {by.name} alone.",
                    fixes=APART,
                    culprits=[audio.name],
                )


def _gateway(audio: Adapter, holder: Adapter, host: HostFacts) -> Says:
    if not holder.gateways:
        return
    many = len(holder.gateways) > 1
    goes = (
        f"The default gateway{'s' if many else ''} {', '.join(holder.gateways)} go{'' if many else 'es'} by "
        f"the audio adapter {holder.name}"
    )
    second = [other.name for other in _others(holder, host) if other.gateways]
    say, more = (fail, f", and another by {', '.join(second)}") if second else (caution, "")
    yield say(f"{goes}{more}.", fixes=NO_GATEWAY, culprits=[audio.name])


def _planned(audio: Adapter, holder: Adapter, sheet: Sheet) -> Says:
    """What the rig sheet says otherwise. It is heard on the wire, too, where a device is told by its hardware
    address."""
    culprits = [each for each in (audio.name, audio.hardware_address) if each]
    subnet = ip_network(sheet.control.subnet) if sheet.control.subnet else None
    strayed = [each for each in _routed(holder) if subnet is not None and each.ip in subnet]
    if strayed:
        yield fail(
            f"{holder.name} is the audio adapter, and {strayed[0].ip} is an address of the control network "
            f"({subnet}).",
            fixes=SWAPPED,
            culprits=culprits,
        )
    if sheet.control.router and sheet.control.router in (holder.gateways or ()):
        yield fail(
            f"The control network's router {sheet.control.router} is the gateway of the audio adapter "
            f"{holder.name}.",
            fixes=SWAPPED,
            culprits=culprits,
        )
    hardware = (audio.hardware_address or "").lower()
    mine = next((device for device in sheet.device if device.hardware == hardware), None)
    has = [each.text for each in ipv4(holder)]
    if mine is not None and mine.address and ":" not in mine.address and has and mine.address not in has:
        text = f"{holder.name} has {', '.join(has)}; the rig sheet gives {mine.name} {mine.address}."
        yield fail(text, fixes=AS_PLANNED, culprits=culprits)


def _own(audio: Adapter, holder: Adapter, leases: bool) -> Says:
    """`leases` where the sheet allows a DHCP server on the audio LAN."""
    leased = [each.text for each in ipv4(holder) if each.origin == "dhcp"]
    if leased and not leases:
        yield caution(
            f"{holder.name} has its address {', '.join(leased)} from a DHCP server; such an address can "
            "change.",
            fixes=FIXED,
            culprits=[audio.name],
        )
    elif not ipv4(holder):
        kind = "IPv4 address" if holder.addresses else "address"
        yield caution(f"{holder.name} has no {kind}.", fixes=GIVE_ADDRESS, culprits=[audio.name])


def _doubt(holder: Adapter, host: HostFacts) -> str:
    """What keeps a good result from being proven, "" where nothing does."""
    if holder.gateways is None:
        return f"The system does not say whether a default gateway goes by {holder.name}."
    for each in (holder, *_others(holder, host)):
        if any(address.interface is None and address.origin != "link-local" for address in each.addresses):
            return f"The system does not say which subnet {each.name} is in."
    unknown = [each.text for each in ipv4(holder) if each.origin is None]
    if unknown:
        return (
            f"No fault seen, but the system does not say whether {', '.join(unknown)} is set by hand or "
            "from a DHCP server."
        )
    return ""


def _shown(address: Address, holder: Adapter) -> str:
    origins = {
        "static": "set by hand",
        "dhcp": "from a DHCP server",
        "link-local": "link-local",
        None: "origin not told",
    }
    subnet = "" if address.prefix is None else f"/{address.prefix}"
    return f"{holder.name}: {address.text}{subnet}, {origins[address.origin]}"
