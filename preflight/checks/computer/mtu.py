"""The largest packet that this computer sends by the audio adapter: the standard 1500 bytes."""

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven

CHECK = Check(
    name="mtu",
    subject="computer",
    order=220,
    asks=Audio,
    question="Is the audio adapter's largest packet the standard 1500 bytes?",
    looks_at="The adapter's MTU, the largest packet that the system sends by it.",
    why=(
        "With a smaller MTU full-size packets are split or refused. With a larger one (jumbo frames) every "
        "device and every switch has to be set for it: those that are not drop what is too long, without a "
        "word."
    ),
    limits=(Limit("mtu_bytes", 1500, "bytes", "RFC 894; IEEE 802.3 clause 3.2.7"),),
    sources=("RFC 894", "IEEE 802.3 clause 3.2.7: maximum MAC client data"),
    fixes=(
        "Open the audio adapter's settings and set the MTU to 1500. Turn jumbo frames (jumbo packet) off.",
        "Is there a VPN or security program that set it? Turn that off for the audio adapter.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),  # many adapters restart their link for it
    unproven="Look up the MTU (or jumbo packet) in the adapter's settings: it should be 1500, jumbo off.",
)


def judge(computer: Audio, limits: Limits) -> Says:
    mtu, standard, name = computer.audio.mtu, limits["mtu_bytes"], computer.audio.name
    yield Measured({"mtu_bytes": mtu})
    if mtu is None:
        yield unproven(f"The system does not say the MTU of {name}.")
    elif mtu < standard:
        yield fail(f"The MTU of {name} is {mtu}, smaller than the standard {standard:g}.", culprits=[name])
    elif mtu != standard:
        yield caution(f"The MTU of {name} is {mtu}, larger than the standard {standard:g}.", culprits=[name])
    else:
        yield passed(f"{name} sends packets of up to {mtu} bytes.")
