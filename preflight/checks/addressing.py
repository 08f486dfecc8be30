"""Whether addresses keep the audio LAN apart from other networks."""

from ipaddress import ip_interface

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, not_told
from preflight.checks.finding import Check, Finding, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="addressing",
    subject="computer",
    question="Do the addresses keep the audio LAN apart?",
    looks_at="Addresses and default gateways of all adapters.",
    why="Two adapters in one subnet, or a gateway by the audio adapter, send audio traffic the wrong way.",
    sources=("RFC 3927: link-local addresses",),
    fixes=(
        "Give each adapter a subnet of its own.",
        "Leave the gateway of the audio adapter empty.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Read the addresses in the system's network settings.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(facts)
    if adapter is None:
        return not_told(CHECK, "No audio adapter is known.")
    nets = {ip_interface(f"{a.text}/{a.prefix}").network for a in adapter.addresses if a.prefix is not None}
    for other in facts.host.adapters:
        if other.name == adapter.name or not other.carrier or other.kind == "loopback":
            continue
        for a in other.addresses:
            if a.prefix is not None and ip_interface(f"{a.text}/{a.prefix}").network in nets:
                return _said(
                    Outcome.FAIL,
                    f"{adapter.name} and {other.name} are in the same subnet.",
                    adapter.name,
                    {"other": other.name, "address": a.text},
                )
    if adapter.gateways:
        return _said(
            Outcome.CAUTION,
            f"A default gateway, {adapter.gateways[0]}, goes by {adapter.name}.",
            adapter.name,
            {"gateway": adapter.gateways[0]},
        )
    if not nets:
        return _said(Outcome.CAUTION, f"{adapter.name} has no IPv4 address.", adapter.name, {})
    shown = ", ".join(a.text for a in adapter.addresses if a.prefix is not None)
    return _said(Outcome.PASS, f"{adapter.name} has {shown}, and no gateway.", adapter.name, {})


def _said(outcome: Outcome, headline: str, name: str, measured: dict) -> Finding:
    trouble = outcome is not Outcome.PASS
    return Finding(
        CHECK.name,
        outcome,
        headline,
        measured=measured,
        limits={limit.name: limit.value for limit in CHECK.limits},
        fixes=CHECK.fixes if trouble else (),
        cautions=CHECK.cautions if trouble else (),
        culprits=(name,) if trouble else (),
    )
