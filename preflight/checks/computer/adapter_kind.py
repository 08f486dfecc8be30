"""The audio LAN is on a cable, in a socket of its own."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.facts import Facts
from preflight.host.facts import Adapter

CHECK = Check(
    name="adapter-kind",
    subject="computer",
    order=20,
    asks=View,
    question="Is the audio adapter a real wired one?",
    looks_at="What kind of adapter the system says it is: wired, Wi-Fi, VPN, bridge or made by software.",
    why=(
        "Wi-Fi and VPNs lose and delay packets. Bridges and adapters made by software put another network, or another "
        "program, between the desk and the audio."
    ),
    sources=("common practice",),
    fixes=(
        "Plug the audio LAN's cable into a wired network socket of this computer, or into a wired adapter.",
        "Choose that one with --adapter; `preflight adapters` lists them.",
        "Is the wired socket part of a bridge or a bond? Take it out in the network settings.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look the adapter up in the network settings: it should say Ethernet. Follow its cable to the audio switch.",
)
WORDS = {
    "wifi": "is Wi-Fi",
    "vpn": "is a VPN or tunnel",
    "bridge": "is a bridge",
    "bond": "is a bond of several adapters",
    "virtual": "is made by software",
    "loopback": "reaches this computer only",
    "other": "is no wired Ethernet adapter",
}


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    if adapter.kind is None:
        return untold(CHECK, f"The system does not say what kind of adapter {adapter.name} is.")
    seen = (Evidence(f"{adapter.name}: {adapter.kind_reason}"), *_own_address(adapter))
    measured = {"kind": adapter.kind, "driver": adapter.driver, "bus": adapter.bus}
    if adapter.kind == "ethernet":
        return Finding(
            CHECK.name, Outcome.PASS, f"{adapter.name} is wired Ethernet.", evidence=seen, measured=measured
        )
    return Finding(
        CHECK.name,
        Outcome.FAIL,
        f"{adapter.name} {WORDS[adapter.kind]}. The audio LAN needs a wired adapter.",
        evidence=seen,
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )


def _own_address(adapter: Adapter) -> tuple[Evidence, ...]:
    """A changed address is no fault, but a sheet or a switch may know the adapter by the one that it was made with."""
    if adapter.permanent_address in (None, adapter.hardware_address) or adapter.hardware_address is None:
        return ()
    text = f"Its hardware address is set to {adapter.hardware_address}; it was made with {adapter.permanent_address}."
    return (Evidence(text),)
