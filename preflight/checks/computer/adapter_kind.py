"""The audio LAN is on a cable, in a socket of its own."""

from preflight.checks.asks import Audio
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.step import now

CHECK = Check(
    name="adapter-kind",
    subject="computer",
    order=20,
    asks=Audio,
    question="Is the audio adapter a real wired one?",
    looks_at="What kind of adapter the system says it is: wired, Wi-Fi, VPN, bridge or made by software.",
    why=(
        "Wi-Fi and VPNs lose and delay packets. Bridges and adapters made by software put another network, "
        "or another program, between the desk and the audio."
    ),
    sources=("common practice",),
    fixes=(
        "Plug the audio LAN's cable into a wired network socket of this computer, or into a wired adapter.",
        now("Choose that one with --adapter; `preflight adapters` lists them."),
        "Is the wired socket part of a bridge or a bond? Take it out in the network settings.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look the adapter up in the network settings: it should say Ethernet. Follow its cable to the "
    "audio switch.",
)
KINDS = {
    "wifi": "is Wi-Fi",
    "vpn": "is a VPN or tunnel",
    "bridge": "is a bridge",
    "bond": "is a bond of several adapters",
    "virtual": "is made by software",
    "loopback": "reaches this computer only",
    "other": "is no wired Ethernet adapter",
}


def judge(computer: Audio, _limits: Limits) -> Says:
    audio = computer.audio
    seen = [Evidence(f"{audio.name}: {audio.kind_reason}")] if audio.kind else []
    made, own = audio.permanent_address, audio.hardware_address
    if made and own and made != own:
        # No fault, but a sheet or a switch may know the adapter by the address that it was made with.
        seen.append(Evidence(f"Its hardware address is set to {own}; it was made with {made}."))
    yield Measured({"kind": audio.kind, "driver": audio.driver, "bus": audio.bus}, tuple(seen))
    if audio.kind is None:
        yield unproven(f"The system does not say what kind of adapter {audio.name} is.")
    elif audio.kind == "ethernet":
        yield passed(f"{audio.name} is wired Ethernet.")
    else:
        yield fail(
            f"{audio.name} {KINDS[audio.kind]}. The audio LAN needs a wired adapter.", culprits=[audio.name]
        )
