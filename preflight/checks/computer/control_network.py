"""The control network (tablets, a wireless router, the internet) has an adapter of its own, apart from the
audio LAN.

Which adapter that is, only a rig sheet says, by the control network's subnet. Without one, any other adapter
is taken for it that has a link and an IPv4 address which is not link-local. Where there is none, nothing is
proven: a show may need no second network, or it may be plugged into the audio LAN, which the computer cannot
know. A subnet or a gateway that is shared is addressing's to fail; here it cautions, and is explained by
that.
"""

from ipaddress import ip_network

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.see.addresses import address_holder, ipv4, made_for_programs, one_subnet
from preflight.host.facts import Adapter, HostFacts

CHECK = Check(
    name="control-network",
    subject="computer",
    order=170,
    asks=Audio,
    question="Does the control network have an adapter of its own?",
    looks_at=(
        "The other adapters: which of them is up, with an address in a subnet of its own, and by which one "
        "the default gateway goes. With a rig sheet, whether it is the control network's."
    ),
    why=(
        "Tablets, wireless routers and the internet bring broadcasts, DHCP servers and updates along. They "
        "belong on a second adapter: a wireless router is never plugged into the audio LAN."
    ),
    sources=(
        "RFC 1122 section 3.3.4: a computer with several adapters",
        "common practice: the wireless router is never plugged into the audio LAN",
    ),
    fixes=(
        "Plug the wireless router into an adapter of its own, never into the audio LAN.",
        "Give that adapter a subnet that is not the audio LAN's, as the show's address plan says.",
        "Leave the audio adapter's gateway empty. The default gateway, if any, goes by the control network.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "If tablets or a wireless router are used: see that they are on a second adapter of this computer, "
        "and that no cable leads from the router to an audio switch."
    ),
)
CARRIERS = {"ethernet", "wifi", "bond", "bridge", None}


def judge(computer: Audio, _limits: Limits) -> Says:
    audio, sheet = computer.audio, computer.sheet
    holder = address_holder(audio, computer.host)
    if holder is None:
        yield unproven(f"{audio.name} is part of {audio.master}, whose addresses are not known.")
        return
    others = _control(holder, computer.host)
    subnet = sheet.control.subnet if sheet is not None else None
    if not others:
        plan = f"This computer has no adapter up in the control network of the rig sheet ({subnet})."
        yield unproven(plan if subnet else f"No second network is up beside {audio.name}.")
        return
    planned = [each for each in others if subnet and _in(each, subnet)]
    others = planned or others
    names = ", ".join(each.name for each in others)
    yield Measured(
        {"adapters": [each.name for each in others], "on_the_sheet": subnet},
        tuple(Evidence(f"{each.name}: {', '.join(a.text for a in ipv4(each))}") for each in others),
    )
    router = sheet.control.router if sheet is not None else None
    gates = [gate for each in others for gate in each.gateways or () if ":" not in gate]
    shared = [each.name for each in others if _share(holder, each)]
    wrong = ""
    if shared:
        wrong = f"{shared[0]} is in the audio adapter's own subnet: the control network has none of its own."
    elif subnet is not None and not planned:
        wrong = (
            f"No adapter is in the control network of the rig sheet ({subnet}): {names} "
            f"{'is' if len(others) == 1 else 'are'} in another one."
        )
    elif planned and router and "." in router and gates and router not in gates:
        wrong = f"The default gateway by {names} is {gates[0]}; the rig sheet's router is {router}."
    elif holder.gateways and not any(each.gateways for each in others):
        wrong = f"The default gateway goes by the audio adapter {holder.name}, not by {names}."
    if wrong:
        yield caution(wrong, culprits=[audio.name, *shared])
    doubtful = [each for each in (holder, *others) if any(one.interface is None for one in ipv4(each))]
    if doubtful:
        yield unproven(f"The system does not say which subnet {doubtful[0].name} is in.")
    elif not ipv4(holder):
        yield unproven(f"{holder.name} has no IPv4 address to tell its subnet from that of {names}.")
    elif holder.gateways is None:
        yield unproven("The system does not say by which adapter the default gateway goes.")
    yield passed(f"The {'control' if planned else 'other'} network is on {names}, apart from the audio LAN.")


def _control(holder: Adapter, host: HostFacts) -> list[Adapter]:
    return [
        each
        for each in host.adapters
        if each.name != holder.name
        and each.master != holder.name
        and each.kind in CARRIERS
        and not made_for_programs(each, host)
        and each.enabled is not False
        and each.carrier
        and any(address.origin != "link-local" for address in ipv4(each))
    ]


def _in(adapter: Adapter, subnet: str) -> bool:
    return any(
        each.interface is not None and each.interface.ip in ip_network(subnet) for each in ipv4(adapter)
    )


def _share(one: Adapter, other: Adapter) -> bool:
    own, others = ([a.interface for a in ipv4(each) if a.interface is not None] for each in (one, other))
    return any(one_subnet(mine, theirs) for mine in own for theirs in others)
