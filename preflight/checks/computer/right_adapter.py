"""Whether the adapter that was listened on is that of the audio LAN: the tool may have chosen it by itself.

Strategy: what nobody named was chosen by its looks. Audio or a clock that comes in by it proves it right, and
so does the rig sheet. Without them it may be the control network's, where it looks like that (an address from
a DHCP server, or a gateway) or where a wired adapter without a link stands beside it: then the audio cable
may be out, or the adapter at home, and nothing may be said about the audio LAN.
"""

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, passed, unproven
from preflight.checks.see.addresses import address_holder, ipv4
from preflight.checks.step import now

CHECK = Check(
    name="right-adapter",
    subject="computer",
    order=8,
    asks=Audio,
    watch="never",
    verdict="needed",
    question="Is the adapter that was judged that of the audio LAN?",
    looks_at="Whether somebody named it; else what comes in by it, its address and gateway, and wired "
    "adapters without a link beside it.",
    why="With the audio cable out, another network answers in its place, and everything said would be "
    "about that one.",
    sources=("common practice: the audio LAN has fixed or link-local addresses and no gateway",),
    fixes=(),
    cautions=(MUTE_FIRST,),
    unproven="Name the adapter of the audio LAN with --adapter. `preflight adapters` lists them.",
)
PLUG_IN = (
    now(
        "Plug the audio cable into its adapter, at both ends, until it clicks. Is the adapter itself "
        "plugged in?"
    ),
    now("Is it in already? See that the switch has power and that the lamp of that port is on."),
    now("Is this the right network all the same? Start the audio, or name the adapter with --adapter."),
    AGAIN,
)


def judge(computer: Audio, _limits: Limits) -> Says:
    audio, host, tally, sheet = computer.audio, computer.host, computer.tally, computer.sheet
    holder = address_holder(audio, host) or audio
    leased = any(each.origin == "dhcp" for each in ipv4(holder))
    without = [
        a for a in host.adapters if a.kind == "ethernet" and a.name != audio.name and a.carrier is False
    ]
    hardware = (audio.hardware_address or "").lower()
    yield Measured(
        {"guessed": computer.adapter_guessed, "wired_without_link": [each.name for each in without]}
    )
    if not computer.adapter_guessed:
        yield passed(f"{audio.name} was named.")
    elif tally is not None and (any(flow.stream for flow in tally.flows) or tally.clocks):
        yield passed(f"Audio or a clock comes in by {audio.name}.")
    elif sheet is not None and any(device.hardware == hardware for device in sheet.device):
        yield passed(f"{audio.name} is on the rig sheet.")
    elif audio.down or not (leased or holder.gateways or (without and tally is not None)):
        yield passed(f"{audio.name} looks most like the audio LAN's adapter.")
    else:
        names = ", ".join(each.name for each in without)
        looks = (
            "It looks like a control network"
            if leased or holder.gateways
            else "No audio and no clock came in by it"
        )
        also = f", and {names} {'has' if len(without) == 1 else 'have'} no link" if without else ""
        signs = [(leased, "has an address from a DHCP server"), (holder.gateways, "has a default gateway")]
        yield unproven(
            f"Is {audio.name} the audio network? {looks}{also}.",
            [
                *(Evidence(f"{audio.name} {text}") for told, text in signs if told),
                *(Evidence(f"{each.name} is wired and has no link") for each in without),
            ],
            fixes=PLUG_IN,
            cautions=CHECK.cautions,
        )
