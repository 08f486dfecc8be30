"""Whether the adapter that was listened on is that of the audio LAN: the tool may have chosen it by itself.

Strategy: what nobody named was chosen by its looks. Audio or a clock that comes in by it proves it right. Without them it may be the
control network's where it looks like that (an address from a DHCP server, or a gateway) and a wired adapter without a link stands
beside it: then the audio cable may be out, and nothing may be said about the audio LAN.
"""

from preflight.checks.asks import Audio
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, passed, unproven
from preflight.checks.see.addresses import address_holder, ipv4

CHECK = Check(
    name="right-adapter",
    subject="computer",
    order=8,
    asks=Audio,
    watch="never",
    verdict="needed",
    question="Is the adapter that was judged that of the audio LAN?",
    looks_at="Whether somebody named it; else what comes in by it, its address and gateway, and wired adapters without a link beside it.",
    why="With the audio cable out, another network answers in its place, and everything said would be about that one.",
    sources=("common practice: the audio LAN has fixed or link-local addresses and no gateway",),
    fixes=(),
    unproven="Name the adapter of the audio LAN with --adapter. `preflight adapters` lists them.",
)
PLUG_IN = (
    "Plug the audio cable into its adapter, at both ends, until it clicks.",
    "Is it in already? See that the switch has power and that the lamp of that port is on.",
    "Is this the right network all the same? Say so with --adapter.",
    AGAIN,
)


def judge(computer: Audio, _limits: Limits) -> Says:
    audio, host, tally = computer.audio, computer.host, computer.tally
    holder = address_holder(audio, host) or audio
    leased = any(each.origin == "dhcp" for each in ipv4(holder))
    without = [
        a for a in host.adapters if a.kind == "ethernet" and a.name != audio.name and a.carrier is False
    ]
    heard = tally is not None and (any(flow.stream for flow in tally.flows) or bool(tally.clocks))
    yield Measured(
        {"guessed": computer.adapter_guessed, "wired_without_link": [each.name for each in without]}
    )
    if not computer.adapter_guessed:
        yield passed(f"{audio.name} was named.")
    elif heard:
        yield passed(f"Audio or a clock comes in by {audio.name}.")
    elif without and (leased or holder.gateways):
        names = ", ".join(each.name for each in without)
        yield unproven(
            f"Is {audio.name} the audio network? It looks like a control network, and {names} has no link.",
            [
                Evidence(
                    f"{audio.name} has "
                    + ("an address from a DHCP server" if leased else "a default gateway")
                ),
                *(Evidence(f"{each.name} is wired and has no link") for each in without),
            ],
            fixes=PLUG_IN,
        )
    else:
        yield passed(f"{audio.name} looks most like the audio LAN's adapter.")
